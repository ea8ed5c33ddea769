"""Windows for the next sets, and the fewest visits that do: against counting by hand, brute force and the calendar."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from itertools import combinations, pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from mediaprep.cycles import validity_for
from mediaprep.errors import BundleFactsInvalid
from mediaprep.model import (
    Currency,
    CycleRule,
    CycleScheme,
    DataKind,
    KindStatus,
    LoadWindow,
    PanelStatus,
    Validity,
    VisitPlan,
)
from mediaprep.planning import group, months_after, plan_visits, windows_of
from mediaprep.status import panel_status
from tests.pure.test_status import accepted, day, unit

AIRAC = DataKind("navigation", "Navigation", CycleRule(CycleScheme.AIRAC_28))
GRID = DataKind("obstacle", "Obstacles", CycleRule(CycleScheme.GRID_56))
WEEKLY = DataKind("weather", "Weather maps", CycleRule(CycleScheme.EVERY_DAYS, interval_days=7))
DATED = DataKind("terrain", "Terrain", CycleRule(CycleScheme.DATES))
ENDLESS = DataKind("base-map", "Base map", CycleRule(CycleScheme.NONE))
KINDS = {kind.name: kind for kind in (AIRAC, GRID, WEEKLY, DATED, ENDLESS)}


def noon(day: str) -> datetime:
    return datetime.combine(date.fromisoformat(day), time(12), UTC)


def midnight(day: str) -> datetime:
    return datetime.combine(date.fromisoformat(day), time(), UTC)


def status(kind: DataKind, lapses: str | None, currency: Currency = Currency.CURRENT, unit: str = "GPS") -> KindStatus:
    return KindStatus(unit, kind.name, currency, None, None, midnight(lapses) if lapses else None)


def spans(kind: DataKind, lapses: str | None, at: str, until: str, **more: object) -> list[tuple[str | None, str, str]]:
    """Cycle, first day and last day of each window."""
    currency = Currency.CURRENT if lapses else Currency.NOTHING_LOADED
    found = windows_of(status(kind, lapses, currency), kind, noon(at), date.fromisoformat(until), **more)
    return [
        (one.validity.cycle if one.validity else None, one.first_day.isoformat(), one.last_day.isoformat())
        for one in found
    ]


def plan_of(*statuses: KindStatus, at: str, months: int = 12, lead_days: int = 28) -> VisitPlan:
    panel = PanelStatus("TEST", noon(at), statuses)
    return plan_visits(panel, KINDS, until=months_after(date.fromisoformat(at), months), lead_days=lead_days)


def cycles(plan: VisitPlan) -> list[str]:
    return [window.validity.cycle for visit in plan.visits for window in visit.windows]


# --- windows ---------------------------------------------------------------------------------------------------------


def test_the_next_set_can_be_loaded_from_28_days_before_until_the_day_before_it_takes_effect() -> None:
    # AIRAC dates by the published 28-day table: 2606 from 2026-06-11, 2607 from 2026-07-09.
    assert spans(AIRAC, "2026-06-11", "2026-05-20", "2026-07-31") == [
        ("2606", "2026-05-20", "2026-06-10"),
        ("2607", "2026-06-11", "2026-07-08"),
    ]


@pytest.mark.parametrize(
    ("lead_days", "first"),
    # 28 days before 2026-06-11 is 2026-05-14, 7 days before it 2026-06-04. 42 and 56 would let two be loaded ahead.
    [(28, "2026-05-14"), (7, "2026-06-04"), (0, "2026-06-10"), (42, "2026-05-14"), (56, "2026-05-14")],
)
def test_how_early_a_set_can_be_had_is_the_owner_s_word(lead_days: int, first: str) -> None:
    assert spans(AIRAC, "2026-06-11", "2026-05-01", "2026-06-30", lead_days=lead_days) == [
        ("2606", first, "2026-06-10")
    ]


def test_sets_of_56_days_follow_their_own_grid() -> None:
    # 56-day dates in step with 2021-02-25, from which United States visual charts follow it: 2026-05-14, 2026-07-09.
    assert spans(GRID, "2026-05-14", "2026-05-01", "2026-08-01") == [
        ("2605", "2026-05-01", "2026-05-13"),
        ("2607", "2026-06-11", "2026-07-08"),
    ]


def test_sets_at_a_fixed_interval_follow_what_is_loaded() -> None:
    assert spans(WEEKLY, "2026-06-10", "2026-06-08", "2026-06-24", lead_days=3) == [
        (None, "2026-06-08", "2026-06-09"),
        (None, "2026-06-14", "2026-06-16"),
        (None, "2026-06-21", "2026-06-23"),
    ]


def test_of_sets_with_dates_of_their_own_only_the_next_is_known() -> None:
    assert spans(DATED, "2026-09-01", "2026-06-08", "2027-06-08") == [(None, "2026-08-04", "2026-08-31")]
    assert spans(DATED, "2027-09-01", "2026-06-08", "2027-06-08") == []


def test_what_never_lapses_needs_no_visit() -> None:
    for currency in (Currency.NO_EXPIRY, Currency.NOT_YET):
        assert list(windows_of(status(ENDLESS, None, currency), ENDLESS, noon("2026-06-08"), date(2030, 1, 1))) == []


@pytest.mark.parametrize(
    ("kind", "lapses", "expected"),
    [
        (AIRAC, None, [("2605", "2026-06-08", "2026-06-08"), ("2606", "2026-06-09", "2026-06-10")]),
        (AIRAC, "2026-05-14", [("2605", "2026-06-08", "2026-06-08"), ("2606", "2026-06-09", "2026-06-10")]),
        (AIRAC, "2020-01-02", [("2605", "2026-06-08", "2026-06-08"), ("2606", "2026-06-09", "2026-06-10")]),
        (GRID, None, [("2605", "2026-06-08", "2026-06-08")]),
        (WEEKLY, None, [(None, "2026-06-08", "2026-06-08")]),
        (WEEKLY, "2026-05-30", [(None, "2026-06-08", "2026-06-08"), (None, "2026-06-09", "2026-06-12")]),
        (DATED, None, [(None, "2026-06-08", "2026-06-08")]),
        (DATED, "2026-06-01", [(None, "2026-06-08", "2026-06-08")]),
        (ENDLESS, None, [(None, "2026-06-08", "2026-06-08")]),
    ],
)
def test_what_nothing_covers_is_late_and_to_be_loaded_today(
    kind: DataKind, lapses: str | None, expected: list[tuple[str | None, str, str]]
) -> None:
    assert spans(kind, lapses, "2026-06-08", "2026-06-15") == expected
    currency = Currency.LAPSED if lapses else Currency.UNKNOWN
    late, *others = windows_of(status(kind, lapses, currency), kind, noon("2026-06-08"), date(2026, 6, 15))
    assert late.late
    assert not any(one.late for one in others)


def test_the_set_that_should_be_in_force_is_named_by_its_own_dates() -> None:
    late = next(windows_of(status(WEEKLY, "2026-05-30", Currency.LAPSED), WEEKLY, noon("2026-06-08"), date(2026, 7, 1)))
    assert late.validity == Validity(None, midnight("2026-06-06"), midnight("2026-06-13"))


def test_on_the_day_before_the_change_both_sets_fall_on_today() -> None:
    assert spans(AIRAC, None, "2026-06-10", "2026-06-15") == [
        ("2605", "2026-06-10", "2026-06-10"),
        ("2606", "2026-06-10", "2026-06-10"),
    ]


def test_what_lapses_later_today_is_for_today() -> None:
    rule = CycleRule(CycleScheme.AIRAC_28, time(9, 1))
    found = list(
        windows_of(
            KindStatus("GPS", "navigation", Currency.LAPSES_SOON, None, None, datetime(2026, 6, 11, 9, 1, tzinfo=UTC)),
            DataKind("navigation", "Navigation", rule),
            datetime(2026, 6, 11, 6, tzinfo=UTC),
            date(2026, 6, 30),
        )
    )
    assert [(one.validity.cycle, one.first_day, one.last_day, one.late) for one in found] == [
        ("2606", date(2026, 6, 11), date(2026, 6, 11), False)
    ]


def test_a_set_that_was_stated_under_another_hour_is_followed_by_the_next_of_the_grid() -> None:
    at_0901 = DataKind("navigation", "Navigation", CycleRule(CycleScheme.AIRAC_28, time(9, 1)))
    assert spans(at_0901, "2026-06-11", "2026-05-20", "2026-06-30") == [("2606", "2026-05-20", "2026-06-10")]


def test_a_set_that_lapses_off_the_grid_is_followed_by_the_cycle_in_force_then() -> None:
    assert spans(AIRAC, "2026-06-20", "2026-06-01", "2026-07-31") == [
        ("2606", "2026-06-01", "2026-06-19"),
        ("2607", "2026-06-20", "2026-07-08"),
    ]


# --- years -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("year", "count", "first", "last"),
    [
        # The Polish AIS printed all 14 AIRAC dates of 2020, and 2021-01-28 as the first of 2021.
        (2020, 14, "2001", "2014"),
        (2021, 13, "2101", "2113"),
        (2026, 13, "2601", "2613"),
        (2043, 14, "4301", "4314"),
    ],
)
def test_a_year_of_28_day_cycles_takes_13_visits_or_14(year: int, count: int, first: str, last: str) -> None:
    # Sets take effect from 1 January to 31 December; each is due on the day before.
    at = midnight(f"{year - 1}-12-25") + timedelta(hours=12)
    held = validity_for(AIRAC.cycle_rule, cycle=first, effective_on=None, lapses_on=None).effective_at
    one = KindStatus("GPS", "navigation", Currency.CURRENT, None, None, held)
    plan = plan_visits(PanelStatus("TEST", at, (one,)), KINDS, until=date(year, 12, 30))
    assert (len(plan.visits), cycles(plan)[0], cycles(plan)[-1]) == (count, first, last)


def test_a_year_of_56_day_cycles_next_to_28_day_ones_needs_no_more_visits() -> None:
    both = plan_of(status(AIRAC, "2026-01-22"), status(GRID, "2026-01-22"), at="2026-01-10")
    alone = plan_of(status(AIRAC, "2026-01-22"), at="2026-01-10")
    assert len(both.visits) == len(alone.visits) == 13
    # The grid of 56 days in 2026, as reckoned from 2021-02-25: every second AIRAC date from 2601 on.
    on_grid = [window.validity.cycle for visit in both.visits for window in visit.windows if window.kind == "obstacle"]
    assert on_grid == ["2601", "2603", "2605", "2607", "2609", "2611", "2613"]


def test_a_dated_set_goes_along_with_a_visit_that_is_made_anyway() -> None:
    plan = plan_of(status(AIRAC, "2026-06-11"), status(DATED, "2026-06-20"), at="2026-05-20", months=2)
    assert [(visit.first_day.isoformat(), visit.last_day.isoformat(), len(visit.windows)) for visit in plan.visits] == [
        ("2026-05-23", "2026-06-10", 2),
        ("2026-06-11", "2026-07-08", 1),
    ]


def test_a_plan_says_what_it_went_by() -> None:
    plan = plan_of(at="2026-01-31", months=1, lead_days=5)
    assert plan == VisitPlan("TEST", noon("2026-01-31"), 5, date(2026, 2, 28), ())


def test_a_plan_beyond_the_years_that_cycles_are_reckoned_for_is_refused() -> None:
    with pytest.raises(BundleFactsInvalid):
        plan_of(status(AIRAC, "2199-12-05"), at="2199-11-20")


@pytest.mark.parametrize(
    ("day", "months", "after"),
    [
        ("2026-11-25", 12, "2027-11-25"),
        ("2026-01-31", 1, "2026-02-28"),
        ("2028-01-31", 1, "2028-02-29"),
        ("2026-12-31", 1, "2027-01-31"),
        ("2026-03-15", 0, "2026-03-15"),
    ],
)
def test_months_are_those_of_the_calendar(day: str, months: int, after: str) -> None:
    assert months_after(date.fromisoformat(day), months).isoformat() == after


# --- the fewest visits -----------------------------------------------------------------------------------------------

windows = st.lists(
    st.tuples(st.integers(0, 14), st.integers(0, 6)).map(
        lambda drawn: LoadWindow(
            "GPS", "navigation", None, date(2026, 1, 1 + drawn[0]), date(2026, 1, 1 + drawn[0] + drawn[1])
        )
    ),
    max_size=8,
)


def fewest_by_trying(given: list[LoadWindow]) -> int:
    """The least number of days of which one falls into each window, found by trying all sets of days."""
    days = [date(2026, 1, number) for number in range(1, 22)]
    for count in range(len(given) + 1):
        for chosen in combinations(days, count):
            if all(any(one.first_day <= day <= one.last_day for day in chosen) for one in given):
                return count
    raise AssertionError("one day for each window always does")


@settings(max_examples=150)
@given(windows)
def test_no_other_choice_of_days_needs_fewer_visits(given: list[LoadWindow]) -> None:
    visits = list(group(given))
    assert len(visits) == fewest_by_trying(given)
    served = [window for visit in visits for window in visit.windows]
    assert sorted(map(id, served)) == sorted(map(id, given)), "each window is served once"
    for visit in visits:
        assert visit.first_day <= visit.last_day
        for window in visit.windows:
            assert window.first_day <= visit.first_day
            assert visit.last_day <= window.last_day
    assert all(one.last_day < other.first_day for one, other in pairwise(visits))


@given(
    st.sampled_from([AIRAC, GRID, WEEKLY]),
    st.integers(0, 400),
    st.one_of(st.none(), st.integers(-100, 100)),
    st.integers(0, 90),
)
def test_the_windows_of_a_kind_leave_no_day_uncovered_and_never_ask_for_two_sets_ahead(
    kind: DataKind, start: int, lapses_in: int | None, lead_days: int
) -> None:
    at = noon("2025-01-01") + timedelta(days=start)
    lapses_at = None if lapses_in is None else at + timedelta(days=lapses_in)
    held = KindStatus("GPS", kind.name, Currency.LAPSED, None, None, lapses_at)
    until = at.date() + timedelta(days=200)
    found = list(windows_of(held, kind, at, until, lead_days))
    sets = [window.validity for window in found if window.validity is not None]
    for one, following in pairwise(sets):
        assert one.lapses_at == following.effective_at, "cycle n+1 starts when n ends"
    for one, following in pairwise(found):
        assert one.first_day <= one.last_day <= until
        assert one.last_day < following.first_day or one.late
        if not following.late:
            assert following.first_day >= min(one.validity.effective_at.date(), following.last_day)
            assert following.last_day < following.validity.effective_at.date() or following.last_day == at.date()


def test_a_plan_follows_from_loads_as_they_are() -> None:
    loads = [accepted(1, 2, (-6, 22)), accepted(2, 3, (22, 50))]
    panel = panel_status("ALPHA", [unit()], KINDS, loads, day(10))
    plan = plan_visits(panel, KINDS, until=date(2025, 3, 31))
    # Day 22 is 2025-01-23, day 50 2025-02-20: cycle 2501 is loaded ahead.
    assert [(one.unit, one.kind) for one in plan.visits[0].windows] == [("display-1", "navigation")]
    assert cycles(plan) == ["2502", "2503"]
