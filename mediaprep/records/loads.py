"""Loads: what was carried to which unit, and what became of it. Each step is an event and a line in the logbook."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime

from sqlalchemy import Connection, insert, select, update

from mediaprep.errors import BundleFactsInvalid, CardNotReady, LoadStateInvalid, NotFound, Usage
from mediaprep.fitness import fitness_of
from mediaprep.model import (
    Bundle,
    Fitness,
    JobKind,
    Load,
    LoadEvent,
    LoadState,
    Receipt,
    Unit,
    Validity,
    Verdict,
)
from mediaprep.quantities import format_utc
from mediaprep.records import tables as t
from mediaprep.records.bundles import bundle_ids, read_bundles
from mediaprep.records.cards import card_id
from mediaprep.records.database import Worker, retried
from mediaprep.records.jobs import jobs_of
from mediaprep.records.load_rows import LOADS, LoadReading, read_loads, settle_what_matters
from mediaprep.records.logbook import LogKind, append, lock
from mediaprep.records.panel import aircraft_id, unit_id
from mediaprep.records.receipts import receipts_of

_OPEN = {LoadState.PREPARED, LoadState.INSTALLED}


@dataclass(frozen=True)
class Step:
    """One step of a load: what it becomes, when, by whom, and what the owner said about it.

    `shown_until` holds, by data kind, the date until which the unit said it is good; `aircraft_hours` is the reading
    of the aircraft's hour meter, in decimal hours, as text.
    """

    state: LoadState
    at: datetime
    worker: Worker
    reason: str = ""
    shown_until: Mapping[str, date] = field(default_factory=dict)
    aircraft_hours: str | None = None

    def said(self, kind: str) -> dict[str, object]:
        """Return what of this goes into the logbook for a load of a kind, beside its reason."""
        facts: dict[str, object] = {}
        if kind in self.shown_until:
            facts["shown_until"] = self.shown_until[kind].isoformat()
        if self.aircraft_hours is not None:
            facts["aircraft_hours"] = self.aircraft_hours
        return facts


class LoadRecords(LoadReading):
    """Loads, from the bench into a unit."""

    def load(self, number: int) -> Load:
        """Return one load. Raise NotFound."""
        with self._database.reading() as connection:
            return read_load(connection, number)

    def loads(self, aircraft: str, unit: str | None = None) -> tuple[Load, ...]:
        """Return the loads of an aircraft or of one unit, oldest first, with their whole history. Raise NotFound."""
        with self._database.reading() as connection:
            if unit is None:
                of_unit = t.units.c.aircraft_id == aircraft_id(connection, aircraft)
            else:
                of_unit = t.loads.c.unit_id == unit_id(connection, aircraft, unit)
            return read_loads(connection, LOADS.where(of_unit))

    @retried
    def install(self, card: str, unit: Unit, slot: str | None, *, at: datetime, reason: str = "") -> tuple[Load, ...]:
        """Say that a card was put into a unit: one load for each bundle on it that the unit takes, by bundle name.

        Saying it again while it is there, before the unit has accepted or rejected it, changes nothing. Raise
        CardNotReady unless the card is verified, NotFound for the card or a slot that the unit does not have,
        BundleFactsInvalid where a bundle was bought for other units, LoadStateInvalid where the unit takes none of
        them.
        """
        if slot is not None and slot not in unit.slots:
            message = f"Unit {unit.label} has no slot {slot}"
            raise NotFound(message, remedy=f"Its slots: {', '.join(unit.slots) or 'none entered'}.")
        step = Step(LoadState.INSTALLED, at, self._worker, reason)
        with self._database.writing() as connection:
            lock(connection, aircraft_id(connection, unit.aircraft))
            receipt = _receipt_to_carry(connection, card)
            bundles = _proven_bundles(connection, receipt)
            _refuse_unfit_bundles(card, unit, bundles)
            return tuple(
                _install(connection, unit, bundle, receipt, slot=slot, step=step)
                for bundle in bundles
                if _takes(unit, bundle)
            )

    @retried
    def accept(
        self,
        loads: Sequence[Load],
        *,
        at: datetime,
        reason: str = "",
        shown_until: Mapping[str, date] | None = None,
        aircraft_hours: str | None = None,
    ) -> tuple[Load, ...]:
        """Say that the unit accepted loads that were put in. Raise NotFound, or LoadStateInvalid unless installed.

        `shown_until` is, by data kind, the date until which the unit itself said it is good; `aircraft_hours` the
        reading of its hour meter in decimal hours. Both go into the logbook.

        Older loads of the same kind that were still on their way into the unit are superseded. Older ones that it
        accepted stay as they are: which of them is in force is a matter of dates.
        """
        step = Step(LoadState.ACCEPTED, at, self._worker, reason, shown_until or {}, aircraft_hours)
        with self._database.writing() as connection:
            return tuple(_accept(connection, load.number, step) for load in loads)

    @retried
    def reject(self, loads: Sequence[Load], *, at: datetime, reason: str) -> tuple[Load, ...]:
        """Say that the unit refused loads that were put in, and what it showed.

        Raise Usage without a reason, NotFound, or LoadStateInvalid unless installed.
        """
        if not reason.strip():
            message = f"No reason is given for rejecting load {', '.join(str(load.number) for load in loads)}"
            raise Usage(message, remedy="Say what the unit showed, word for word.")
        step = Step(LoadState.REJECTED, at, self._worker, reason)
        with self._database.writing() as connection:
            return tuple(_move(connection, load.number, step) for load in loads)


# --- for the other subjects, inside their transactions ---------------------------------------------------------------


def prepare_loads(
    connection: Connection, kind: JobKind, receipt: Receipt, unit: Unit, worker: Worker
) -> tuple[Load, ...]:
    """Write into a unit's logbook what was proven, and prepare a load of each bundle that it takes.

    Nothing is prepared while the proof is not whole. Earlier loads that were prepared for the unit on the same card,
    of these kinds, are superseded: what they promised is told by the new ones. A verify of a card that was carried to
    the unit already says nothing new about that, and prepares none.
    """
    owner = aircraft_id(connection, unit.aircraft)
    lock(connection, owner)
    proven = _proven_bundles(connection, receipt)
    fitting = [bundle for bundle in proven if _takes(unit, bundle) and _meant(unit, bundle)]
    earlier = LOADS.where(
        t.loads.c.unit_id == unit_id(connection, unit.aircraft, unit.name),
        t.cards.c.name == receipt.card,
        t.bundles.c.kind.in_({bundle.kind.name for bundle in fitting}),
    )
    known = read_loads(connection, earlier)
    outdated = [load for load in known if load.state is LoadState.PREPARED]
    carried = {load.bundle for load in known if load.state in {LoadState.INSTALLED, LoadState.ACCEPTED}}
    if receipt.readback.verdict is not Verdict.VERIFIED:
        fitting = []
    elif kind is JobKind.VERIFY:
        fitting = [bundle for bundle in fitting if bundle.name not in carried]

    facts = {
        "unit": unit.name,
        "card": receipt.card,
        "receipt": receipt.number,
        "verdict": receipt.readback.verdict.value,
        "simulated": receipt.simulated,
        "bundles": [_bundle_facts(bundle) for bundle in proven],
    }
    log_kind = LogKind.CARD_WRITTEN if kind is JobKind.WRITE else LogKind.VERIFIED
    append(connection, owner, log_kind, at=receipt.issued_at, worker=worker, facts=facts)
    why = f"receipt {receipt.number} of the same card takes its place"
    step = Step(LoadState.SUPERSEDED, receipt.issued_at, worker, why)
    for load in outdated:
        _move(connection, load.number, step)
    return tuple(_new_load(connection, unit, bundle, receipt, receipt.issued_at) for bundle in fitting)


# --- the rules -------------------------------------------------------------------------------------------------------


def _receipt_to_carry(connection: Connection, card: str) -> Receipt:
    key = card_id(connection, card)
    receipts = receipts_of(connection, key)
    fitness = fitness_of(jobs_of(connection, key), receipts)
    if fitness is not Fitness.VERIFIED:
        message = f"Card {card} may not be carried to a unit: {fitness.value}"
        raise CardNotReady(message)
    return receipts[-1]


def _refuse_unfit_bundles(card: str, unit: Unit, bundles: Sequence[Bundle]) -> None:
    taken = [bundle for bundle in bundles if _takes(unit, bundle)]
    if not taken:
        held = ", ".join(f"{bundle.name} ({bundle.kind.name})" for bundle in bundles)
        message = f"Card {card} holds nothing that unit {unit.label} takes, but {held}"
        raise LoadStateInvalid(
            message, remedy="Take the card to the unit it was written for, or correct the unit's kinds."
        )
    for bundle in taken:
        if not _meant(unit, bundle):
            meant = ", ".join("/".join(label) for label in bundle.units)
            message = f"Bundle {bundle.name} on card {card} is for {meant}, not for {unit.label}"
            raise BundleFactsInvalid(message, remedy="Take the card to the unit it was bought for.")


def _takes(unit: Unit, bundle: Bundle) -> bool:
    return bundle.kind.name in unit.kinds


def _meant(unit: Unit, bundle: Bundle) -> bool:
    return not bundle.units or (unit.aircraft, unit.name) in bundle.units


def _install(
    connection: Connection, unit: Unit, bundle: Bundle, receipt: Receipt, *, slot: str | None, step: Step
) -> Load:
    """Take the prepared load of a bundle, or a new one where it was carried there before, into the unit."""
    same = LOADS.where(
        t.loads.c.unit_id == unit_id(connection, unit.aircraft, unit.name),
        t.loads.c.receipt == receipt.number,
        t.bundles.c.name == bundle.name,
    )
    latest = next(reversed(read_loads(connection, same)), None)
    if latest is not None and latest.state is LoadState.INSTALLED and slot in {None, latest.slot}:
        return latest
    if latest is None or latest.state is not LoadState.PREPARED:
        latest = _new_load(connection, unit, bundle, receipt, step.at)
    connection.execute(update(t.loads).where(t.loads.c.number == latest.number).values(slot=slot))
    return _move(connection, latest.number, step)


def _accept(connection: Connection, number: int, accepting: Step) -> Load:
    accepted = _move(connection, number, accepting)
    key = unit_id(connection, accepted.aircraft, accepted.unit)
    older = LOADS.where(t.loads.c.unit_id == key, t.loads.c.number < number, t.bundles.c.kind == accepted.kind)
    step = Step(LoadState.SUPERSEDED, accepting.at, accepting.worker, f"load {number} was accepted")
    for load in read_loads(connection, older):
        if load.state in _OPEN:
            _move(connection, load.number, step)
    return accepted


def _move(connection: Connection, number: int, step: Step) -> Load:
    """Take a load one step on, with an event and a line in the logbook. Raise NotFound or LoadStateInvalid."""
    owner = _aircraft_of(connection, number)
    lock(connection, owner)
    load = read_load(connection, number)
    if load.state not in _BEFORE[step.state]:
        where = f"Load {number} of unit {load.aircraft}/{load.unit}"
        message = f"{where} is {load.state.value}: it cannot become {step.state.value}"
        raise LoadStateInvalid(message)
    add_event(connection, number, len(load.events), LoadEvent(step.state, step.at, step.reason))
    facts = {
        "unit": load.unit,
        "slot": load.slot,
        "card": load.card,
        "load": number,
        "receipt": load.receipt,
        "reason": step.reason,
        "simulated": load.simulated,
        **step.said(load.kind),
        **set_facts(load.bundle, load.kind, load.validity),
    }
    append(connection, owner, LogKind(step.state.value), at=step.at, worker=step.worker, facts=facts)
    return read_load(connection, number)


_BEFORE = {
    LoadState.INSTALLED: {LoadState.PREPARED},
    LoadState.ACCEPTED: {LoadState.INSTALLED},
    LoadState.REJECTED: {LoadState.INSTALLED},
    LoadState.SUPERSEDED: _OPEN,
}


# --- rows into values and back ---------------------------------------------------------------------------------------


def _aircraft_of(connection: Connection, number: int) -> int:
    wanted = select(t.units.c.aircraft_id).join_from(t.loads, t.units).where(t.loads.c.number == number)
    key = connection.execute(wanted).scalar()
    if key is None:
        raise _no_load(number)
    return int(key)


def read_load(connection: Connection, number: int) -> Load:
    """Return one load. Raise NotFound."""
    found = read_loads(connection, LOADS.where(t.loads.c.number == number))
    if not found:
        raise _no_load(number)
    return found[0]


def _no_load(number: int) -> NotFound:
    message = f"There is no load {number}"
    return NotFound(message, remedy="See 'mediaprep status' for the loads of each unit.")


def _new_load(connection: Connection, unit: Unit, bundle: Bundle, receipt: Receipt, at: datetime) -> Load:
    row = {
        "unit_id": unit_id(connection, unit.aircraft, unit.name),
        "card_id": card_id(connection, receipt.card),
        "bundle_id": bundle_ids(connection, [bundle.name])[bundle.name],
        "receipt": receipt.number,
        "simulated": receipt.simulated,
    }
    number = connection.execute(insert(t.loads).values(row).returning(t.loads.c.number)).scalar_one()
    add_event(connection, number, 0, LoadEvent(LoadState.PREPARED, at))
    return read_load(connection, number)


def add_event(connection: Connection, number: int, position: int, event: LoadEvent) -> None:
    """Add one step to a load's history, at a position counted from 0."""
    row = {
        "load": number,
        "position": position,
        "state": event.state.value,
        "at": event.at,
        "reason": event.reason,
    }
    connection.execute(insert(t.load_events).values(row))
    if event.state not in _OPEN:
        settle_what_matters(connection, number)


def _proven_bundles(connection: Connection, receipt: Receipt) -> tuple[Bundle, ...]:
    keys = bundle_ids(connection, [bundle.name for bundle in receipt.bundles])
    return read_bundles(
        connection, select(t.bundles).where(t.bundles.c.id.in_(keys.values())).order_by(t.bundles.c.name)
    )


def _bundle_facts(bundle: Bundle) -> dict[str, object]:
    return set_facts(bundle.name, bundle.kind.name, bundle.validity) | {"manifest_sha256": bundle.manifest_sha256}


def set_facts(bundle: str, kind: str, validity: Validity) -> dict[str, object]:
    """Return what a logbook says of one bundle."""
    return {
        "bundle": bundle,
        "data_kind": kind,
        "cycle": validity.cycle,
        "effective_at": format_utc(validity.effective_at) if validity.effective_at else None,
        "lapses_at": format_utc(validity.lapses_at) if validity.lapses_at else None,
    }
