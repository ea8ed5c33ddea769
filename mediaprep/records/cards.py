"""Cards, and what mediaprep put on them."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, bindparam, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from mediaprep.errors import NotFound, RecordExists
from mediaprep.model import Card, ProvenBundle, RecordedFile
from mediaprep.records import tables as t
from mediaprep.records.bundles import bundle_ids
from mediaprep.records.database import Subject, retried, upsert, violates_unique
from mediaprep.records.logbook import LogKind, append
from mediaprep.records.panel import checked_name

_NUMBERED = re.compile(r"C-(\d+)")

UNSEEN = "unseen:"
"""How the identity of a card begins that was entered from a list and was in no reader yet."""


class CardRecords(Subject):
    """Cards, and what mediaprep put on them."""

    def recognise(self, identity: str) -> Card | None:
        """Return the card in service that has this identity, or None."""
        wanted = select(t.cards).where(t.cards.c.identity == identity, t.cards.c.retired_at.is_(None))
        with self._database.reading() as connection:
            row = connection.execute(wanted).one_or_none()
        return None if row is None else _card(row)

    def register_card(
        self, name: str | None, *, identity: str, simulated: bool, capacity_bytes: int | None, at: datetime
    ) -> Card:
        """Take a new card into the records, under the next free name where none is given.

        The name of a card that was entered from a list, and was in no reader yet, is free for the card it stands for.

        Raise Usage for a name that cannot be used, RecordExists where the name is taken, even by a retired card, or a
        card in service has this identity.
        """
        if name is not None:
            checked_name("card", name)
        try:
            with self._database.writing() as connection:
                card = Card(name or _next_name(connection), identity, simulated, capacity_bytes, at)
                row = {
                    "name": card.name,
                    "identity": identity,
                    "simulated": simulated,
                    "capacity_bytes": capacity_bytes,
                    "first_seen_at": at,
                }
                listed = (t.cards.c.name == card.name) & t.cards.c.identity.startswith(UNSEEN)
                listed &= t.cards.c.retired_at.is_(None)
                if not connection.execute(update(t.cards).where(listed).values(row)).rowcount:
                    connection.execute(insert(t.cards).values(row))
        except IntegrityError as error:
            if not violates_unique(error):
                raise
            known = self.recognise(identity)
            message = f"This card is in the records as {known.name}" if known else f"There is a card {name} already"
            raise RecordExists(message) from error
        return card

    def next_card_name(self) -> str:
        """Return the name the next card would get: C-001, C-002 and so on, past all names ever used."""
        with self._database.reading() as connection:
            return _next_name(connection)

    def rename_card(self, name: str, new_name: str) -> Card:
        """Give a card another name. Raise Usage, NotFound or RecordExists."""
        checked_name("card", new_name)
        try:
            with self._database.writing() as connection:
                key = card_id(connection, name)
                connection.execute(update(t.cards).where(t.cards.c.id == key).values(name=new_name))
        except IntegrityError as error:
            message = f"There is a card {new_name} already"
            raise RecordExists(message) from error
        return self.card(new_name)

    @retried
    def retire_card(self, name: str, *, at: datetime, reason: str = "") -> Card:
        """Take a card out of service for good; its name stays taken. The first retirement counts. Raise NotFound.

        The logbook of each aircraft that it was prepared for or carried to says so.
        """
        with self._database.writing() as connection:
            key = card_id(connection, name)
            in_service = (t.cards.c.id == key) & t.cards.c.retired_at.is_(None)
            if connection.execute(update(t.cards).where(in_service).values(retired_at=at)).rowcount:
                served = select(t.units.c.aircraft_id).join_from(t.loads, t.units).where(t.loads.c.card_id == key)
                # In one order everywhere, so that two stations never wait for each other's logbooks.
                for aircraft in connection.execute(served.distinct().order_by(t.units.c.aircraft_id)).scalars().all():
                    facts = {"card": name, "reason": reason}
                    append(connection, aircraft, LogKind.RETIRED, at=at, worker=self._worker, facts=facts)
        return self.card(name)

    def cards(self) -> tuple[Card, ...]:
        """Return all cards by name, the retired ones too."""
        with self._database.reading() as connection:
            return tuple(_card(row) for row in connection.execute(select(t.cards).order_by(t.cards.c.name)))

    def card(self, name: str) -> Card:
        """Return one card. Raise NotFound."""
        with self._database.reading() as connection:
            key = card_id(connection, name)
            return _card(connection.execute(select(t.cards).where(t.cards.c.id == key)).one())

    def card_bundles(self, card: str) -> tuple[str, ...]:
        """Return the names of the bundles that have files on a card, whole or not. Raise NotFound."""
        with self._database.reading() as connection:
            key = card_id(connection, card)
            on_card = select(t.card_files.c.bundle_id).where(t.card_files.c.card_id == key)
            wanted = select(t.bundles.c.name).where(t.bundles.c.id.in_(on_card)).order_by(t.bundles.c.name)
            return tuple(connection.execute(wanted).scalars())

    def recorded_files(self, card: str) -> tuple[RecordedFile, ...]:
        """Return what the bundles written to a card have there, finished or not, in path order. Raise NotFound."""
        with self._database.reading() as connection:
            key = card_id(connection, card)
            files, bundles = t.card_files.c, t.bundles.c
            columns = select(
                files.path, files.size_bytes, files.sha256, bundles.name, files.kind, files.flushed, files.ours
            )
            rows = connection.execute(columns.join_from(t.card_files, t.bundles).where(files.card_id == key))
            return tuple(sorted((RecordedFile(*row) for row in rows), key=lambda file: file.path))

    def written_insertion(self, card: str) -> str | None:
        """Return the insertion in which the card was last written, None if never or not known. Raise NotFound."""
        with self._database.reading() as connection:
            key = card_id(connection, card)
            wanted = select(t.cards.c.written_insertion).where(t.cards.c.id == key)
            insertion: str | None = connection.execute(wanted).scalar_one()
            return insertion


# --- for the other subjects, inside their transactions ---------------------------------------------------------------


def card_id(connection: Connection, name: str) -> int:
    """Return a card's key. Raise NotFound."""
    key = connection.execute(select(t.cards.c.id).where(t.cards.c.name == name)).scalar()
    if key is None:
        message = f"There is no card {name}"
        raise NotFound(message, remedy="See 'mediaprep cards' for those there are.")
    return int(key)


def write_files(connection: Connection, card: int, files: Sequence[RecordedFile], *, flushed: bool) -> None:
    """Say which files bundles have on a card, in place of what was known for their kind under these paths."""
    keys = bundle_ids(connection, {file.bundle for file in files})
    rows = [
        {
            "card_id": card,
            "path": file.path,
            "kind": file.kind,
            "size_bytes": file.size_bytes,
            "sha256": file.sha256,
            "bundle_id": keys[file.bundle],
            "flushed": flushed,
            "ours": file.ours,
        }
        for file in files
    ]
    upsert(connection, t.card_files, rows)


def forget_files(connection: Connection, card: int, paths: Sequence[str]) -> None:
    """Say that files are no longer on a card, for no bundle."""
    if paths:
        gone = delete(t.card_files).where(t.card_files.c.card_id == card, t.card_files.c.path == bindparam("gone"))
        connection.execute(gone, [{"gone": path} for path in paths])


def forget_replaced(connection: Connection, card: int, proven: Sequence[ProvenBundle]) -> None:
    """Say that the bundles whose place proven ones of their kind have taken have nothing on a card any more.

    What is left of them in the records are files that a bundle of another kind has too, and so were not removed.
    """
    keys = bundle_ids(connection, [bundle.name for bundle in proven])
    for bundle in proven:
        mine = (t.card_files.c.card_id == card) & (t.card_files.c.kind == bundle.kind)
        connection.execute(delete(t.card_files).where(mine, t.card_files.c.bundle_id != keys[bundle.name]))


def _next_name(connection: Connection) -> str:
    numbers = [
        int(match[1])
        for name in connection.execute(select(t.cards.c.name)).scalars()
        if (match := _NUMBERED.fullmatch(name))
    ]
    return f"C-{max(numbers, default=0) + 1:03d}"


def _card(row: Row[Any]) -> Card:
    return Card(row.name, row.identity, row.simulated, row.capacity_bytes, row.first_seen_at, row.retired_at)
