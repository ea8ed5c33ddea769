"""Cycle arithmetic: from an identifier or a date to the half-open period in which a set of data is in force.

The 28-day grid is the one of ICAO Annex 15, section 6.2 (AIRAC): every effective date is a Thursday, and the n-th of a
calendar year has the identifier YYNN. The 56-day grid takes every second date of it, with 2021-02-25 among them, and
keeps the identifiers: 2502, 2504, ...

Century rule: a two-digit year means 1964 to 2063, the hundred years from AIRAC's introduction on; so 9801 is of 1998
and 6301 of 2063. `1998-01` says the year in full, and is how a cycle outside those years is written. Cycles are
reckoned for the years 1900 to 2199.

The time of day is the rule's, for suppliers and States differ between 00:00 and 09:01 UTC.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta

from mediaprep.errors import BundleFactsInvalid
from mediaprep.model import CycleRule, CycleScheme, Validity
from mediaprep.quantities import format_utc

_AIRAC_PERIOD = timedelta(days=28)
# Per grid: a date that is on it, and its period. Cycle 2001 as printed in published AIRAC tables for 2020; for 56 days
# the date from which US visual charts follow that grid.
_GRIDS = {
    CycleScheme.AIRAC_28: (date(2020, 1, 2), _AIRAC_PERIOD),
    CycleScheme.GRID_56: (date(2021, 2, 25), timedelta(days=56)),
}
_CENTURY_START = 1964
_FIRST_YEAR, _LAST_YEAR = 1900, 2199
_LONGEST_INTERVAL_DAYS = 36_525
_IDENTIFIER = re.compile(r"(?:([0-9]{2})|([0-9]{4})-)([0-9]{2})")


# --- identifiers -----------------------------------------------------------------------------------------------------


def identifier_of(effective: date) -> str:
    """Return the AIRAC identifier of an effective date: `2502`, or `2064-01` outside the years 1964 to 2063.

    Raise BundleFactsInvalid where the date is not on the 28-day grid.
    """
    _require_on_grid(CycleScheme.AIRAC_28, effective, effective.isoformat())
    return _identifier(effective)


def effective_date_of(identifier: str) -> date:
    """Return the date on which the AIRAC cycle of an identifier (`2502` or `2025-02`) takes effect.

    Raise BundleFactsInvalid where the text is no identifier, or where that year has no such cycle.
    """
    match = _IDENTIFIER.fullmatch(identifier)
    if match is None:
        message = f"'{identifier}' is not a cycle"
        remedy = "Write the year's last two digits and the cycle's number in it, such as 2502, or 2025-02."
        raise BundleFactsInvalid(message, remedy=remedy)
    short_year, full_year, number = match.groups()
    year = int(full_year) if full_year else _CENTURY_START + (int(short_year) - _CENTURY_START) % 100
    _require_reckoned(year, f"Cycle {identifier}")
    before_first = _floor(CycleScheme.AIRAC_28, date(year, 1, 1) - timedelta(days=1))
    effective = before_first + int(number) * _AIRAC_PERIOD
    if effective.year != year or number == "00":
        last = _floor(CycleScheme.AIRAC_28, date(year, 12, 31))
        message = f"There is no cycle {identifier}: {year} ends with cycle {_identifier(last)}, from {last}"
        raise BundleFactsInvalid(message)
    return effective


# --- grids -----------------------------------------------------------------------------------------------------------


def cycle_at(rule: CycleRule, instant: datetime) -> Validity | None:
    """Return the cycle of a grid that is in force at an aware instant; None for a scheme without a grid.

    Raise BundleFactsInvalid outside the years that cycles are reckoned for, ValueError for an instant without a zone.
    """
    if rule.scheme not in _GRIDS:
        return None
    return _grid_cycle(rule, _floor(rule.scheme, _grid_day(rule, instant)))


def next_cycle(rule: CycleRule, validity: Validity) -> Validity | None:
    """Return the period that follows another one under a rule; None where the rule does not tell.

    On a grid that is the first cycle to take effect on a later date than `validity` did, even where that one was made
    under another rule. With a fixed interval it starts when `validity` lapses, and has no identifier.
    """
    if rule.scheme in _GRIDS and validity.effective_at is not None:
        _, period = _GRIDS[rule.scheme]
        return _grid_cycle(rule, _floor(rule.scheme, validity.effective_at.astimezone(UTC).date()) + period)
    if rule.scheme is CycleScheme.EVERY_DAYS and validity.lapses_at is not None:
        return Validity(None, validity.lapses_at, validity.lapses_at + _interval(rule))
    return None


def cycles_between(rule: CycleRule, start: datetime, end: datetime) -> Iterator[Validity]:
    """Return the cycles of a grid that take effect in start <= t < end, in order; none for a scheme without a grid.

    The one in force at `start` is among them only if it takes effect just then: see `cycle_at`. Raises as `cycle_at`
    does, before the first one is asked for.
    """
    if rule.scheme not in _GRIDS:
        return iter(())
    _, period = _GRIDS[rule.scheme]
    first = _floor(rule.scheme, _grid_day(rule, start))
    if _at_effective_time(rule, first) < start:
        first += period
    count = (_grid_day(rule, end) - first) // period + 1
    days = (first + number * period for number in range(count))
    return (_grid_cycle(rule, day) for day in days if _at_effective_time(rule, day) < end)


# --- what an owner states --------------------------------------------------------------------------------------------


def validity_for(
    rule: CycleRule,
    *,
    cycle: str | None,
    effective_on: date | datetime | None,
    lapses_on: date | datetime | None,
) -> Validity:
    """Return the period that an owner's words mean under a data kind's rule.

    A date stands for the rule's effective time on it, an aware datetime for itself. `lapses_on` is the first day, or
    the instant, at which the set is no longer in force. What each scheme needs: a grid the cycle or its effective
    date; EVERY_DAYS the effective date; DATES both dates; NONE nothing. What could be left out must agree if stated.
    On a grid `cycle` is an identifier, elsewhere any name the owner gives the set.

    Raise BundleFactsInvalid where the words do not fit the rule or each other.
    """
    effective_at = _instant(rule, effective_on, "effective")
    lapses_at = _instant(rule, lapses_on, "lapse")
    if rule.scheme in _GRIDS:
        return _grid_validity(rule, cycle, effective_at, lapses_at)
    if rule.scheme is CycleScheme.NONE:
        if lapses_at is not None:
            message = f"Sets of this data kind never lapse, so {format_utc(lapses_at)} cannot be the end of one"
            remedy = "Leave the lapse date out, or give the data kind the cycle rule 'dates'."
            raise BundleFactsInvalid(message, remedy=remedy)
        return Validity(cycle, effective_at, None)
    if effective_at is None:
        message = "The date from which the set is in force is missing"
        raise BundleFactsInvalid(message)
    if rule.scheme is CycleScheme.EVERY_DAYS:
        reckoned = effective_at + _interval(rule)
        _require_same(lapses_at, reckoned, f"After {rule.interval_days} days the set lapses")
        return Validity(cycle, effective_at, reckoned)
    if lapses_at is None:
        message = "The date on which the set lapses is missing: sets of this data kind have dates of their own"
        raise BundleFactsInvalid(message)
    if lapses_at <= effective_at:
        message = f"The set would lapse at {format_utc(lapses_at)}, not after it takes effect at "
        raise BundleFactsInvalid(message + format_utc(effective_at))
    return Validity(cycle, effective_at, lapses_at)


def _grid_validity(
    rule: CycleRule, cycle: str | None, effective_at: datetime | None, lapses_at: datetime | None
) -> Validity:
    if cycle is not None:
        effective = effective_date_of(cycle)
        _require_on_grid(rule.scheme, effective, f"Cycle {cycle}, from {effective},")
    elif effective_at is not None:
        effective = effective_at.date()
        _require_on_grid(rule.scheme, effective, effective.isoformat())
    else:
        message = "The cycle is missing, and so is the date from which it is in force"
        raise BundleFactsInvalid(message, remedy="State one of the two, such as 2502 or 2025-02-20.")
    _, period = _GRIDS[rule.scheme]
    name = f"Cycle {identifier_of(effective)}"
    _require_same(effective_at, _at_effective_time(rule, effective), f"{name} takes effect")
    _require_same(lapses_at, _at_effective_time(rule, effective + period), f"{name} lapses")
    return _grid_cycle(rule, effective)


def _require_same(stated: datetime | None, reckoned: datetime, what: str) -> None:
    if stated is not None and stated != reckoned:
        message = f"{what} at {format_utc(reckoned)}, not at {format_utc(stated)}"
        raise BundleFactsInvalid(message)


def _instant(rule: CycleRule, stated: date | datetime | None, word: str) -> datetime | None:
    """Return the instant a stated date or datetime means, in UTC."""
    if stated is None:
        return None
    _require_reckoned(stated.year, f"The {word} date {stated}")
    if not isinstance(stated, datetime):
        return _at_effective_time(rule, stated)
    if stated.tzinfo is None:
        message = f"The {word} time {stated} has no zone"
        raise BundleFactsInvalid(message, remedy="Write its zone, such as 2026-12-24T09:01:00Z, or only the date.")
    return stated.astimezone(UTC)


def _interval(rule: CycleRule) -> timedelta:
    days = rule.interval_days
    if days is None or not 1 <= days <= _LONGEST_INTERVAL_DAYS:
        shown = "no number of days" if days is None else f"{days} days"
        message = f"The data kind's sets follow each other at a fixed interval, but it has {shown}"
        remedy = f"Give the data kind an interval of 1 to {_LONGEST_INTERVAL_DAYS} days."
        raise BundleFactsInvalid(message, remedy=remedy)
    return timedelta(days=days)


# --- days on a grid --------------------------------------------------------------------------------------------------


def _floor(scheme: CycleScheme, day: date) -> date:
    """Return the latest effective date of a grid that is not after a day."""
    on_grid, period = _GRIDS[scheme]
    return day - (day - on_grid) % period


def _grid_day(rule: CycleRule, instant: datetime) -> date:
    """Return the date whose cycles count at an instant: the day before, until the effective time has come."""
    if instant.tzinfo is None:
        message = f"The time {instant} has no zone"
        raise ValueError(message)
    _require_reckoned(instant.year, f"The time {instant}")
    instant = instant.astimezone(UTC)
    early = instant.time() < rule.effective_time_utc
    return instant.date() - timedelta(days=int(early))


def _at_effective_time(rule: CycleRule, day: date) -> datetime:
    return datetime.combine(day, rule.effective_time_utc, UTC)


def _grid_cycle(rule: CycleRule, effective: date) -> Validity:
    _, period = _GRIDS[rule.scheme]
    return Validity(
        identifier_of(effective),
        _at_effective_time(rule, effective),
        _at_effective_time(rule, effective + period),
    )


def _identifier(effective: date) -> str:
    number = (effective - date(effective.year, 1, 1)) // _AIRAC_PERIOD + 1
    if _CENTURY_START <= effective.year < _CENTURY_START + 100:
        return f"{effective.year % 100:02d}{number:02d}"
    return f"{effective.year}-{number:02d}"


def _require_on_grid(scheme: CycleScheme, day: date, name: str) -> None:
    _require_reckoned(day.year, f"The date {day}")
    _, period = _GRIDS[scheme]
    before = _floor(scheme, day)
    if before != day:
        around = " and ".join(f"{near} ({_identifier(near)})" for near in (before, before + period))
        message = f"{name} is not on the {period.days}-day grid; the dates around it are {around}"
        raise BundleFactsInvalid(message)


def _require_reckoned(year: int, name: str) -> None:
    if not _FIRST_YEAR <= year <= _LAST_YEAR:
        message = f"{name} is outside the years {_FIRST_YEAR} to {_LAST_YEAR} that cycles are reckoned for"
        raise BundleFactsInvalid(message)
