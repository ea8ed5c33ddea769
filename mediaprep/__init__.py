"""mediaprep: prepare, prove and track the data cards of an aircraft panel.

The package tracks dates and bytes. It does not decide airworthiness or legality: the equipment's manuals, the
flight manual supplement, the operating limitations and the authority's rules govern.
"""

__version__ = "0.1.0"
