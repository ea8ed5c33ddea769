"""Cycle arithmetic: identifiers, grids, and what an owner may state."""

from datetime import UTC, date, datetime, time, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.cycles import (
    cycle_at,
    cycles_between,
    effective_date_of,
    identifier_of,
    next_cycle,
    validity_for,
)
from mediaprep.errors import BundleFactsInvalid
from mediaprep.model import CycleRule, CycleScheme, Validity

AIRAC = CycleRule(CycleScheme.AIRAC_28)
AIRAC_0901 = CycleRule(CycleScheme.AIRAC_28, time(9, 1))
GRID_56 = CycleRule(CycleScheme.GRID_56)
EVERY_30 = CycleRule(CycleScheme.EVERY_DAYS, interval_days=30)
DATES = CycleRule(CycleScheme.DATES, time(9, 1))
NONE = CycleRule(CycleScheme.NONE)
WITHOUT_GRID = (EVERY_30, DATES, NONE)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


grid_rules = st.builds(
    CycleRule, st.sampled_from((CycleScheme.AIRAC_28, CycleScheme.GRID_56)), st.sampled_from((time(0, 0), time(9, 1)))
)
instants = st.timedeltas(timedelta(0), timedelta(days=297 * 365)).map(lambda passed: utc(1901, 1, 1) + passed)
airac_dates = st.integers(-1500, 2300).map(lambda number: date(2020, 1, 2) + number * timedelta(days=28))


# --- identifiers -----------------------------------------------------------------------------------------------------


@given(airac_dates)
def test_every_effective_date_has_an_identifier_that_leads_back_to_it(effective: date) -> None:
    assert effective_date_of(identifier_of(effective)) == effective


@given(airac_dates)
def test_identifiers_count_up_within_a_year_and_start_again_at_one(effective: date) -> None:
    number = int(identifier_of(effective)[-2:])
    following = effective + timedelta(days=28)
    assert int(identifier_of(following)[-2:]) == (number + 1 if following.year == effective.year else 1)


@pytest.mark.parametrize(
    ("identifier", "effective"),
    [
        ("6401", date(1964, 1, 16)),
        ("9801", date(1998, 1, 1)),
        ("6301", date(2063, 1, 4)),
        ("2064-01", date(2064, 1, 3)),
        ("1963-13", date(1963, 12, 19)),
    ],
)
def test_two_digit_years_mean_1964_to_2063_and_others_are_written_in_full(identifier: str, effective: date) -> None:
    assert effective_date_of(identifier) == effective
    assert identifier_of(effective) == identifier


def test_a_year_may_be_written_in_full_inside_the_century_too() -> None:
    assert effective_date_of("1998-01") == effective_date_of("9801")
    assert effective_date_of("2025-02") == date(2025, 2, 20)


def test_a_fourteenth_cycle_exists_only_in_a_year_that_has_one() -> None:
    assert effective_date_of("2014") == date(2020, 12, 31)
    with pytest.raises(BundleFactsInvalid, match=r"no cycle 2114: 2021 ends with cycle 2113, from 2021-12-30"):
        effective_date_of("2114")


@pytest.mark.parametrize("identifier", ["2100", "2115", "2199", "2021-00"])
def test_numbers_that_no_year_has_are_refused(identifier: str) -> None:
    with pytest.raises(BundleFactsInvalid, match=f"There is no cycle {identifier}: 2021 ends with cycle 2113"):
        effective_date_of(identifier)


@pytest.mark.parametrize(
    "identifier", ["", "21", "21011", "202101", "21-01", "2021-1", "AB01", " 2101", "2101\n", "٢١٠١"]
)
def test_text_that_is_no_identifier_is_refused_with_the_form_it_should_have(identifier: str) -> None:
    with pytest.raises(BundleFactsInvalid, match="is not a cycle") as caught:
        effective_date_of(identifier)
    assert "2502" in caught.value.remedy


@pytest.mark.parametrize("identifier", ["1899-13", "2200-01", "0000-01", "9999-13"])
def test_years_far_away_are_refused(identifier: str) -> None:
    with pytest.raises(BundleFactsInvalid, match=f"Cycle {identifier} is outside the years 1900 to 2199"):
        effective_date_of(identifier)


def test_a_date_off_the_grid_has_no_identifier_and_the_message_names_its_neighbours() -> None:
    with pytest.raises(BundleFactsInvalid) as caught:
        identifier_of(date(2025, 1, 24))
    assert str(caught.value) == (
        "2025-01-24 is not on the 28-day grid; the dates around it are 2025-01-23 (2501) and 2025-02-20 (2502)"
    )
    with pytest.raises(BundleFactsInvalid, match="outside the years 1900 to 2199"):
        identifier_of(date.max)


# --- grids -----------------------------------------------------------------------------------------------------------


@given(grid_rules, instants)
def test_exactly_one_cycle_is_in_force_at_every_instant(rule: CycleRule, instant: datetime) -> None:
    found = cycle_at(rule, instant)
    assert found.effective_at <= instant < found.lapses_at
    following = next_cycle(rule, found)
    assert following.effective_at == found.lapses_at
    assert cycle_at(rule, found.lapses_at) == following
    assert cycle_at(rule, found.lapses_at - timedelta(microseconds=1)) == found


@given(instants)
def test_the_56_day_grid_takes_every_second_date_of_the_28_day_grid_with_its_identifier(instant: datetime) -> None:
    long = cycle_at(GRID_56, instant)
    first, second, third = (cycle_at(AIRAC, long.effective_at + timedelta(days=days)) for days in (0, 28, 56))
    assert (first.cycle, first.effective_at) == (long.cycle, long.effective_at)
    assert second.effective_at < long.lapses_at == third.effective_at


def test_a_cycle_changes_at_the_effective_time_of_its_rule() -> None:
    before, after = utc(2025, 2, 20, 9, 0, 59), utc(2025, 2, 20, 9, 1)
    assert [cycle_at(AIRAC_0901, instant).cycle for instant in (before, after)] == ["2501", "2502"]
    assert [cycle_at(AIRAC, instant).cycle for instant in (before, after)] == ["2502", "2502"]


def test_an_instant_of_another_zone_counts_as_the_instant_it_is() -> None:
    east = datetime(2025, 2, 20, 13, 0, tzinfo=timezone(timedelta(hours=13)))
    west = datetime(2025, 2, 19, 14, 0, tzinfo=timezone(timedelta(hours=-10)))
    assert cycle_at(AIRAC, east) == cycle_at(AIRAC, west) == cycle_at(AIRAC, utc(2025, 2, 20))
    assert cycle_at(AIRAC, east - timedelta(seconds=1)).cycle == "2501"


def test_an_instant_without_a_zone_is_a_fault_of_the_caller() -> None:
    with pytest.raises(ValueError, match="has no zone"):
        cycle_at(AIRAC, datetime(2025, 1, 23))  # noqa: DTZ001


@pytest.mark.parametrize("instant", [utc(1, 1, 1), utc(1900, 1, 1), utc(2200, 1, 1), utc(9999, 12, 31)])
def test_instants_far_away_are_refused(instant: datetime) -> None:
    with pytest.raises(BundleFactsInvalid, match="outside the years 1900 to 2199"):
        cycle_at(AIRAC, instant)


@pytest.mark.parametrize("rule", WITHOUT_GRID)
def test_a_scheme_without_a_grid_has_no_cycle_at_an_instant(rule: CycleRule) -> None:
    assert cycle_at(rule, utc(2025, 1, 23)) is None
    assert list(cycles_between(rule, utc(2025, 1, 1), utc(2026, 1, 1))) == []


def test_the_next_cycle_keeps_to_the_grid_whatever_rule_made_the_one_before() -> None:
    off_grid = Validity("spring", utc(2025, 3, 1), utc(2025, 6, 1))
    assert next_cycle(AIRAC_0901, off_grid) == Validity("2503", utc(2025, 3, 20, 9, 1), utc(2025, 4, 17, 9, 1))
    at_midnight = validity_for(AIRAC, cycle="2502", effective_on=None, lapses_on=None)
    assert next_cycle(AIRAC_0901, at_midnight).cycle == "2503"


def test_the_next_period_of_a_fixed_interval_starts_when_the_one_before_lapses() -> None:
    first = validity_for(EVERY_30, cycle="A", effective_on=date(2025, 1, 1), lapses_on=None)
    assert next_cycle(EVERY_30, first) == Validity(None, utc(2025, 1, 31), utc(2025, 3, 2))


@pytest.mark.parametrize(
    ("rule", "validity"),
    [
        (AIRAC, Validity("x", None, utc(2025, 1, 1))),
        (EVERY_30, Validity("x", utc(2025, 1, 1), None)),
        (DATES, Validity("x", utc(2025, 1, 1), utc(2025, 2, 1))),
        (NONE, Validity(None, None, None)),
    ],
)
def test_nothing_follows_where_the_rule_does_not_tell(rule: CycleRule, validity: Validity) -> None:
    assert next_cycle(rule, validity) is None


@given(grid_rules, instants, st.timedeltas(timedelta(0), timedelta(days=800)))
def test_cycles_between_follow_each_other_and_take_effect_inside_the_span(
    rule: CycleRule, start: datetime, length: timedelta
) -> None:
    end = min(start + length, utc(2199, 1, 1))
    found = list(cycles_between(rule, start, end))
    assert all(start <= one.effective_at < end for one in found)
    expected, one = [], cycle_at(rule, start)
    if one.effective_at < start:
        one = next_cycle(rule, one)
    while one.effective_at < end:
        expected.append(one)
        one = next_cycle(rule, one)
    assert found == expected


def test_cycles_between_count_the_start_in_and_the_end_out() -> None:
    found = cycles_between(AIRAC_0901, utc(2025, 1, 23, 9, 1), utc(2025, 3, 20, 9, 1))
    assert [one.cycle for one in found] == ["2501", "2502"]
    assert list(cycles_between(AIRAC, utc(2025, 6, 1), utc(2025, 1, 1))) == []


def test_cycles_between_refuse_a_span_far_away_before_the_first_is_asked_for() -> None:
    with pytest.raises(BundleFactsInvalid, match="outside the years 1900 to 2199"):
        cycles_between(AIRAC, utc(2025, 1, 1), utc(9999, 1, 1))


# --- what an owner states: grids -------------------------------------------------------------------------------------


@given(grid_rules, instants)
def test_cycle_or_date_or_both_state_the_same_validity(rule: CycleRule, instant: datetime) -> None:
    found = cycle_at(rule, instant)
    day, end = found.effective_at.date(), found.lapses_at.date()
    for cycle, effective_on, lapses_on in [
        (found.cycle, None, None),
        (None, day, None),
        (None, found.effective_at, None),
        (found.cycle, day, end),
        (found.cycle, found.effective_at, found.lapses_at),
    ]:
        assert validity_for(rule, cycle=cycle, effective_on=effective_on, lapses_on=lapses_on) == found


def test_a_grid_needs_the_cycle_or_its_date() -> None:
    with pytest.raises(BundleFactsInvalid, match="The cycle is missing"):
        validity_for(AIRAC, cycle=None, effective_on=None, lapses_on=date(2025, 2, 20))


def test_an_identifier_off_the_56_day_grid_is_refused_with_its_neighbours() -> None:
    assert validity_for(GRID_56, cycle="2504", effective_on=None, lapses_on=None) == Validity(
        "2504", utc(2025, 4, 17), utc(2025, 6, 12)
    )
    with pytest.raises(BundleFactsInvalid) as caught:
        validity_for(GRID_56, cycle="2501", effective_on=None, lapses_on=None)
    assert str(caught.value) == (
        "Cycle 2501, from 2025-01-23, is not on the 56-day grid; "
        "the dates around it are 2024-12-26 (2413) and 2025-02-20 (2502)"
    )


@pytest.mark.parametrize(
    ("cycle", "effective_on", "lapses_on", "complaint"),
    [
        (None, date(2025, 1, 24), None, "2025-01-24 is not on the 28-day grid"),
        ("2114", None, None, "There is no cycle 2114"),
        ("2502", date(2025, 1, 23), None, "2502 takes effect at 2025-02-20T09:01:00Z, not at 2025-01-23T09:01:00Z"),
        ("2502", utc(2025, 2, 20), None, "2502 takes effect at 2025-02-20T09:01:00Z, not at 2025-02-20T00:00:00Z"),
        ("2502", None, date(2025, 3, 19), "2502 lapses at 2025-03-20T09:01:00Z, not at 2025-03-19T09:01:00Z"),
        (None, date(1800, 1, 1), None, "The effective date 1800-01-01 is outside the years 1900 to 2199"),
        ("2502", None, date.max, "The lapse date 9999-12-31 is outside the years 1900 to 2199"),
        ("2502", datetime(2025, 2, 20), None, "The effective time 2025-02-20 00:00:00 has no zone"),  # noqa: DTZ001
    ],
)
def test_what_does_not_fit_the_grid_is_refused_with_both_sides_named(
    cycle: str | None, effective_on: date | None, lapses_on: date | None, complaint: str
) -> None:
    with pytest.raises(BundleFactsInvalid) as caught:
        validity_for(AIRAC_0901, cycle=cycle, effective_on=effective_on, lapses_on=lapses_on)
    assert complaint in str(caught.value)
    assert caught.value.remedy


# --- what an owner states: other schemes -----------------------------------------------------------------------------


def test_explicit_dates_get_the_effective_time_and_instants_are_taken_as_they_are() -> None:
    assert validity_for(DATES, cycle="spring", effective_on=date(2025, 3, 1), lapses_on=date(2025, 6, 1)) == Validity(
        "spring", utc(2025, 3, 1, 9, 1), utc(2025, 6, 1, 9, 1)
    )
    start = datetime(2025, 3, 1, 2, 0, tzinfo=timezone(timedelta(hours=2)))
    found = validity_for(DATES, cycle=None, effective_on=start, lapses_on=utc(2025, 6, 1, 12))
    assert found == Validity(None, utc(2025, 3, 1), utc(2025, 6, 1, 12))
    assert found.effective_at.tzinfo is UTC


@pytest.mark.parametrize(
    ("effective_on", "lapses_on", "complaint"),
    [
        (date(2025, 3, 1), None, "The date on which the set lapses is missing"),
        (None, date(2025, 3, 1), "The date from which the set is in force is missing"),
        (date(2025, 3, 1), date(2025, 2, 28), "lapse at 2025-02-28T09:01:00Z, not after it takes effect"),
        (date(2025, 3, 1), date(2025, 3, 1), "not after it takes effect at 2025-03-01T09:01:00Z"),
    ],
)
def test_explicit_dates_need_a_start_and_a_later_end(
    effective_on: date | None, lapses_on: date | None, complaint: str
) -> None:
    with pytest.raises(BundleFactsInvalid, match=complaint):
        validity_for(DATES, cycle=None, effective_on=effective_on, lapses_on=lapses_on)


def test_a_fixed_interval_lapses_after_its_days_and_a_stated_end_must_agree() -> None:
    expected = Validity("7", utc(2025, 1, 1), utc(2025, 1, 31))
    for lapses_on in (None, date(2025, 1, 31)):
        assert validity_for(EVERY_30, cycle="7", effective_on=date(2025, 1, 1), lapses_on=lapses_on) == expected
    with pytest.raises(
        BundleFactsInvalid, match="After 30 days the set lapses at 2025-01-31T00:00:00Z, not at 2025-02-01"
    ):
        validity_for(EVERY_30, cycle="7", effective_on=date(2025, 1, 1), lapses_on=date(2025, 2, 1))
    with pytest.raises(BundleFactsInvalid, match="from which the set is in force is missing"):
        validity_for(EVERY_30, cycle="7", effective_on=None, lapses_on=None)


@pytest.mark.parametrize(
    ("days", "complaint"), [(None, "no number of days"), (0, "0 days"), (-1, "-1 days"), (36_526, "36526 days")]
)
def test_a_fixed_interval_needs_a_number_of_days_that_makes_sense(days: int | None, complaint: str) -> None:
    rule = CycleRule(CycleScheme.EVERY_DAYS, interval_days=days)
    with pytest.raises(BundleFactsInvalid, match=complaint) as caught:
        validity_for(rule, cycle=None, effective_on=date(2025, 1, 1), lapses_on=None)
    assert "1 to 36525 days" in caught.value.remedy


def test_without_a_cycle_nothing_is_needed_and_nothing_lapses() -> None:
    assert validity_for(NONE, cycle=None, effective_on=None, lapses_on=None) == Validity(None, None, None)
    assert validity_for(NONE, cycle="5.2", effective_on=date(2025, 1, 1), lapses_on=None) == Validity(
        "5.2", utc(2025, 1, 1), None
    )
    with pytest.raises(BundleFactsInvalid, match="never lapse") as caught:
        validity_for(NONE, cycle=None, effective_on=None, lapses_on=date(2025, 1, 1))
    assert "'dates'" in caught.value.remedy
