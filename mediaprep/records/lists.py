"""What an owner enters from lists kept elsewhere: each list is one transaction, whole or not at all."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, insert, select

from mediaprep.lists import Known, ListedCard, PastLoad
from mediaprep.model import Aircraft, Bundle, Load, LoadEvent, LoadState, Manifest, Unit
from mediaprep.quantities import format_utc
from mediaprep.records import tables as t
from mediaprep.records.bundles import bundle_ids, insert_bundle, read_bundles
from mediaprep.records.cards import UNSEEN, card_id
from mediaprep.records.database import Subject
from mediaprep.records.loads import add_event, read_load, set_facts
from mediaprep.records.logbook import LogKind, append
from mediaprep.records.panel import (
    aircraft_id,
    insert_aircraft,
    insert_unit,
    read_kinds,
    read_rules,
    read_units,
    unit_id,
)

PAST_SOURCE = "(entered from a list of past loads: its files were never here)"
PAST_FORM = "past load"


class ListRecords(Subject):
    """Units, cards and past loads from lists."""

    def known_to_lists(self) -> Known:
        """Return what rows of a list may refer to."""
        with self._database.reading() as connection:
            bundles = read_bundles(connection, select(t.bundles).order_by(t.bundles.c.name))
            return Known(
                units={(unit.aircraft, unit.name): unit for unit in read_units(connection)},
                kinds=read_kinds(connection),
                rules=read_rules(connection),
                cards=frozenset(connection.execute(select(t.cards.c.name)).scalars()),
                bundles={bundle.name: (bundle.kind.name, bundle.validity) for bundle in bundles},
            )

    def import_units(self, units: Sequence[Unit]) -> None:
        """Take units into the records, and the aircraft that they name and that are not there yet.

        Raise NotFound for a rule or a kind, RecordExists where an aircraft has a unit of that name.
        """
        with self._database.writing() as connection:
            there = set(connection.execute(select(t.aircraft.c.name)).scalars())
            for name in dict.fromkeys(unit.aircraft for unit in units):
                if name not in there:
                    insert_aircraft(connection, Aircraft(name))
            for unit in units:
                insert_unit(connection, unit)

    def import_cards(self, cards: Sequence[ListedCard], *, at: datetime) -> None:
        """Take cards into the records that no reader has seen yet. `at` stands for a first sight that is not known.

        The first card that is written under such a name is then the one it stands for.
        """
        rows = [
            {
                "name": card.name,
                "identity": UNSEEN + card.name,
                "simulated": False,
                "capacity_bytes": card.capacity_bytes,
                "first_seen_at": card.first_seen_at or at,
            }
            for card in cards
        ]
        with self._database.writing() as connection:
            if rows:
                connection.execute(insert(t.cards), rows)

    def import_loads(self, loads: Sequence[PastLoad], *, at: datetime) -> tuple[Load, ...]:
        """Take past loads into the records as accepted, each with an entry in its aircraft's logbook that says so.

        A bundle of no files stands for a set that is not known. Raise NotFound for a unit, a card or a kind.
        """
        with self._database.writing() as connection:
            return tuple(self._import_load(connection, load, at) for load in loads)

    def _import_load(self, connection: Connection, past: PastLoad, at: datetime) -> Load:
        row = {
            "unit_id": unit_id(connection, past.aircraft, past.unit),
            "card_id": card_id(connection, past.card),
            "bundle_id": _past_bundle(connection, past, at),
            "receipt": None,
            "slot": past.slot,
            "simulated": False,
        }
        number = connection.execute(insert(t.loads).values(row).returning(t.loads.c.number)).scalar_one()
        add_event(connection, number, 0, LoadEvent(LoadState.ACCEPTED, past.accepted_at, past.note))
        facts = {
            "unit": past.unit,
            "slot": past.slot,
            "card": past.card,
            "load": number,
            "receipt": None,
            "reason": past.note,
            "simulated": False,
            "accepted_at": format_utc(past.accepted_at),
            **({"shown_until": past.shown_until.isoformat()} if past.shown_until else {}),
            **({"aircraft_hours": past.aircraft_hours} if past.aircraft_hours else {}),
            **set_facts(past.bundle, past.kind, past.validity),
        }
        owner = aircraft_id(connection, past.aircraft)
        append(connection, owner, LogKind.IMPORTED, at=at, worker=self._worker, facts=facts)
        return read_load(connection, number)


def _past_bundle(connection: Connection, past: PastLoad, at: datetime) -> int:
    """Return the key of the bundle a past load names, made where it is not there."""
    if connection.execute(select(t.bundles.c.id).where(t.bundles.c.name == past.bundle)).scalar() is not None:
        return bundle_ids(connection, [past.bundle])[past.bundle]
    empty = Bundle(
        name=past.bundle,
        kind=read_kinds(connection)[past.kind],
        validity=past.validity,
        source=PAST_SOURCE,
        source_form=PAST_FORM,
        manifest_sha256=hashlib.sha256(b"").hexdigest(),
        file_count=0,
        total_bytes=0,
        taken_in_at=at,
    )
    return insert_bundle(connection, empty, Manifest(()))
