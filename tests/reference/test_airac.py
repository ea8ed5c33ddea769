"""Cycle arithmetic against dates that authorities published, and against another implementation.

The grid itself (28 days, Thursdays) is that of ICAO Annex 15, section 6.2.
"""

from datetime import UTC, date, datetime, time, timedelta

import pytest
from airac_tools import cycle as airac_tools
from aviconv_core import airac as aviconv_core
from aviconv_core.errors import ParseError

from mediaprep.cycles import cycle_at, cycles_between, effective_date_of, identifier_of, validity_for
from mediaprep.errors import BundleFactsInvalid
from mediaprep.model import CycleRule, CycleScheme, Validity

AIRAC = CycleRule(CycleScheme.AIRAC_28)
GRID_56 = CycleRule(CycleScheme.GRID_56)
DAY = timedelta(days=1)


def midnight(day: date) -> datetime:
    return datetime.combine(day, time(0, 0), UTC)


def in_force_on(day: date, rule: CycleRule = AIRAC) -> Validity:
    return cycle_at(rule, midnight(day))


def cycles_of(year: int, rule: CycleRule = AIRAC) -> list[Validity]:
    return list(cycles_between(rule, midnight(date(year, 1, 1)), midnight(date(year + 1, 1, 1))))


# First and last cycle of each year, and how many it has. Printed by authorities: all fourteen of 2020 and the first of
# 2021 (Polish AIS, AIRAC page). The others: aviconv-core 0.0.3.
YEARS = """
2016 2016-01-07 1613 2016-12-08 13
2017 2017-01-05 1713 2017-12-07 13
2018 2018-01-04 1813 2018-12-06 13
2019 2019-01-03 1913 2019-12-05 13
2020 2020-01-02 2014 2020-12-31 14
2021 2021-01-28 2113 2021-12-30 13
2022 2022-01-27 2213 2022-12-29 13
2023 2023-01-26 2313 2023-12-28 13
2024 2024-01-25 2413 2024-12-26 13
2025 2025-01-23 2513 2025-12-25 13
2026 2026-01-22 2613 2026-12-24 13
2027 2027-01-21 2713 2027-12-23 13
2028 2028-01-20 2813 2028-12-21 13
2029 2029-01-18 2913 2029-12-20 13
2030 2030-01-17 3013 2030-12-19 13
"""

# Day, cycle in force, its effective date, the next one's. Computed, equal to aviconv-core 0.0.3. Chosen around New
# Year, leap days, years of fourteen cycles, and dates printed by authorities.
DAYS = """
2015-12-31 1513 2015-12-10 2016-01-07
2016-01-06 1513 2015-12-10 2016-01-07
2016-01-07 1601 2016-01-07 2016-02-04
2017-12-07 1713 2017-12-07 2018-01-04
2018-01-03 1713 2017-12-07 2018-01-04
2018-01-04 1801 2018-01-04 2018-02-01
2019-01-02 1813 2018-12-06 2019-01-03
2019-12-31 1913 2019-12-05 2020-01-02
2020-01-01 1913 2019-12-05 2020-01-02
2020-01-02 2001 2020-01-02 2020-01-30
2020-02-29 2003 2020-02-27 2020-03-26
2020-12-30 2013 2020-12-03 2020-12-31
2020-12-31 2014 2020-12-31 2021-01-28
2021-01-01 2014 2020-12-31 2021-01-28
2021-01-27 2014 2020-12-31 2021-01-28
2021-01-28 2101 2021-01-28 2021-02-25
2021-02-25 2102 2021-02-25 2021-03-25
2021-12-30 2113 2021-12-30 2022-01-27
2022-01-26 2113 2021-12-30 2022-01-27
2022-01-27 2201 2022-01-27 2022-02-24
2024-02-29 2402 2024-02-22 2024-03-21
2024-03-21 2403 2024-03-21 2024-04-18
2024-06-13 2406 2024-06-13 2024-07-11
2024-09-05 2409 2024-09-05 2024-10-03
2024-11-28 2412 2024-11-28 2024-12-26
2025-11-27 2512 2025-11-27 2025-12-25
2025-12-25 2513 2025-12-25 2026-01-22
2026-01-21 2513 2025-12-25 2026-01-22
2026-01-22 2601 2026-01-22 2026-02-19
2026-12-24 2613 2026-12-24 2027-01-21
2027-01-20 2613 2026-12-24 2027-01-21
2027-01-21 2701 2027-01-21 2027-02-18
2028-02-29 2802 2028-02-17 2028-03-16
2030-01-16 2913 2029-12-20 2030-01-17
2030-01-17 3001 2030-01-17 2030-02-14
2042-12-31 4213 2042-12-04 2043-01-01
2043-01-01 4301 2043-01-01 2043-01-29
2043-12-31 4314 2043-12-31 2044-01-28
2044-01-27 4314 2043-12-31 2044-01-28
2044-01-28 4401 2044-01-28 2044-02-25
"""

# The 56-day grid on which US visual charts have been issued since 2021-02-25 (AOPA, 2021-02-17). Counted on from that
# date; 2025-08-07 and 2025-11-27 are also 56-day issues by the README of the FAA's subscriber data.
GRID_56_DATES = """
2025-02-20 2502
2025-04-17 2504
2025-06-12 2506
2025-08-07 2508
2025-10-02 2510
2025-11-27 2512
2026-01-22 2601
2026-03-19 2603
2026-05-14 2605
2026-07-09 2607
2026-09-03 2609
2026-10-29 2611
2026-12-24 2613
2027-02-18 2702
2027-04-15 2704
2027-06-10 2706
2027-08-05 2708
2027-09-30 2710
2027-11-25 2712
2028-01-20 2801
2028-03-16 2803
2028-05-11 2805
2028-07-06 2807
2028-08-31 2809
2028-10-26 2811
2028-12-21 2813
"""


def rows(table: str) -> list[tuple[str, ...]]:
    return [tuple(line.split()) for line in table.split("\n") if line]


@pytest.mark.parametrize(("year", "first", "last", "last_effective", "count"), rows(YEARS))
def test_first_and_last_cycle_of_a_year(year: str, first: str, last: str, last_effective: str, count: str) -> None:
    found = cycles_of(int(year))
    assert found[0].cycle == f"{year[2:]}01"
    assert found[0].effective_at.date().isoformat() == first
    assert (found[-1].cycle, found[-1].effective_at.date().isoformat()) == (last, last_effective)
    assert len(found) == int(count)


@pytest.mark.parametrize(("day", "cycle", "effective", "following"), rows(DAYS))
def test_cycle_in_force_on_a_day(day: str, cycle: str, effective: str, following: str) -> None:
    found = in_force_on(date.fromisoformat(day))
    assert found.cycle == cycle
    assert found.effective_at == midnight(date.fromisoformat(effective))
    assert found.lapses_at == midnight(date.fromisoformat(following))


def test_years_of_fourteen_cycles() -> None:
    # Arithmetic: 13 x 28 = 364, so a year has fourteen if its first cycle is on 1 January, or on 2 January of a leap
    # year. Before 1998 the grid is carried back.
    counts = {year: len(cycles_of(year)) for year in range(1962, 2110)}
    assert [year for year, count in counts.items() if count == 14] == [1976, 1998, 2020, 2043, 2065, 2088]
    assert set(counts.values()) == {13, 14}


@pytest.mark.parametrize(
    ("cycle", "effective"),
    [
        # Airservices Australia, calendar of 2024
        ("2403", "2024-03-21"),
        ("2406", "2024-06-13"),
        ("2409", "2024-09-05"),
        ("2412", "2024-11-28"),
        # README of the FAA's subscriber data (dates)
        ("2508", "2025-08-07"),
        ("2512", "2025-11-27"),
        # US rule dates: Federal Register 81 FR 27308, 81 FR 65535 and 82 FR 45713. They print no number: counted.
        ("1608", "2016-07-21"),
        ("1612", "2016-11-10"),
        ("1713", "2017-12-07"),
        # Polish AIS, AIRAC page
        ("2001", "2020-01-02"),
        ("2002", "2020-01-30"),
        ("2014", "2020-12-31"),
        ("2101", "2021-01-28"),
    ],
)
def test_dates_that_authorities_print(cycle: str, effective: str) -> None:
    assert effective_date_of(cycle) == date.fromisoformat(effective)
    assert identifier_of(date.fromisoformat(effective)) == cycle


@pytest.mark.parametrize(
    "day",
    # Applicability dates on the cover sheet of ICAO Annex 15, Amendment 24: the grid is that old.
    [
        "1974-05-23", "1975-02-27", "1975-10-09", "1976-12-30", "1978-02-23",
        "1978-08-10", "1980-11-27", "1981-11-26", "1982-11-25", "1983-11-24",
    ],
)  # fmt: skip
def test_amendments_of_annex_15_became_applicable_on_the_grid(day: str) -> None:
    effective = date.fromisoformat(day)
    assert effective_date_of(identifier_of(effective)) == effective


def test_every_effective_date_is_a_thursday() -> None:
    # ICAO Annex 15, section 6.2
    for year in range(1998, 2064):
        assert {found.effective_at.weekday() for found in cycles_of(year)} == {3}


@pytest.mark.parametrize(("day", "cycle"), rows(GRID_56_DATES))
def test_56_day_grid(day: str, cycle: str) -> None:
    effective = date.fromisoformat(day)
    found = validity_for(GRID_56, cycle=cycle, effective_on=effective, lapses_on=None)
    assert found == in_force_on(effective, GRID_56)
    assert found == Validity(cycle, midnight(effective), midnight(effective + 56 * DAY))
    assert in_force_on(effective - DAY, GRID_56).lapses_at == midnight(effective)


def test_56_day_grid_holds_no_other_dates() -> None:
    found = [one for year in range(2025, 2029) for one in cycles_of(year, GRID_56)]
    assert [(one.effective_at.date().isoformat(), one.cycle) for one in found] == rows(GRID_56_DATES)


def test_dates_from_elsewhere_lie_on_the_56_day_grid_or_between() -> None:
    # US obstacle file 200801, of 2008-02-14 (encyclopaedia article on the file); first 56-day chart, AOPA 2021-02-17.
    for on_grid in (date(2008, 2, 14), date(2021, 2, 25)):
        assert in_force_on(on_grid, GRID_56).effective_at == midnight(on_grid)
    # A "change notice" issue of the FAA's subscriber data: on the 28-day grid only.
    change_notice = date(2024, 6, 13)
    with pytest.raises(BundleFactsInvalid, match="not on the 56-day grid"):
        validity_for(GRID_56, cycle=None, effective_on=change_notice, lapses_on=None)


@pytest.mark.parametrize(
    "day",
    # "DATES: Effective 0901 UTC, ...": Federal Register 80 FR 42020, 80 FR 57699, 81 FR 27308, 81 FR 65535, 82 FR 45713
    ["2015-08-20", "2015-12-10", "2016-07-21", "2016-11-10", "2017-12-07"],
)
@pytest.mark.parametrize("scheme", [CycleScheme.AIRAC_28, CycleScheme.GRID_56])
def test_rules_effective_at_0901_utc(day: str, scheme: CycleScheme) -> None:
    rule = CycleRule(scheme, time(9, 1))
    effective_at = datetime.fromisoformat(f"{day}T09:01:00+00:00")
    assert cycle_at(rule, effective_at).effective_at == effective_at
    assert cycle_at(rule, effective_at - timedelta(microseconds=1)).lapses_at == effective_at


# --- another implementation: aviconv-core 0.0.3 ----------------------------------------------------------------------


def test_every_day_1998_to_2063_agrees_with_aviconv_core() -> None:
    day, last, days = date(1998, 1, 1), date(2063, 12, 31), 0
    while day <= last:
        theirs = aviconv_core.cycle_for_date(day)
        ours = in_force_on(day)
        assert (ours.cycle, ours.effective_at.date()) == (theirs.identifier, theirs.effective_date)
        day, days = day + DAY, days + 1
    assert days == 24_106


def test_every_identifier_2000_to_2063_agrees_with_aviconv_core() -> None:
    for year in range(2000, 2064):
        for number in range(100):
            identifier = f"{year % 100:02d}{number:02d}"
            try:
                theirs = aviconv_core.cycle_from_identifier(identifier).effective_date
            except ParseError:
                with pytest.raises(BundleFactsInvalid, match=f"There is no cycle {identifier}"):
                    effective_date_of(identifier)
            else:
                assert effective_date_of(identifier) == theirs


def test_aviconv_core_reads_98_as_2098_and_we_as_1998() -> None:
    assert aviconv_core.cycle_from_identifier("9801").effective_date == date(2098, 1, 16)
    assert effective_date_of("9801") == date(1998, 1, 1)
    assert effective_date_of("2098-01") == date(2098, 1, 16)


# --- a reference that is wrong: airac-tools 1.0.11 -------------------------------------------------------------------


def test_airac_tools_knows_no_fourteenth_cycle() -> None:
    # Its number of a cycle never passes 13, so it is no reference around the end of such a year. If this fails, it was
    # mended: use it as a second reference.
    wrong = []
    day = date(1998, 1, 1)
    while day <= date(2063, 12, 31):
        if airac_tools.get_current_cycle(midnight(day)) != in_force_on(day).cycle:
            wrong.append(day)
        day += DAY
    starts = (date(1998, 12, 31), date(2020, 12, 31), date(2043, 12, 31))
    assert wrong == [start + number * DAY for start in starts for number in range(28)]
    assert airac_tools.get_current_cycle(midnight(date(2020, 12, 31))) == "2013"  # 2014: Polish AIS, AIRAC page
    with pytest.raises(ValueError, match="Invalid cycle"):
        airac_tools.get_cycle_start_date("2014")
