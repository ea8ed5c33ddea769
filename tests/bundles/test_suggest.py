"""What names suggest: a cycle near now, a date; never more than a guess."""

from __future__ import annotations

from datetime import date

import pytest

from mediaprep.model import CycleRule, CycleScheme
from mediaprep.suggest import suggest

TODAY = date(2026, 12, 1)
AIRAC = CycleRule(CycleScheme.AIRAC_28)
GRID_56 = CycleRule(CycleScheme.GRID_56)
DATES = CycleRule(CycleScheme.DATES)


def values(rule: CycleRule, *names: str) -> list[str]:
    return [one.value for one in suggest(rule, names, TODAY)]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("nav-2613", ["2613"]),
        ("2613", ["2613"]),
        ("set2613.zip", ["2613"]),
        ("2612_2613", ["2612", "2613"]),
        ("nav-2613-2613", ["2613"]),
        ("nav-2614", []),  # 2026 has 13 cycles
        ("nav-2600", []),
        ("nav-1213", []),  # a real cycle, of 2012
        ("nav-126130", []),
        ("nav-26135", []),
        ("manual-1977", []),
        ("nav-2026-12-24", ["2613"]),  # cycle 2613 takes effect on 2026-12-24
        ("nav-20261224.tar", ["2613"]),
        ("nav-2026-12-25", []),
        ("nav-2026-1224", []),  # half with dashes is no date; 2026 and 1224 are no cycles
        ("nav-2026-13-24", []),
        ("nav-2026-02-30", []),
        ("nav-2021-12-30", []),  # on the grid, but long ago
        ("nav", []),
    ],
)
def test_cycles_are_suggested_for_a_grid(name: str, expected: list[str]) -> None:
    assert values(AIRAC, name) == expected


def test_only_cycles_of_the_kinds_own_grid_are_suggested() -> None:
    # 2021-02-25 is on the 56-day grid, and 2613 takes effect on 2026-12-24, 38 times 56 days later.
    assert values(GRID_56, "obstacles-2612-2613") == ["2613"]


def test_dates_are_suggested_where_cycles_have_no_grid() -> None:
    assert values(DATES, "charts-20261224", "x 2026-11-30 y", "2613", "2022-01-01") == ["2026-12-24", "2026-11-30"]
    assert values(CycleRule(CycleScheme.EVERY_DAYS, interval_days=7), "2026-12-03") == ["2026-12-03"]
    assert values(CycleRule(CycleScheme.NONE), "map-2026-12-24-2613") == []


def test_a_guess_says_what_it_is_and_what_to_state() -> None:
    (cycle,) = suggest(AIRAC, ["set", "nav-2613", "a-2613"], TODAY)
    assert str(cycle) == "the name nav-2613 suggests cycle 2613: give --cycle 2613 if that is right"
    (day,) = suggest(DATES, ["charts-20261224"], TODAY)
    assert str(day) == "the name charts-20261224 suggests date 2026-12-24: give --effective 2026-12-24 if that is right"


def test_a_rule_with_its_own_effective_time_makes_no_difference() -> None:
    from datetime import time

    assert values(CycleRule(CycleScheme.AIRAC_28, time(9, 1)), "nav-2613", "2026-12-24") == ["2613"]
