"""Records as text for other programs: CSV for spreadsheets, JSON lines for everything else. Pure.

The JSON lines are exact. The CSV is for reading: text that a spreadsheet would take for a formula is made harmless.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from mediaprep.logchain import canonical_json
from mediaprep.logtext import FACTS, facts_of, kind_of
from mediaprep.model import LogEntry
from mediaprep.quantities import format_utc

# What makes a spreadsheet read a cell as a formula, by OWASP's page on CSV injection.
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\uff1d", "\uff0b", "\uff0d", "\uff20")
GUARD = "'"
"""What is put before text that a spreadsheet would take for a formula: it then shows the text as it is."""

LOG_COLUMNS = ("sequence", "at", "kind", *FACTS, "previous_sha256", "sha256")


def to_csv(columns: Sequence[str], rows: Iterable[Sequence[object]]) -> Iterator[str]:
    """Yield the lines of a CSV file (RFC 4180: commas, CRLF, quotes where needed), its header first.

    None becomes an empty cell, a whole number its digits. Text that begins as a formula does gets `GUARD` before it.
    """
    yield _line(columns)
    for row in rows:
        yield _line(row)


def log_to_csv(entries: Iterable[LogEntry]) -> Iterator[str]:
    """Yield a logbook as the lines of a CSV file, one row for each entry."""
    return to_csv(LOG_COLUMNS, (_log_row(entry) for entry in entries))


def log_to_json_lines(entries: Iterable[LogEntry]) -> Iterator[str]:
    """Yield a logbook as JSON lines, one for each entry, with all that is needed to check its chain.

    `body` is the text whose digest is chained, not an object: nothing about its form is left to the reader.
    """
    for entry in entries:
        record = {
            "aircraft": entry.aircraft,
            "sequence": entry.sequence,
            "at": format_utc(entry.at),
            "body": entry.body,
            "previous_sha256": entry.previous_sha256,
            "sha256": entry.sha256,
        }
        yield canonical_json(record) + "\n"


def _log_row(entry: LogEntry) -> list[object]:
    facts = facts_of(entry)
    return [
        entry.sequence,
        format_utc(entry.at),
        kind_of(entry),
        *(facts.get(name) for name in FACTS),
        entry.previous_sha256,
        entry.sha256,
    ]


def _line(cells: Sequence[object]) -> str:
    return ",".join(map(_cell, cells)) + "\r\n"


def _cell(value: object) -> str:
    if value is None or isinstance(value, int):
        return "" if value is None else str(value)
    text = str(value)
    # A guard that was there already gets another, so that whoever takes one off has the text as it was.
    if text.lstrip(" ").startswith((*_FORMULA_STARTS, GUARD)):
        text = GUARD + text
    if any(sign in text for sign in ',"\r\n') or text != text.strip(" "):
        return '"' + text.replace('"', '""') + '"'
    return text
