"""Cycles and dates that the names of files and folders suggest: offered to the owner as a guess, never taken.

The rules are our own and know no publisher: four digits by themselves that are the identifier of an AIRAC cycle not
far from now (`2613`), an ISO date (`2026-12-24`) or the same without dashes (`20261224`). Nothing is opened.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

from mediaprep.cycles import cycle_at, effective_date_of
from mediaprep.errors import BundleFactsInvalid
from mediaprep.model import CycleRule, CycleScheme

_NEAR = timedelta(days=400)
_DATE = re.compile(r"(?<![0-9])([0-9]{4})(-?)([0-9]{2})\2([0-9]{2})(?![0-9])")
_CYCLE = re.compile(r"(?<![0-9])[0-9]{4}(?![0-9])")
_GRIDS = {CycleScheme.AIRAC_28, CycleScheme.GRID_56}


@dataclass(frozen=True, slots=True)
class Suggestion:
    """A guess, and the name it was made from. `option` and `value` are what the owner may state if it is right."""

    name: str
    option: str
    value: str

    def __str__(self) -> str:
        what = "cycle" if self.option == "--cycle" else "date"
        return f"the name {self.name} suggests {what} {self.value}: give {self.option} {self.value} if that is right"


def suggest(rule: CycleRule, names: Iterable[str], today: date) -> tuple[Suggestion, ...]:
    """Return what names suggest for a set of a data kind with this rule, each guess once, in the order of the names.

    For a kind whose cycles are on a grid these are cycles, also where a name holds the date on which one takes effect;
    for one with dates of its own, dates. Nothing further than 400 days from `today` is suggested.
    """
    found: dict[str, Suggestion] = {}
    for name in names:
        for value in _guesses(rule, name, today):
            option = "--cycle" if rule.scheme in _GRIDS else "--effective"
            found.setdefault(value, Suggestion(name, option, value))
    return tuple(found.values())


def _guesses(rule: CycleRule, name: str, today: date) -> Iterator[str]:
    days = [day for day in _dates(name) if abs(day - today) <= _NEAR]
    if rule.scheme in _GRIDS:
        yield from _cycles(rule, _DATE.sub(" ", name), today)
        for day in days:
            if (cycle := _starting_on(rule, day)) is not None:
                yield cycle
    elif rule.scheme is not CycleScheme.NONE:
        yield from (day.isoformat() for day in days)


def _dates(name: str) -> Iterator[date]:
    for match in _DATE.finditer(name):
        try:
            yield date(int(match[1]), int(match[3]), int(match[4]))
        except ValueError:
            continue


def _cycles(rule: CycleRule, name: str, today: date) -> Iterator[str]:
    for match in _CYCLE.finditer(name):
        try:
            effective = effective_date_of(match[0])
        except BundleFactsInvalid:
            continue
        if abs(effective - today) <= _NEAR and _starting_on(rule, effective) is not None:
            yield match[0]


def _starting_on(rule: CycleRule, day: date) -> str | None:
    """Return the cycle of a grid that takes effect on a date, None where none does."""
    validity = cycle_at(rule, datetime.combine(day, time.max, UTC))
    starts = validity is not None and validity.effective_at is not None and validity.effective_at.date() == day
    return validity.cycle if starts and validity is not None else None
