"""What calendars need remembered: which change of an event was the last, and to whom a feed's address was given."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from collections.abc import Mapping
from datetime import datetime
from typing import Any
from uuid import UUID, uuid4

from sqlalchemy import Connection, Row, insert, select, update

from mediaprep.calendar import Revision
from mediaprep.errors import NotFound
from mediaprep.records import tables as t
from mediaprep.records.database import Subject, upsert
from mediaprep.records.logbook import lock
from mediaprep.records.panel import aircraft_id

_TOKEN_BYTES = 32


class CalendarRecords(Subject):
    """The calendars of the aircraft."""

    def calendar_root(self, aircraft: str) -> UUID:
        """Return the UUID under which an aircraft's events have theirs, made when first asked for. Raise NotFound."""
        with self._database.reading() as connection:
            found = _feed(connection, aircraft_id(connection, aircraft))
        if found is None:
            with self._database.writing() as connection:
                found = _feed_or_new(connection, aircraft_id(connection, aircraft))
        return UUID(found.root)

    def revise_calendar(self, aircraft: str, contents: Mapping[str, str], *, at: datetime) -> dict[str, Revision]:
        """Return by UID the last change of each event, given the digest of what it tells now.

        A new event has change 0; one whose digest is another than before gets the next number, and `at` for its time
        or the time of the change before where a clock was set back. One that was gone for a while goes on counting.
        Nothing is written where nothing has changed. Raise NotFound.
        """
        with self._database.reading() as connection:
            known = _revisions(connection, aircraft_id(connection, aircraft))
        if any(_changed(known, uid, digest) for uid, digest in contents.items()):
            with self._database.writing() as connection:
                key = aircraft_id(connection, aircraft)
                lock(connection, key)
                known = _revisions(connection, key)  # again: another station may have been quicker
                rows = [
                    {"aircraft_id": key, "uid": uid, "content_sha256": digest, **_next(known.get(uid), at)}
                    for uid, digest in contents.items()
                    if _changed(known, uid, digest)
                ]
                upsert(connection, t.calendar_events, rows)
                known = _revisions(connection, key)
        return {uid: known[uid][1] for uid in contents}

    def calendar_given_out_at(self, aircraft: str) -> datetime | None:
        """Return when an aircraft's feed was last given an address, None where it has none. Raise NotFound."""
        with self._database.reading() as connection:
            found = _feed(connection, aircraft_id(connection, aircraft))
            return found.given_out_at if found is not None else None

    def renew_calendar_token(self, aircraft: str, *, at: datetime) -> str:
        """Return a new token for an aircraft's feed. The one before, if any, opens nothing from now on.

        Only its digest is kept, so it can be told this once and never again. Raise NotFound.
        """
        token = secrets.token_urlsafe(_TOKEN_BYTES)
        with self._database.writing() as connection:
            key = aircraft_id(connection, aircraft)
            _feed_or_new(connection, key)
            row = {"token_sha256": _digest(token), "given_out_at": at}
            connection.execute(update(t.calendar_feeds).where(t.calendar_feeds.c.aircraft_id == key).values(row))
        return token

    def aircraft_of_calendar(self, token: str) -> str:
        """Return the aircraft whose feed a token opens. Raise NotFound, which does not name the token.

        Each digest is compared, in a time that tells nothing of how much of one was right.
        """
        wanted = _digest(token)
        feeds = select(t.aircraft.c.name, t.calendar_feeds.c.token_sha256).join_from(t.calendar_feeds, t.aircraft)
        with self._database.reading() as connection:
            rows = connection.execute(feeds.where(t.calendar_feeds.c.token_sha256.is_not(None))).all()
        found = [name for name, digest in rows if hmac.compare_digest(digest, wanted)]
        if not found:
            message = "There is no calendar at this address"
            raise NotFound(message, remedy="Have a new address made: mediaprep calendar renew.")
        return str(found[0])


def _feed(connection: Connection, key: int) -> Row[Any] | None:
    return connection.execute(select(t.calendar_feeds).where(t.calendar_feeds.c.aircraft_id == key)).one_or_none()


def _feed_or_new(connection: Connection, key: int) -> Row[Any]:
    lock(connection, key)
    found = _feed(connection, key)
    if found is None:
        connection.execute(insert(t.calendar_feeds).values(aircraft_id=key, root=str(uuid4())))
    return connection.execute(select(t.calendar_feeds).where(t.calendar_feeds.c.aircraft_id == key)).one()


def _revisions(connection: Connection, key: int) -> dict[str, tuple[str, Revision]]:
    rows = connection.execute(select(t.calendar_events).where(t.calendar_events.c.aircraft_id == key))
    return {row.uid: (row.content_sha256, Revision(row.sequence, row.changed_at)) for row in rows}


def _changed(known: Mapping[str, tuple[str, Revision]], uid: str, digest: str) -> bool:
    return uid not in known or known[uid][0] != digest


def _next(before: tuple[str, Revision] | None, at: datetime) -> dict[str, object]:
    if before is None:
        return {"sequence": 0, "changed_at": at}
    _, last = before
    return {"sequence": last.sequence + 1, "changed_at": max(at, last.changed_at)}


def _digest(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()
