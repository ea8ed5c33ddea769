"""What is said beside every statement about dates, wherever it appears: on the command line, in pages, in messages."""

CAUTION = (
    "This tracks dates, not legality: the unit's own display, its manual, the flight manual supplement and the "
    "authority's rules govern."
)
