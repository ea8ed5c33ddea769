"""The chain that makes a logbook tamper-evident: canonical JSON, one digest per entry, and the check of a whole book.

Each entry's digest covers the digest of the entry before, its own sequence number and its body. The first entry has
sequence number 1 and follows `GENESIS`. What stands beside the body in the records (the aircraft, the time) is
covered by what the body says of it: its members `aircraft` and `at`, where it has them, must agree.

The chain shows that a book was edited; it does not stop anyone who can write to the records from making a new one.
Only a head noted elsewhere, on paper or in a backup, shows that, or that the last entries were taken off.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable

from mediaprep.errors import LogbookBroken, Usage
from mediaprep.model import LogEntry, LogHead
from mediaprep.quantities import parse_utc

GENESIS = "0" * 64
"""What the first entry of every logbook has in the place of the digest of the one before."""

_LARGEST_INTEGER = 2**53 - 1


def canonical_json(value: object) -> str:
    """Return a value as RFC 8785 (JSON Canonicalization Scheme) writes it.

    Only what has one form in every language is taken: strings, booleans, None, integers within +-(2^53 - 1), lists,
    and dictionaries with ASCII keys. With those, sorting by code point is the order that RFC 8785 asks for.

    Raise ValueError, with the path of the member such as `$.files[2].size_bytes`, for anything else.
    """
    _require_canonical(value, "$")
    return json.dumps(value, ensure_ascii=False, allow_nan=False, sort_keys=True, separators=(",", ":"))


def _require_canonical(value: object, path: str) -> None:
    if isinstance(value, dict):
        for key, member in value.items():
            if not (isinstance(key, str) and key.isascii()):
                message = f"{path} has the key {key!r}, which is not ASCII text"
                raise ValueError(message)
            _require_canonical(member, f"{path}.{key}")
    elif isinstance(value, list):
        for index, member in enumerate(value):
            _require_canonical(member, f"{path}[{index}]")
    elif problem := _scalar_problem(value):
        message = f"{path} {problem}"
        raise ValueError(message)


def _scalar_problem(value: object) -> str | None:
    if isinstance(value, str):
        halved = any("\ud800" <= char <= "\udfff" for char in value)
        return "is not Unicode text: it holds half of a surrogate pair" if halved else None
    if isinstance(value, int):
        return "is an integer beyond 2^53 - 1" if abs(value) > _LARGEST_INTEGER else None
    return None if value is None else f"is of type {type(value).__name__}, which has no canonical form here"


def entry_digest(previous_sha256: str, sequence: int, body: str) -> str:
    """Return the SHA-256, in lower-case hex, of one entry.

    It is taken over the UTF-8 text of three lines: the digest of the entry before, the sequence number in decimal, and
    the body, without a line end after it.
    """
    return hashlib.sha256(f"{previous_sha256}\n{sequence}\n{body}".encode()).hexdigest()


def verify(entries: Iterable[LogEntry], head: str | None = None) -> LogHead:
    """Check one aircraft's whole logbook, first entry first, and return its length and its last digest.

    `head` is the digest of its last entry, noted earlier and elsewhere; `GENESIS` for an empty book. Without it, last
    entries that were taken off go unnoticed.

    Raise LogbookBroken at the first entry that was edited, removed, reordered or inserted, naming its number.
    """
    book = "Logbook"
    aircraft: str | None = None
    last_sha256, length = GENESIS, 0
    for entry in entries:
        if aircraft is None:
            aircraft, book = entry.aircraft, f"Logbook of {entry.aircraft}"
        problem = _problem(entry, aircraft, length + 1, last_sha256)
        if problem is not None:
            message = f"{book}: {problem}"
            raise LogbookBroken(message)
        last_sha256, length = entry.sha256, entry.sequence
    if head is not None and head != last_sha256:
        end = f"entry {length} is its last" if length else "it has no entry"
        message = f"{book}: {end}, but the digest noted is another: entries were removed after it, or all rewritten"
        raise LogbookBroken(message)
    return LogHead(length, last_sha256)


def _problem(entry: LogEntry, aircraft: str, expected: int, last_sha256: str) -> str | None:
    """Say what is wrong with an entry that should be the one numbered `expected` and follow `last_sha256`."""
    if entry.sequence > expected:
        return f"entry {expected} is missing, and {entry.sequence} stands in its place"
    if entry.sequence < expected:
        return f"entry {entry.sequence} stands where {expected} belongs: it was inserted, or is out of order"
    if entry.sha256 != entry_digest(entry.previous_sha256, entry.sequence, entry.body):
        return f"entry {entry.sequence} was edited: it does not agree with its digest"
    if entry.previous_sha256 != last_sha256:
        return f"entry {entry.sequence} does not follow from the one before it: one of the two was replaced"
    if entry.aircraft != aircraft or not _body_agrees(entry):
        return f"entry {entry.sequence} was edited: the aircraft or the time beside its body is another"
    return None


def _body_agrees(entry: LogEntry) -> bool:
    """Say whether the members `aircraft` and `at` of a body, where it has them, are those of its entry."""
    try:
        record = json.loads(entry.body)
        return (
            isinstance(record, dict)
            and record.get("aircraft", entry.aircraft) == entry.aircraft
            and ("at" not in record or parse_utc(str(record["at"])) == entry.at)
        )
    except (ValueError, Usage):
        return False
