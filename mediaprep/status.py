"""What a panel holds at an instant, what lapses when, and which units that should agree do not.

Only accepted loads hold, and a unit holds what was accepted last. A load accepted ahead of its effective instant
leaves the one before it in force until then. One that is in force, or has lapsed, when it is accepted takes the other's
place at once: going back to an older cycle shows as what it is.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from mediaprep.model import Currency, DataKind, KindStatus, Load, LoadState, PanelStatus, Unit

NOTHING_LOADED = "nothing loaded"
"""What stands for the cycle of a unit that holds nothing of a kind, where units of a kind are compared."""


@dataclass(frozen=True, slots=True)
class _Accepted:
    """A load that is accepted at the instant asked for, and since when."""

    load: Load
    since: datetime

    @property
    def order(self) -> tuple[datetime, int]:
        """Later acceptances are greater; the load's number decides between two of the same instant."""
        return self.since, self.load.number

    @property
    def counts_from(self) -> datetime:
        """The instant from which it is what the unit goes by: its acceptance, or its effective instant if later."""
        return max(self.since, self.load.validity.effective_at or self.since)


def panel_status(
    aircraft: str,
    units: Sequence[Unit],
    kinds: Mapping[str, DataKind],
    loads: Sequence[Load],
    at: datetime,
    *,
    soon_days: int = 7,
) -> PanelStatus:
    """Return how an aircraft's panel stands at an aware instant, past or to come: unit by unit, kind by kind.

    `kinds` are the data kinds to look at, by name: a unit's other kinds are left out. `loads` is the whole history;
    what happened to a load after `at` does not count. A kind lapses soon when that is `soon_days` days away or less.
    Units and loads of other aircraft are passed over. The time taken grows with the number of loads, not faster.
    """
    accepted: defaultdict[tuple[str, str], list[_Accepted]] = defaultdict(list)
    for load in loads:
        since = _accepted_since(load, at)
        if since is not None and load.aircraft == aircraft:
            accepted[load.unit, load.kind].append(_Accepted(load, since))
    soon = timedelta(days=soon_days)
    statuses = tuple(
        _kind_status(unit.name, kind, accepted[unit.name, kind], at, soon)
        for unit in units
        if unit.aircraft == aircraft
        for kind in unit.kinds
        if kind in kinds
    )
    return PanelStatus(aircraft, at, statuses, _split_kinds(statuses))


def due(statuses: Iterable[KindStatus], before: datetime) -> list[KindStatus]:
    """Return the kinds that hold nothing, have lapsed, or lapse before an instant; soonest first, nothing loaded ahead.

    A kind whose next load follows without a gap counts with the instant at which that one lapses.
    """
    wanted = [status for status in statuses if _is_due(status, before)]
    return sorted(wanted, key=lambda status: (status.lapses_at is not None, status.lapses_at or before))


def _is_due(status: KindStatus, before: datetime) -> bool:
    if status.currency in {Currency.NOTHING_LOADED, Currency.LAPSED}:
        return True
    return status.lapses_at is not None and status.lapses_at < before


def _accepted_since(load: Load, at: datetime) -> datetime | None:
    """Return since when a load is accepted at an instant, None where it is not."""
    happened = [event for event in load.events if event.at <= at]
    return happened[-1].at if happened and happened[-1].state is LoadState.ACCEPTED else None


def _kind_status(unit: str, kind: str, accepted: list[_Accepted], at: datetime, soon: timedelta) -> KindStatus:
    held = max((one for one in accepted if one.counts_from <= at), key=lambda one: one.order, default=None)
    ahead = _loads_ahead(accepted, held, at)
    if held is None and not ahead:
        return KindStatus(unit, kind, Currency.NOTHING_LOADED, None, None, None)
    first, *following = [*([held] if held else []), *ahead]
    lapses_at = _end_of_cover(first, following)
    currency = Currency.NOT_YET if held is None else _currency(lapses_at, at, soon)
    return KindStatus(unit, kind, currency, first.load, following[0].load if following else None, lapses_at)


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
        held[status.kind].append((status.unit, _cycle_held(status.load)))
    return tuple((kind, tuple(units)) for kind, units in held.items() if len({cycle for _, cycle in units}) > 1)


def _cycle_held(load: Load | None) -> str:
    """Return what the owner knows a load's set by: its cycle, or the bundle's name where it has none."""
    if load is None:
        return NOTHING_LOADED
    return load.validity.cycle or load.bundle
