"""What a panel holds at an instant, what lapses when, and which units that should agree do not.

Only accepted loads hold, and a unit holds what was accepted last. A load accepted ahead of its effective instant
leaves the one before it in force until then. One that is in force, or has lapsed, when it is accepted takes the other's
place at once: going back to an older cycle shows as what it is.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

from mediaprep.model import (
    Currency,
    DataKind,
    Doing,
    KindStatus,
    Load,
    LoadEvent,
    LoadState,
    NextStep,
    PanelStatus,
    Trip,
    Unit,
)

NOTHING_LOADED = "nothing loaded"
"""What stands for the cycle of a unit that holds nothing of a kind, where units of a kind are compared."""

_IN_FORCE = {Currency.CURRENT, Currency.LAPSES_SOON, Currency.NO_EXPIRY}


class _Accepted(NamedTuple):
    """A load that is accepted at the instant asked for, since when, and from when on the unit goes by it.

    `order` is greater for later acceptances; the load's number decides between two of the same instant.
    `counts_from` is its acceptance, or its effective instant if later.
    """

    load: Load
    order: tuple[datetime, int]
    counts_from: datetime

    @classmethod
    def of(cls, load: Load, since: datetime) -> _Accepted:
        """Return a load that was accepted at an instant."""
        effective_at = load.validity.effective_at
        return cls(load, (since, load.number), since if effective_at is None else max(since, effective_at))


# --- panels ----------------------------------------------------------------------------------------------------------


def panel_status(
    aircraft: str,
    units: Sequence[Unit],
    kinds: Mapping[str, DataKind],
    loads: Iterable[Load],
    at: datetime,
    *,
    soon_days: int = 7,
) -> PanelStatus:
    """Return how an aircraft's panel stands at an aware instant, past or to come: unit by unit, kind by kind.

    `kinds` are the data kinds to look at, by name: a unit's other kinds are left out. `loads` is the whole history, or
    what of it matters at `at` (see `matter_until`); what happened to a load after `at` does not count. A kind lapses
    soon when that is `soon_days` days away or less. Units and loads of other aircraft are passed over. The time taken
    grows with the number of loads, not faster.
    """
    accepted: defaultdict[tuple[str, str], list[_Accepted]] = defaultdict(list)
    on_the_way: defaultdict[tuple[str, str], list[tuple[Load, LoadState]]] = defaultdict(list)
    for load in loads:
        event = _last_event(load, at)
        if event is None or load.aircraft != aircraft:
            continue
        if event.state is LoadState.ACCEPTED:
            accepted[load.unit, load.kind].append(_Accepted.of(load, event.at))
        elif event.state in {LoadState.PREPARED, LoadState.INSTALLED}:
            on_the_way[load.unit, load.kind].append((load, event.state))
    soon = timedelta(days=soon_days)
    judged = [
        _judged(_kind_status(unit.name, kind, accepted[unit.name, kind], at, soon), on_the_way[unit.name, kind], at)
        for unit in units
        if unit.aircraft == aircraft
        for kind in unit.kinds
        if kind in kinds
    ]
    statuses = tuple(status for status, _ in judged)
    steps = [step for _, step in judged if step is not None]
    return PanelStatus(aircraft, at, statuses, _split_kinds(statuses), min(steps, key=_urgency, default=None))


def fleet_status(
    units: Iterable[Unit],
    kinds: Mapping[str, DataKind],
    loads: Iterable[Load],
    at: datetime,
    *,
    soon_days: int = 7,
) -> list[PanelStatus]:
    """Return how the panel of each aircraft stands that has units, as `panel_status` does, in the units' order."""
    units_of: defaultdict[str, list[Unit]] = defaultdict(list)
    loads_of: defaultdict[str, list[Load]] = defaultdict(list)
    for unit in units:
        units_of[unit.aircraft].append(unit)
    for load in loads:
        loads_of[load.aircraft].append(load)
    return [
        panel_status(aircraft, own, kinds, loads_of[aircraft], at, soon_days=soon_days)
        for aircraft, own in units_of.items()
    ]


def due(statuses: Iterable[KindStatus], before: datetime) -> list[KindStatus]:
    """Return the kinds that hold nothing, have lapsed, or lapse before an instant; soonest first, nothing loaded ahead.

    A kind of which nobody knows what it holds counts as one that holds nothing. One whose next load follows without a
    gap counts with the instant at which that one lapses.
    """
    wanted = [status for status in statuses if _is_due(status, before)]
    return sorted(wanted, key=lambda status: (status.lapses_at is not None, status.lapses_at or before))


def trip(panel: PanelStatus, end: datetime) -> Trip:
    """Return what happens to a panel, as it stands at an instant, from then until another one, both included.

    What will be loaded on the way is not known and does not count.
    """

    def comes(instant: datetime | None) -> bool:
        return instant is not None and panel.at < instant <= end

    in_force = [status for status in panel.kinds if status.currency in _IN_FORCE]
    return Trip(
        panel.aircraft,
        panel.at,
        end,
        not_in_force=tuple(status for status in panel.kinds if status.currency not in _IN_FORCE),
        lapses=tuple(status for status in in_force if comes(status.lapses_at)),
        changes=tuple(
            status for status in in_force if status.next_load and comes(status.next_load.validity.effective_at)
        ),
    )


def last_day_before(instant: datetime) -> date:
    """Return the last whole day, in UTC, before an instant."""
    return instant.astimezone(UTC).date() - timedelta(days=1)


# --- which loads matter ----------------------------------------------------------------------------------------------


def matter_until(loads: Sequence[Load]) -> dict[int, datetime | None]:
    """Return by number the instant from which on no status depends on a load any more; None while one may.

    `loads` is the history of one kind in one unit. For every instant `at`, the status from the loads that matter
    later than `at` is the status from all of them: so a long history need not be read to tell how a unit stands. A
    load that was rejected or superseded matters until then; an accepted one until another takes its place that was
    accepted after it.
    """
    accepted = sorted(
        (_Accepted.of(load, load.events[-1].at) for load in loads if load.state is LoadState.ACCEPTED),
        key=lambda one: one.order,
        reverse=True,
    )
    ended: dict[int, datetime | None] = {
        load.number: load.events[-1].at if load.state in {LoadState.REJECTED, LoadState.SUPERSEDED} else None
        for load in loads
    }
    taken_over_at: datetime | None = None
    for one in accepted:
        ended[one.load.number] = taken_over_at
        taken_over_at = min(taken_over_at or one.counts_from, one.counts_from)
    return ended


# --- one kind of one unit --------------------------------------------------------------------------------------------


def _is_due(status: KindStatus, before: datetime) -> bool:
    if status.currency in {Currency.NOTHING_LOADED, Currency.LAPSED, Currency.UNKNOWN}:
        return True
    return status.lapses_at is not None and status.lapses_at < before


def _last_event(load: Load, at: datetime) -> LoadEvent | None:
    """Return what had happened to a load last at an instant, None where it did not exist yet."""
    for event in reversed(load.events):
        if event.at <= at:
            return event
    return None


def _kind_status(unit: str, kind: str, accepted: list[_Accepted], at: datetime, soon: timedelta) -> KindStatus:
    held = max((one for one in accepted if one.counts_from <= at), key=lambda one: one.order, default=None)
    ahead = _loads_ahead(accepted, held, at)
    if held is None and not ahead:
        return KindStatus(unit, kind, Currency.NOTHING_LOADED, None, None, None)
    held_and_ahead = ahead if held is None else [held, *ahead]
    first, following = held_and_ahead[0], held_and_ahead[1:]
    lapses_at = _end_of_cover(first, following)
    currency = Currency.NOT_YET if held is None else _currency(lapses_at, at, soon)
    return KindStatus(unit, kind, currency, first.load, following[0].load if following else None, lapses_at)


def _judged(
    status: KindStatus, on_the_way: list[tuple[Load, LoadState]], at: datetime
) -> tuple[KindStatus, NextStep | None]:
    """Return a kind's status with what is on its way into the unit, and what is to be done next for it."""
    waiting, doing = _waiting(status, on_the_way, at)
    if waiting is not None:
        unknown = doing is Doing.ANSWER and status.currency is Currency.NOTHING_LOADED
        currency = Currency.UNKNOWN if unknown else status.currency
        status = KindStatus(
            status.unit, status.kind, currency, status.load, status.next_load, status.lapses_at, waiting
        )
    elif status.currency is Currency.NO_EXPIRY:
        return status, None
    covered = status.lapses_at is not None and status.lapses_at > at
    last_day = last_day_before(status.lapses_at) if status.lapses_at is not None and covered else None
    return status, NextStep(status.unit, status.kind, doing, waiting, last_day)


def _waiting(status: KindStatus, on_the_way: list[tuple[Load, LoadState]], at: datetime) -> tuple[Load | None, Doing]:
    """Return the newest load on its way that would change something, and what it waits for."""
    covered_until = status.lapses_at if status.load is not None else at
    for load, state in sorted(on_the_way, key=lambda one: one[0].number, reverse=True):
        if state is LoadState.INSTALLED:
            return load, Doing.ANSWER
        ends = load.validity.lapses_at
        if covered_until is not None and (ends is None or ends > max(covered_until, at)):
            return load, Doing.CARRY
    return None, Doing.LOAD


def _urgency(step: NextStep) -> tuple[date, bool]:
    """Order steps: late ones first, then by their last day; what only waits for a word before what asks for work."""
    return step.last_day or date.min, step.doing is Doing.LOAD


def _loads_ahead(accepted: list[_Accepted], held: _Accepted | None, at: datetime) -> list[_Accepted]:
    """Return the loads that will take over, in the order in which they do.

    A load that was accepted before the one it would take over from is no longer in the unit; of several that take
    over at one instant, only the one accepted last is.
    """
    waiting = sorted((one for one in accepted if one.counts_from > at), key=lambda one: one.order, reverse=True)
    found: list[_Accepted] = []
    last = held
    for one in sorted(waiting, key=lambda one: one.counts_from):
        if last is None or one.order > last.order:
            found.append(one)
            last = one
    return found


def _end_of_cover(first: _Accepted, following: Iterable[_Accepted]) -> datetime | None:
    end = first.load.validity.lapses_at
    for one in following:
        if end is not None and one.counts_from > end:
            break
        end = one.load.validity.lapses_at
    return end


def _currency(lapses_at: datetime | None, at: datetime, soon: timedelta) -> Currency:
    """Return how a kind stands that holds something in force since before or at `at`."""
    if lapses_at is None:
        return Currency.NO_EXPIRY
    if lapses_at <= at:
        return Currency.LAPSED
    return Currency.LAPSES_SOON if lapses_at - at <= soon else Currency.CURRENT


def _split_kinds(statuses: Iterable[KindStatus]) -> tuple[tuple[str, tuple[tuple[str, str], ...]], ...]:
    held: defaultdict[str, list[tuple[str, str]]] = defaultdict(list)
    for status in statuses:
        held[status.kind].append((status.unit, _cycle_held(status)))
    return tuple((kind, tuple(units)) for kind, units in held.items() if len({cycle for _, cycle in units}) > 1)


def _cycle_held(status: KindStatus) -> str:
    """Return what the owner knows a load's set by: its cycle, or the bundle's name where it has none."""
    if status.load is not None:
        return status.load.validity.cycle or status.load.bundle
    return Currency.UNKNOWN.value if status.currency is Currency.UNKNOWN else NOTHING_LOADED
