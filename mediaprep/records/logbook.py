"""Logbooks: one per aircraft, only ever added to, each entry chained to the one before by its digest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import datetime
from enum import StrEnum

from sqlalchemy import Connection, Text, insert, select, type_coerce

from mediaprep import __version__, logchain
from mediaprep.errors import LogbookBroken, NotFound, Usage
from mediaprep.model import LogEntry, LogHead
from mediaprep.quantities import format_utc
from mediaprep.records import tables as t
from mediaprep.records.database import Subject, Worker
from mediaprep.records.panel import aircraft_id

# How many entries are read at once where a whole logbook is checked.
_PAGE = 2000


class LogKind(StrEnum):
    """What an entry of a logbook says has happened."""

    CARD_WRITTEN = "card-written"
    VERIFIED = "verified"
    INSTALLED = "installed"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    SUPERSEDED = "superseded"
    CORRECTED = "corrected"
    RETIRED = "retired"
    IMPORTED = "imported"


class LogbookRecords(Subject):
    """The logbooks of the aircraft."""

    def log(self, aircraft: str, after: int = 0, limit: int | None = None) -> tuple[LogEntry, ...]:
        """Return the entries of a logbook past sequence number `after`, oldest first.

        Raise NotFound, or LogbookBroken for one whose time is none.
        """
        with self._database.reading() as connection:
            return _page(connection, aircraft, after, limit)

    def log_head(self, aircraft: str) -> LogHead:
        """Return how long a logbook is and the digest of its last entry, without checking anything. Raise NotFound."""
        entry = t.logbook.c
        with self._database.reading() as connection:
            newest = select(entry.sequence, entry.sha256).where(entry.aircraft_id == aircraft_id(connection, aircraft))
            last = connection.execute(newest.order_by(entry.sequence.desc()).limit(1)).one_or_none()
        return LogHead(last.sequence, last.sha256) if last else LogHead(0, logchain.GENESIS)

    def verify_log(self, aircraft: str, head: str | None = None) -> LogHead:
        """Check the whole chain of a logbook, and return its length and the digest of its last entry.

        `head` is that digest as it was noted elsewhere: without it, entries cut off the end cannot be missed. A few
        thousand entries at a time are in memory, however long the book. Raise NotFound, or LogbookBroken naming the
        entry.
        """
        return logchain.verify(self._all_entries(aircraft), head)

    def _all_entries(self, aircraft: str) -> Iterator[LogEntry]:
        """Yield a logbook's entries, those with numbers that none may have too: each page a transaction of its own.

        Whatever is added meanwhile comes too, at the end: nothing else ever happens to a logbook.
        """
        after: int | None = None
        while True:
            with self._database.reading() as connection:
                page = _page(connection, aircraft, after, _PAGE)
            yield from page
            if len(page) < _PAGE:
                return
            after = page[-1].sequence

    def correct_log(self, aircraft: str, number: int, text: str, *, at: datetime) -> LogEntry:
        """Say what is wrong with an entry: in a new one that names it, for no entry is ever changed; return the new.

        Raise Usage without a text, NotFound for the aircraft or where there is no entry of that number.
        """
        if not text.strip():
            message = f"No text is given to correct entry {number} of the logbook of {aircraft} with"
            raise Usage(message, remedy="Say what should have been written.")
        with self._database.writing() as connection:
            key = aircraft_id(connection, aircraft)
            entry = t.logbook.c
            wanted = select(entry.sha256).where(entry.aircraft_id == key, entry.sequence == number)
            corrected = connection.execute(wanted).scalar()
            if corrected is None:
                message = f"The logbook of {aircraft} has no entry {number}"
                raise NotFound(message, remedy="See 'mediaprep log' for the entries there are.")
            facts = {"corrects": number, "corrects_sha256": corrected, "reason": text}
            return append(connection, key, LogKind.CORRECTED, at=at, worker=self._worker, facts=facts)


def _page(connection: Connection, aircraft: str, after: int | None, limit: int | None) -> tuple[LogEntry, ...]:
    entry = t.logbook.c
    columns = select(
        entry.sequence, type_coerce(entry.at, Text), entry.body, entry.previous_sha256, entry.sha256
    ).where(entry.aircraft_id == aircraft_id(connection, aircraft))
    wanted = columns if after is None else columns.where(entry.sequence > after)
    return tuple(
        LogEntry(aircraft, sequence, _time(aircraft, sequence, at), *rest)
        for sequence, at, *rest in connection.execute(wanted.order_by(entry.sequence).limit(limit))
    )


def _time(aircraft: str, sequence: int, text: str) -> datetime:
    """Return an entry's time. Raise LogbookBroken where there is none: ours never put anything else there."""
    try:
        return datetime.fromisoformat(text)
    except ValueError as error:
        message = f"Logbook of {aircraft}: entry {sequence} was edited: the time beside its body is {text[:40]!r}"
        raise LogbookBroken(message) from error


def lock(connection: Connection, aircraft: int) -> str:
    """Take an aircraft's row, so that whoever else wants to add to its logbook waits; return the aircraft's name.

    Who only refers to the aircraft, such as with a new unit, does not wait.

    Where a step reads before it adds, it takes the lock before it reads. On SQLite this does nothing: the transaction
    itself holds the only lock there is.
    """
    row = select(t.aircraft.c.name).where(t.aircraft.c.id == aircraft).with_for_update(key_share=True)
    return str(connection.execute(row).scalar_one())


def append(
    connection: Connection,
    aircraft: int,
    kind: LogKind,
    *,
    at: datetime,
    worker: Worker,
    facts: Mapping[str, object],
) -> LogEntry:
    """Add one entry to a logbook, inside the transaction of what it tells of, and return it.

    The aircraft's row is locked first, so that the chain neither forks nor leaves one out.
    """
    name = lock(connection, aircraft)
    entry = t.logbook.c
    newest = select(entry.sequence, entry.sha256).where(entry.aircraft_id == aircraft)
    last = connection.execute(newest.order_by(entry.sequence.desc()).limit(1)).one_or_none()
    sequence, previous = (last.sequence + 1, last.sha256) if last else (1, logchain.GENESIS)
    body = logchain.canonical_json(
        {
            "aircraft": name,
            "kind": kind.value,
            "at": format_utc(at),
            "operator": worker.operator,
            "station": worker.station,
            "tool_version": __version__,
            **facts,
        }
    )
    sha256 = logchain.entry_digest(previous, sequence, body)
    row = {
        "aircraft_id": aircraft,
        "sequence": sequence,
        "at": at,
        "body": body,
        "previous_sha256": previous,
        "sha256": sha256,
    }
    connection.execute(insert(t.logbook).values(row))
    return LogEntry(name, sequence, at, body, previous, sha256)
