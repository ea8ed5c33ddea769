"""Logbooks: one per aircraft, only ever added to, each entry chained to the one before by its digest."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from enum import StrEnum

from sqlalchemy import Connection, insert, select

from mediaprep import __version__, logchain
from mediaprep.model import LogEntry
from mediaprep.quantities import format_utc
from mediaprep.records import tables as t
from mediaprep.records.database import Subject, Worker
from mediaprep.records.panel import aircraft_id


class LogKind(StrEnum):
    """What an entry of a logbook says has happened."""

    CARD_WRITTEN = "card-written"
    VERIFIED = "verified"
    INSTALLED = "installed"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    SUPERSEDED = "superseded"


class LogbookRecords(Subject):
    """The logbooks of the aircraft."""

    def log(self, aircraft: str, after: int = 0, limit: int | None = None) -> tuple[LogEntry, ...]:
        """Return the entries of a logbook past sequence number `after`, oldest first. Raise NotFound."""
        with self._database.reading() as connection:
            key = aircraft_id(connection, aircraft)
            entry = t.logbook.c
            wanted = select(t.logbook).where(entry.aircraft_id == key, entry.sequence > after).order_by(entry.sequence)
            return tuple(
                LogEntry(aircraft, row.sequence, row.at, row.body, row.previous_sha256, row.sha256)
                for row in connection.execute(wanted.limit(limit))
            )

    def verify_log(self, aircraft: str, head: str | None = None) -> tuple[LogEntry, ...]:
        """Return all entries of a logbook after checking its whole chain.

        `head` is the digest of the last entry as it was noted elsewhere: without it, entries cut off the end cannot
        be missed. Raise NotFound, or LogbookBroken naming the entry.
        """
        entries = self.log(aircraft)
        logchain.verify(entries, head)
        return entries


def lock(connection: Connection, aircraft: int) -> str:
    """Take an aircraft's row, so that whoever else wants to add to its logbook waits; return the aircraft's name.

    Where a step reads before it adds, it takes the lock before it reads. On SQLite this does nothing: the transaction
    itself holds the only lock there is.
    """
    row = select(t.aircraft.c.name).where(t.aircraft.c.id == aircraft).with_for_update()
    return str(connection.execute(row).scalar_one())


def append(
    connection: Connection,
    aircraft: int,
    kind: LogKind,
    *,
    at: datetime,
    worker: Worker,
    facts: Mapping[str, object],
) -> None:
    """Add one entry to a logbook, inside the transaction of what it tells of.

    The aircraft's row is locked first, so that the chain neither forks nor leaves one out.
    """
    name = connection.execute(
        select(t.aircraft.c.name).where(t.aircraft.c.id == aircraft).with_for_update()
    ).scalar_one()
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
    row = {
        "aircraft_id": aircraft,
        "sequence": sequence,
        "at": at,
        "body": body,
        "previous_sha256": previous,
        "sha256": logchain.entry_digest(previous, sequence, body),
    }
    connection.execute(insert(t.logbook).values(row))
