"""What a panel's status leads to: what is unknown, what to do next and until when, trips, and which loads matter."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.model import Currency, Doing, Load, LoadState, NextStep, PanelStatus
from mediaprep.status import due, fleet_status, last_day_before, matter_until, panel_status, trip
from tests.pure.test_status import DAY, KINDS, accepted, day, load, spans, split, status_of, unit

ACCEPTED, REJECTED, SUPERSEDED = LoadState.ACCEPTED, LoadState.REJECTED, LoadState.SUPERSEDED
PREPARED, INSTALLED = LoadState.PREPARED, LoadState.INSTALLED


def panel_of(*loads: Load, at: float, units: int = 1) -> PanelStatus:
    return panel_status("ALPHA", [unit(f"display-{number + 1}") for number in range(units)], KINDS, loads, day(at))


def step_of(*loads: Load, at: float) -> NextStep | None:
    return panel_of(*loads, at=at).next_step


# --- unknown ---------------------------------------------------------------------------------------------------------


def test_a_card_put_in_without_an_answer_leaves_unknown_what_the_unit_holds() -> None:
    put_in = load(1, (0, 50), (PREPARED, 1), (INSTALLED, 2))
    status = status_of([put_in], 10)
    assert (status.currency, status.load, status.waiting, status.lapses_at) == (Currency.UNKNOWN, None, put_in, None)
    assert due([status], before=day(0)) == [status]
    assert split([put_in]).split_kinds == (("navigation", (("display-1", "unknown"), ("display-2", "nothing loaded"))),)


def test_a_card_put_in_without_an_answer_does_not_hide_what_was_accepted_before() -> None:
    put_in = load(2, (0, 60), (PREPARED, 8), (INSTALLED, 9))
    status = status_of([accepted(1, 5, (0, 50)), put_in], 10)
    assert (status.currency, status.load.number, status.waiting) == (Currency.CURRENT, 1, put_in)


# --- what to do next -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("loads", "doing", "number", "last_day"),
    [
        ([], Doing.LOAD, None, None),
        ([load(1, (0, 50), (PREPARED, 1))], Doing.CARRY, 1, None),
        ([load(1, (0, 50), (PREPARED, 1), (INSTALLED, 2))], Doing.ANSWER, 1, None),
        ([load(1, (0, 50), (PREPARED, 1), (INSTALLED, 2), (REJECTED, 3))], Doing.LOAD, None, None),
        # 20 February 2025 is day 50: the last whole day before it is the 19th.
        ([accepted(1, 5, (0, 50))], Doing.LOAD, None, date(2025, 2, 19)),
        ([accepted(1, 5, (0, 50)), load(2, (50, 78), (PREPARED, 9))], Doing.CARRY, 2, date(2025, 2, 19)),
        ([accepted(1, 5, (0, 50)), accepted(2, 6, (50, 78))], Doing.LOAD, None, date(2025, 3, 19)),
        # What is prepared but would not make the cover any longer is not worth the walk.
        ([accepted(1, 5, (0, 50)), load(2, (0, 50), (PREPARED, 9))], Doing.LOAD, None, date(2025, 2, 19)),
        ([load(1, (0, 9), (PREPARED, 1))], Doing.LOAD, None, None),
        ([accepted(1, 5, (0, 8)), load(2, (0, 10), (PREPARED, 6))], Doing.LOAD, None, None),
        ([accepted(1, 5, (0, 8)), load(2, (0, 11), (PREPARED, 6))], Doing.CARRY, 2, None),
        ([accepted(1, 5, (0, 50)), load(2, (None, None), (PREPARED, 9))], Doing.CARRY, 2, date(2025, 2, 19)),
        # Not in force yet, but loaded: the next one is due when this one lapses.
        ([accepted(1, 5, (20, 50))], Doing.LOAD, None, date(2025, 2, 19)),
    ],
)
def test_the_next_step_of_a_kind(loads: list[Load], doing: Doing, number: int | None, last_day: date | None) -> None:
    step = step_of(*loads, at=10)
    assert step is not None
    assert (step.doing, step.load.number if step.load else None, step.last_day) == (doing, number, last_day)


def test_what_never_lapses_asks_for_nothing() -> None:
    assert step_of(accepted(1, 5, (None, None)), at=10) is None
    assert step_of(accepted(1, 5, (None, None)), load(2, (None, None), (PREPARED, 6)), at=10) is None


def test_the_panel_names_its_most_urgent_step() -> None:
    far, near = accepted(1, 5, (0, 90)), accepted(2, 5, (0, 40), unit_name="display-2")
    assert panel_of(far, near, at=10, units=2).next_step.unit == "display-2"
    assert panel_of(far, near, at=10, units=3).next_step.unit == "display-3", "it holds nothing at all"
    answer = load(3, (0, 60), (PREPARED, 1), (INSTALLED, 2), unit_name="display-3")
    assert panel_of(answer, at=10, units=3).next_step.doing is Doing.ANSWER, "a word is sooner said than a card written"


@pytest.mark.parametrize(
    ("hours", "last"),
    [(0, date(2024, 12, 31)), (9, date(2024, 12, 31)), (24, date(2025, 1, 1))],
)
def test_the_last_day_is_whole(hours: int, last: date) -> None:
    assert last_day_before(day(0) + timedelta(hours=hours)) == last


# --- trips -----------------------------------------------------------------------------------------------------------


def units_in(statuses: tuple) -> list[str]:
    return [status.unit for status in statuses]


def test_a_trip_tells_what_is_not_in_force_what_lapses_and_what_changes() -> None:
    loads = [
        accepted(1, 5, (0, 90)),
        accepted(2, 5, (0, 40), unit_name="display-2"),
        accepted(3, 5, (0, 40), unit_name="display-3"),
        accepted(4, 6, (40, 68), unit_name="display-3"),
        accepted(5, 5, (0, 9), unit_name="display-4"),
        accepted(6, 5, (35, 90), unit_name="display-5"),
        accepted(7, 5, (None, None), unit_name="display-6"),
    ]
    found = trip(panel_of(*loads, at=30, units=7), day(45))
    assert (found.start, found.end) == (day(30), day(45))
    assert units_in(found.not_in_force) == ["display-4", "display-5", "display-7"]
    assert units_in(found.lapses) == ["display-2"]
    assert units_in(found.changes) == ["display-3"]


@pytest.mark.parametrize(("end", "lapses"), [(39.999, []), (40, ["display-1"])])
def test_what_lapses_at_the_very_end_of_a_trip_lapses_during_it(end: float, lapses: list[str]) -> None:
    assert units_in(trip(panel_of(accepted(1, 5, (0, 40)), at=30), day(end)).lapses) == lapses


# --- properties ------------------------------------------------------------------------------------------------------

states = st.lists(st.sampled_from([PREPARED, INSTALLED, ACCEPTED, REJECTED, SUPERSEDED]), min_size=1, max_size=4)
open_spans = st.one_of(spans, st.sampled_from([(None, None), (None, 15), (5, None)]))


@st.composite
def histories(draw: st.DrawFn) -> list[Load]:
    """Loads of one kind with any history at all, the clock standing still or stepping back between steps too."""
    made = []
    for number in range(1, draw(st.integers(0, 6)) + 1):
        events = [(state, draw(st.integers(0, 25))) for state in draw(states)]
        made.append(load(number, draw(open_spans), *events))
    return made


@given(histories(), st.integers(-2, 50))
def test_every_instant_has_a_verdict_that_fits_what_it_says(loads: list[Load], at: int) -> None:
    status = status_of(loads, at)
    match status.currency:
        case Currency.NOTHING_LOADED | Currency.UNKNOWN:
            assert (status.load, status.next_load, status.lapses_at) == (None, None, None)
            assert (status.currency is Currency.UNKNOWN) == (
                status.waiting is not None and step_of(*loads, at=at).doing is Doing.ANSWER
            )
        case Currency.NOT_YET:
            assert status.load.validity.effective_at > day(at)
        case Currency.NO_EXPIRY:
            assert status.lapses_at is None
        case Currency.LAPSED:
            assert status.lapses_at <= day(at)
        case Currency.CURRENT | Currency.LAPSES_SOON:
            assert day(at) < status.lapses_at
            assert (status.lapses_at - day(at) <= 7 * DAY) is (status.currency is Currency.LAPSES_SOON)


@given(histories(), st.integers(-2, 50))
def test_the_loads_that_matter_tell_the_same_status_as_all_of_them(loads: list[Load], at: int) -> None:
    until = matter_until(loads)
    mattering = [one for one in loads if until[one.number] is None or until[one.number] > day(at)]
    assert panel_of(*mattering, at=at) == panel_of(*loads, at=at)


def test_of_a_long_history_only_the_ends_matter() -> None:
    history = [accepted(number, 28 * number, (28 * number, 28 * number + 28)) for number in range(1, 40)]
    until = matter_until(history)
    assert [number for number, ended in until.items() if ended is None or ended > day(28 * 39)] == [39]


def test_a_fleet_s_panels_are_those_of_its_aircraft() -> None:
    units = [unit(), unit("display-2"), unit(aircraft="BRAVO")]
    loads = [accepted(1, 5, (0, 50)), accepted(2, 6, (0, 60), aircraft="BRAVO"), accepted(3, 6, (0, 70), aircraft="C")]
    assert fleet_status(units, KINDS, loads, day(10)) == [
        panel_status(name, units, KINDS, loads, day(10)) for name in ("ALPHA", "BRAVO")
    ]
