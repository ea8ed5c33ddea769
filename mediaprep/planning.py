"""Which days the next sets can be loaded on, and the fewest visits to the aircraft that do for a year.

A set can be had some days before it takes effect: 28 days unless the owner says otherwise, as ICAO Annex 15, section
6.2, asks that what changes on a date of the AIRAC grid reach its users 28 days ahead. It is loaded in time up to the
last whole day before the set in the unit lapses. A unit is taken to hold one set of a kind ahead and no more, so none
is loaded before the one ahead of it has taken effect.

The visits are found by going to the aircraft as late as the most urgent load allows, taking along everything that can
be had by then, and so on. No other choice of days needs fewer: each visit is for a load that none before could serve.
"""

from __future__ import annotations

from calendar import monthrange
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

from mediaprep.cycles import cycle_at, next_cycle
from mediaprep.model import (
    Currency,
    CycleRule,
    CycleScheme,
    DataKind,
    KindStatus,
    LoadWindow,
    PanelStatus,
    Validity,
    Visit,
    VisitPlan,
)
from mediaprep.status import last_day_before

LEAD_DAYS = 28
_DAY = timedelta(days=1)


def plan_visits(
    panel: PanelStatus, kinds: Mapping[str, DataKind], *, until: date, lead_days: int = LEAD_DAYS
) -> VisitPlan:
    """Return the fewest visits that keep a panel, as it stands now, current until a day in UTC, that one included.

    Raise BundleFactsInvalid where that day is beyond the years that cycles are reckoned for.
    """
    windows = [
        window
        for status in panel.kinds
        for window in windows_of(status, kinds[status.kind], panel.at, until, lead_days)
    ]
    return VisitPlan(panel.aircraft, panel.at, lead_days, until, tuple(group(windows)))


def windows_of(
    status: KindStatus, kind: DataKind, at: datetime, until: date, lead_days: int = LEAD_DAYS
) -> Iterator[LoadWindow]:
    """Yield the windows of all sets of one kind that have to be in its unit until a day, in order of time.

    What nothing covers now is late, and has today for its window. Of a kind with a cycle all later sets follow; of one
    whose sets have dates of their own only the next is known, by the day on which the one in the unit lapses; of one
    without cycles nothing once it is loaded.
    """
    today = at.astimezone(UTC).date()
    start, earliest = status.lapses_at, today
    if start is None and status.currency in {Currency.NO_EXPIRY, Currency.NOT_YET}:
        return
    if start is None or start <= at:
        validity = _in_force(kind.cycle_rule, start, at)
        yield LoadWindow(status.unit, status.kind, validity, today, today, late=True)
        if validity is None or validity.lapses_at is None:
            return
        start, earliest = validity.lapses_at, today + _DAY
    for validity, ready_on in _sets_from(kind.cycle_rule, start):
        effective_at = start if validity is None or validity.effective_at is None else validity.effective_at
        # What lapses before this day is over is loaded today, even if today will be late.
        last_day = max(last_day_before(max(start, effective_at)), today)
        if last_day > until:
            return
        from_lead = effective_at.astimezone(UTC).date() - timedelta(days=lead_days)
        first_day = min(max(from_lead, ready_on or from_lead, earliest), last_day)
        yield LoadWindow(status.unit, status.kind, validity, first_day, last_day)
        earliest = last_day + _DAY


def group(windows: Sequence[LoadWindow]) -> Iterator[Visit]:
    """Yield the fewest visits of which one falls into each window, in order of time, each window in the first it can.

    Within a visit the windows keep their order.
    """
    waiting = list(windows)
    while waiting:
        last_day = min(window.last_day for window in waiting)
        here = tuple(window for window in waiting if window.first_day <= last_day)
        waiting = [window for window in waiting if window.first_day > last_day]
        yield Visit(max(window.first_day for window in here), last_day, here)


def months_after(day: date, months: int) -> date:
    """Return the same day of the month some months later, or that month's last day where it has no such day."""
    years, month = divmod(day.year * 12 + day.month - 1 + months, 12)
    return date(years, month + 1, min(day.day, monthrange(years, month + 1)[1]))


def _in_force(rule: CycleRule, lapsed_at: datetime | None, at: datetime) -> Validity | None:
    """Return the set that should be in the unit now, where the rule tells: after the one that lapsed, if any did."""
    if rule.scheme is CycleScheme.EVERY_DAYS and lapsed_at is not None and rule.interval_days is not None:
        interval = timedelta(days=rule.interval_days)
        start = lapsed_at + (at - lapsed_at) // interval * interval
        return Validity(None, start, start + interval)
    return cycle_at(rule, at)


def _sets_from(rule: CycleRule, start: datetime) -> Iterable[tuple[Validity | None, date | None]]:
    """Yield the sets from the one on that is wanted at `start`, each with the day on which the one before it begins."""
    if rule.scheme is CycleScheme.EVERY_DAYS:
        # next_cycle goes by where a period ends; this one stands for whatever ends at `start`.
        validity = next_cycle(rule, Validity(None, None, start))
    else:
        # At the rule's own hour: a set that was stated under another hour still ends on a date of the grid.
        validity = cycle_at(rule, datetime.combine(start.astimezone(UTC).date(), rule.effective_time_utc, UTC))
    if validity is None:
        yield None, None
        return
    while validity is not None and validity.effective_at is not None and validity.lapses_at is not None:
        period = validity.lapses_at - validity.effective_at
        yield validity, (validity.effective_at - period).astimezone(UTC).date()
        validity = next_cycle(rule, validity)
