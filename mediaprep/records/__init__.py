"""The records: a SQLite file by default, a shared PostgreSQL by its URL. All SQL of mediaprep is in this package.

It takes a quarter of a second to import, so others import it only where they need it.
"""

from mediaprep.records.opening import open_records
from mediaprep.records.store import Store

__all__ = ["Store", "open_records"]
