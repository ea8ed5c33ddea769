"""Loads as the database has them: their rows and histories, and which of them the status of a panel depends on."""

from __future__ import annotations

from collections import defaultdict
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Select, func, or_, select, update

from mediaprep.model import Load, LoadEvent, LoadState, Validity
from mediaprep.records import tables as t
from mediaprep.records.database import Subject
from mediaprep.records.panel import aircraft_id
from mediaprep.status import matter_until

LOADS = (
    select(
        t.loads,
        t.aircraft.c.name.label("aircraft"),
        t.units.c.name.label("unit"),
        t.units.c.aircraft_id,
        t.cards.c.name.label("card"),
        t.bundles.c.name.label("bundle"),
        t.bundles.c.kind,
        t.bundles.c.cycle,
        t.bundles.c.effective_at,
        t.bundles.c.lapses_at,
    )
    .select_from(
        t.loads.join(t.units, t.loads.c.unit_id == t.units.c.id)
        .join(t.aircraft)
        .join(t.cards, t.loads.c.card_id == t.cards.c.id)
        .join(t.bundles, t.loads.c.bundle_id == t.bundles.c.id)
    )
    .order_by(t.loads.c.number)
)

_STATES = {state.value: state for state in LoadState}


class LoadReading(Subject):
    """What the status of panels is told from."""

    def loads_that_matter(self, aircraft: str, at: datetime) -> tuple[Load, ...]:
        """Return the loads on which the status of an aircraft's panel at an instant depends. Raise NotFound.

        Those are few however long the history is: what units hold, what was loaded ahead, what is on its way. Oldest
        first, with their whole history.
        """
        with self._database.reading() as connection:
            of_aircraft = t.units.c.aircraft_id == aircraft_id(connection, aircraft)
            return read_loads(connection, LOADS.where(of_aircraft, _matters(at)))

    def loads_of_the_fleet(self, at: datetime) -> tuple[Load, ...]:
        """Return the loads on which the status of any aircraft's panel at an instant depends, in no particular order.

        Each comes with only the one step that counts at that instant, as the histories of a whole fleet are long.
        """
        with self._database.reading() as connection:
            return _latest_steps(connection, at)


# --- for the other subjects, inside their transactions ---------------------------------------------------------------


def read_loads(connection: Connection, wanted: Select[Any]) -> tuple[Load, ...]:
    """Return the loads that a query on LOADS finds, in its order, each with its whole history."""
    # The events first: a load that another station adds in between is then left out, and none comes without its events.
    events = _events(connection, wanted)
    return tuple(
        Load(
            number=row.number,
            aircraft=row.aircraft,
            unit=row.unit,
            slot=row.slot,
            card=row.card,
            bundle=row.bundle,
            kind=row.kind,
            validity=Validity(row.cycle, row.effective_at, row.lapses_at),
            receipt=row.receipt,
            simulated=row.simulated,
            events=tuple(events[row.number]),
        )
        for row in connection.execute(wanted)
        if row.number in events
    )


def settle_what_matters(connection: Connection, number: int) -> None:
    """Say anew from when on the loads of one kind in one unit do not matter, after one of them came to an end."""
    own = select(t.loads.c.unit_id, t.bundles.c.kind).join_from(t.loads, t.bundles).where(t.loads.c.number == number)
    unit, kind = connection.execute(own).one()
    history = LOADS.where(t.loads.c.unit_id == unit, t.bundles.c.kind == kind)
    kept = {row.number: row.matters_until for row in connection.execute(history)}
    for each, until in matter_until(read_loads(connection, history)).items():
        if kept[each] != until:
            connection.execute(update(t.loads).where(t.loads.c.number == each).values(matters_until=until))


# --- rows into values ------------------------------------------------------------------------------------------------


def _events(connection: Connection, wanted: Select[Any]) -> dict[int, list[LoadEvent]]:
    """Return by number the histories of the loads that a query finds, in a number of statements that does not grow."""
    numbers = wanted.with_only_columns(t.loads.c.number).order_by(None)
    of_them = select(t.load_events).where(t.load_events.c.load.in_(numbers)).order_by(t.load_events.c.position)
    events: defaultdict[int, list[LoadEvent]] = defaultdict(list)
    for number, _, state, at, reason in connection.execute(of_them):
        events[number].append(LoadEvent(_STATES[state], at, reason))
    return events


def _matters(at: datetime) -> ColumnElement[bool]:
    return or_(t.loads.c.matters_until.is_(None), t.loads.c.matters_until > at)


def _latest_steps(connection: Connection, at: datetime) -> tuple[Load, ...]:
    """Return the loads that matter at an instant, each with its latest step by then, those without one left out.

    What many rows share is read once, and no order is asked for: this is what the time over a whole fleet goes into.
    """
    step, earlier = t.load_events, t.load_events.alias()
    latest = select(func.max(earlier.c.position)).where(earlier.c.load == t.loads.c.number, earlier.c.at <= at)
    wanted = (
        select(
            t.loads.c.number, t.loads.c.unit_id, t.loads.c.slot, t.loads.c.card_id, t.loads.c.bundle_id,
            t.loads.c.receipt, t.loads.c.simulated, step.c.state, step.c.at, step.c.reason,
        )
        .join_from(t.loads, step, (step.c.load == t.loads.c.number) & (step.c.position == latest.scalar_subquery()))
        .where(_matters(at))
    )  # fmt: skip
    rows = connection.execute(wanted).all()
    # After the loads: what another station takes in meanwhile does no harm, what is missing would.
    owned = select(t.units.c.id, t.aircraft.c.name, t.units.c.name).join_from(t.units, t.aircraft)
    units = {key: names for key, *names in connection.execute(owned)}
    cards = {row.id: row.name for row in connection.execute(select(t.cards.c.id, t.cards.c.name))}
    bundles = {
        row.id: (row.name, row.kind, Validity(row.cycle, row.effective_at, row.lapses_at))
        for row in connection.execute(select(t.bundles))
    }
    found = []
    for number, unit_id, slot, card, bundle, receipt, simulated, state, since, reason in rows:
        aircraft, unit = units[unit_id]
        name, kind, validity = bundles[bundle]
        events = (LoadEvent(_STATES[state], since, reason),)
        found.append(Load(number, aircraft, unit, slot, cards[card], name, kind, validity, receipt, simulated, events))
    return tuple(found)
