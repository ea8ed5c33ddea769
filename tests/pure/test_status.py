"""Panel status: which load a unit goes by at an instant, when that ends, and what is due."""

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.cycles import validity_for
from mediaprep.model import (
    Currency,
    CycleRule,
    CycleScheme,
    DataKind,
    KindStatus,
    Load,
    LoadEvent,
    LoadState,
    MediaRule,
    PanelStatus,
    Unit,
    Validity,
)
from mediaprep.status import NOTHING_LOADED, due, panel_status

DAY = timedelta(days=1)
START = datetime(2025, 1, 1, tzinfo=UTC)
ACCEPTED, REJECTED, SUPERSEDED = LoadState.ACCEPTED, LoadState.REJECTED, LoadState.SUPERSEDED
PREPARED, INSTALLED = LoadState.PREPARED, LoadState.INSTALLED

AIRAC = CycleRule(CycleScheme.AIRAC_28)
KINDS = {
    "navigation": DataKind("navigation", "Navigation", AIRAC),
    "terrain": DataKind("terrain", "Terrain", CycleRule(CycleScheme.NONE)),
}


def day(number: float) -> datetime:
    """An instant by its number of days after the start of 2025."""
    return START + number * DAY


def unit(name: str = "display-1", kinds: tuple[str, ...] = ("navigation",), aircraft: str = "ALPHA") -> Unit:
    return Unit(name, aircraft, name.title(), ("top",), kinds, MediaRule("any"))


def load(
    number: int,
    span: tuple[float | None, float | None],
    *events: tuple[LoadState, float],
    unit_name: str = "display-1",
    kind: str = "navigation",
    cycle: str | None = "",
    aircraft: str = "ALPHA",
) -> Load:
    """A load of a set in force from one day until another. Its cycle is named after its number unless another is."""
    effective, lapses = (None if end is None else day(end) for end in span)
    return Load(
        number=number,
        aircraft=aircraft,
        unit=unit_name,
        slot=None,
        card=f"card-{number}",
        bundle=f"bundle-{number}",
        kind=kind,
        validity=Validity(f"C{number}" if cycle == "" else cycle, effective, lapses),
        receipt=f"R-{number}",
        simulated=False,
        events=tuple(LoadEvent(state, day(at)) for state, at in events),
    )


def accepted(number: int, since: float, span: tuple[float | None, float | None], **more: str | None) -> Load:
    return load(number, span, (PREPARED, since - 2), (INSTALLED, since - 1), (ACCEPTED, since), **more)


def status_of(loads: Iterable[Load], at: float, soon_days: int = 7) -> KindStatus:
    panel = panel_status("ALPHA", [unit()], KINDS, tuple(loads), day(at), soon_days=soon_days)
    (status,) = panel.kinds
    return status


def summary(status: KindStatus) -> tuple[Currency, int | None, int | None, float | None]:
    """Currency, number of the load, number of the next one, and day of the lapse."""
    return (
        status.currency,
        status.load.number if status.load else None,
        status.next_load.number if status.next_load else None,
        (status.lapses_at - START) / DAY if status.lapses_at else None,
    )


# --- one load --------------------------------------------------------------------------------------------------------


def test_a_unit_without_a_load_holds_nothing() -> None:
    assert status_of([], 10) == KindStatus("display-1", "navigation", Currency.NOTHING_LOADED, None, None, None)


@pytest.mark.parametrize(
    ("at", "currency"),
    [
        (5, Currency.NOTHING_LOADED),
        (9.999, Currency.UNKNOWN),  # it was put in on day 9
        (10, Currency.CURRENT),
        (30.999, Currency.CURRENT),
        (31, Currency.LAPSES_SOON),
        (37.999, Currency.LAPSES_SOON),
        (38, Currency.LAPSED),
        (400, Currency.LAPSED),
    ],
)
def test_an_accepted_load_holds_from_its_acceptance_and_lapses_at_the_very_instant(
    at: float, currency: Currency
) -> None:
    assert status_of([accepted(1, 10, (10, 38))], at).currency is currency


def test_a_load_accepted_late_counts_from_its_acceptance() -> None:
    assert [status_of([accepted(1, 20, (10, 38))], at).currency for at in (15, 20)] == [
        Currency.NOTHING_LOADED,
        Currency.CURRENT,
    ]


def test_a_load_accepted_ahead_counts_from_its_effective_instant() -> None:
    loads = [accepted(1, 5, (10, 38))]
    assert summary(status_of(loads, 9.999)) == (Currency.NOT_YET, 1, None, 38)
    assert summary(status_of(loads, 10)) == (Currency.CURRENT, 1, None, 38)


def test_how_soon_is_soon_is_the_caller_s_choice() -> None:
    loads = [accepted(1, 10, (10, 38))]
    assert [status_of(loads, 28, soon_days=days).currency for days in (9, 10)] == [
        Currency.CURRENT,
        Currency.LAPSES_SOON,
    ]


def test_a_set_that_never_lapses_has_no_expiry() -> None:
    assert summary(status_of([accepted(1, 10, (None, None))], 5000)) == (Currency.NO_EXPIRY, 1, None, None)


@pytest.mark.parametrize("state", [PREPARED, REJECTED, SUPERSEDED])
def test_only_accepted_loads_hold(state: LoadState) -> None:
    assert status_of([load(1, (0, 50), (PREPARED, 1), (state, 2))], 10).currency is Currency.NOTHING_LOADED


@pytest.mark.parametrize("state", [REJECTED, SUPERSEDED])
def test_a_load_holds_only_while_its_history_says_so(state: LoadState) -> None:
    loads = [load(1, (0, 50), (PREPARED, 1), (INSTALLED, 2), (ACCEPTED, 3), (state, 20))]
    assert [status_of(loads, at).currency for at in (0, 2, 3, 19.999, 20, 30)] == [
        Currency.NOTHING_LOADED,
        Currency.UNKNOWN,
        Currency.CURRENT,
        Currency.CURRENT,
        Currency.NOTHING_LOADED,
        Currency.NOTHING_LOADED,
    ]


# --- several loads ---------------------------------------------------------------------------------------------------


def test_a_newer_load_in_force_takes_the_place_of_the_older_at_once() -> None:
    loads = [accepted(1, 5, (0, 50)), accepted(2, 10, (0, 40))]
    assert [summary(status_of(loads, at))[1:] for at in (9.999, 10)] == [(1, None, 50), (2, None, 40)]


def test_going_back_to_a_lapsed_cycle_shows_as_lapsed() -> None:
    loads = [accepted(1, 5, (0, 50)), accepted(2, 30, (-28, 0))]
    assert summary(status_of(loads, 31)) == (Currency.LAPSED, 2, None, 0)


def test_a_load_ahead_leaves_the_earlier_one_in_force_until_its_own_time() -> None:
    loads = [accepted(1, 10, (10, 38)), accepted(2, 34, (38, 66))]
    assert summary(status_of(loads, 33)) == (Currency.LAPSES_SOON, 1, None, 38)
    assert summary(status_of(loads, 34)) == (Currency.CURRENT, 1, 2, 66)
    assert summary(status_of(loads, 38)) == (Currency.CURRENT, 2, None, 66)
    assert summary(status_of(loads, 60)) == (Currency.LAPSES_SOON, 2, None, 66)


def test_a_gap_before_the_next_load_is_not_covered() -> None:
    loads = [accepted(1, 10, (10, 38)), accepted(2, 20, (40, 66))]
    assert summary(status_of(loads, 25)) == (Currency.CURRENT, 1, 2, 38)
    assert summary(status_of(loads, 39)) == (Currency.LAPSED, 1, 2, 38)
    assert summary(status_of(loads, 40)) == (Currency.CURRENT, 2, None, 66)


def test_loads_ahead_follow_each_other_as_far_as_they_join() -> None:
    loads = [accepted(1, 1, (0, 10)), accepted(2, 2, (10, 20)), accepted(3, 3, (20, 30)), accepted(4, 4, (31, 40))]
    assert summary(status_of(loads, 5)) == (Currency.CURRENT, 1, 2, 30)
    assert summary(status_of(loads[1:], 5)) == (Currency.NOT_YET, 2, 3, 30)


def test_a_load_ahead_may_end_what_never_lapses() -> None:
    loads = [accepted(1, 1, (None, None)), accepted(2, 2, (10, 20))]
    assert summary(status_of(loads, 5)) == (Currency.CURRENT, 1, 2, 20)
    loads = [accepted(1, 1, (0, 10)), accepted(2, 2, (10, None))]
    assert summary(status_of(loads, 5)) == (Currency.NO_EXPIRY, 1, 2, None)


def test_a_load_ahead_that_was_overwritten_since_does_not_come_into_force() -> None:
    loads = [accepted(1, 1, (20, 48)), accepted(2, 5, (0, 40))]
    assert summary(status_of(loads, 6)) == (Currency.CURRENT, 2, None, 40)
    assert summary(status_of(loads, 45)) == (Currency.LAPSED, 2, None, 40)
    loads = [accepted(1, 1, (20, 48)), accepted(2, 5, (10, 40))]
    assert summary(status_of(loads, 6)) == (Currency.NOT_YET, 2, None, 40)
    assert summary(status_of(loads, 25)) == (Currency.CURRENT, 2, None, 40)


def test_of_two_loads_ahead_that_begin_at_one_instant_the_one_accepted_last_follows() -> None:
    loads = [accepted(1, 1, (0, 10)), accepted(2, 2, (10, 20)), accepted(3, 3, (10, 25))]
    assert summary(status_of(loads, 5)) == (Currency.CURRENT, 1, 3, 25)


def test_of_two_acceptances_at_one_instant_the_later_load_counts() -> None:
    loads = [accepted(2, 5, (0, 40)), accepted(1, 5, (0, 50))]
    assert status_of(loads, 6).load.number == status_of(loads[::-1], 6).load.number == 2


def test_a_rejected_load_leaves_the_one_before_in_force() -> None:
    loads = [accepted(1, 5, (0, 50)), load(2, (0, 60), (PREPARED, 6), (INSTALLED, 7), (REJECTED, 8))]
    assert status_of(loads, 10).load.number == 1


# --- against a plain model of a unit ---------------------------------------------------------------------------------

spans = st.tuples(st.integers(0, 20), st.integers(1, 12)).map(lambda drawn: (drawn[0], drawn[0] + drawn[1]))
histories = st.lists(st.tuples(st.integers(0, 20), spans), max_size=5).map(
    lambda drawn: [accepted(number, since, span) for number, (since, span) in enumerate(sorted(drawn), start=1)]
)


def held_by_a_plain_unit(loads: list[Load], at: float) -> Load | None:
    """What a unit goes by: of what was loaded and has begun, what was loaded last."""
    begun = [one for one in loads if one.events[-1].at <= day(at) and one.validity.effective_at <= day(at)]
    return max(begun, key=lambda one: (one.events[-1].at, one.number), default=None)


@given(histories, st.integers(0, 40))
def test_status_agrees_with_a_plain_unit_followed_day_by_day(loads: list[Load], at: int) -> None:
    status = status_of(loads, at)
    held = held_by_a_plain_unit(loads, at)
    if held is None:
        assert status.currency in {Currency.NOT_YET, Currency.NOTHING_LOADED, Currency.UNKNOWN}
        return
    assert status.load == held
    assert (status.currency is Currency.LAPSED) is (held.validity.lapses_at <= day(at))
    # The instant from which nothing covers the kind, if nothing is accepted after `at`: days are the finest step here.
    known = [one for one in loads if one.events[-1].at <= day(at)]
    covered = at
    while day(covered) < held_by_a_plain_unit(known, covered).validity.lapses_at:
        covered += 1
    if covered > at:
        assert status.lapses_at == day(covered)
    else:
        assert status.lapses_at == held.validity.lapses_at
    later = {held_by_a_plain_unit(known, after).number for after in range(at, 60)} - {held.number}
    assert (status.next_load is not None) is bool(later)
    assert status.next_load is None or status.next_load.number in later


# --- panels ----------------------------------------------------------------------------------------------------------


def test_a_panel_lists_every_unit_and_kind_in_order_and_nothing_of_other_aircraft() -> None:
    units = [
        unit("display-2", ("terrain", "navigation")),
        unit("display-1", ("navigation", "charts")),
        unit("display-1", ("navigation",), aircraft="BRAVO"),
    ]
    loads = [
        accepted(1, 5, (0, 50)),
        accepted(2, 6, (0, 60), aircraft="BRAVO"),
        accepted(3, 7, (None, None), unit_name="display-2", kind="terrain"),
        accepted(4, 7, (0, 50), kind="charts"),
    ]
    panel = panel_status("ALPHA", units, KINDS, loads, day(10))
    assert (panel.aircraft, panel.at) == ("ALPHA", day(10))
    assert [(one.unit, one.kind, one.load.number if one.load else None) for one in panel.kinds] == [
        ("display-2", "terrain", 3),
        ("display-2", "navigation", None),
        ("display-1", "navigation", 1),
    ]


def split(loads: Iterable[Load], at: float = 10) -> PanelStatus:
    units = [unit("display-1"), unit("display-2"), unit("navigator", ("terrain",))]
    return panel_status("ALPHA", units, KINDS, tuple(loads), day(at))


def test_units_with_different_cycles_of_a_kind_are_split() -> None:
    loads = [accepted(1, 5, (0, 50), cycle="2501"), accepted(2, 5, (0, 50), unit_name="display-2", cycle="2413")]
    assert split(loads).split_kinds == (("navigation", (("display-1", "2501"), ("display-2", "2413"))),)


def test_units_with_the_same_cycle_are_not_split_even_from_different_bundles() -> None:
    loads = [accepted(1, 5, (0, 50), cycle="2501"), accepted(2, 5, (0, 50), unit_name="display-2", cycle="2501")]
    assert split(loads).split_kinds == ()
    assert split([]).split_kinds == ()


def test_a_unit_that_holds_nothing_differs_from_one_that_holds_something() -> None:
    assert split([accepted(1, 5, (0, 50), cycle="2501")]).split_kinds == (
        ("navigation", (("display-1", "2501"), ("display-2", NOTHING_LOADED))),
    )


def test_a_set_without_a_cycle_goes_by_its_bundle() -> None:
    loads = [accepted(1, 5, (0, 50), cycle=None), accepted(2, 5, (0, 50), unit_name="display-2", cycle=None)]
    assert split(loads).split_kinds == (("navigation", (("display-1", "bundle-1"), ("display-2", "bundle-2"))),)


def test_a_load_ahead_splits_units_only_from_its_effective_instant() -> None:
    loads = [
        accepted(1, 5, (0, 20), cycle="2501"),
        accepted(2, 5, (0, 20), cycle="2501", unit_name="display-2"),
        accepted(3, 8, (20, 40), cycle="2502"),
    ]
    assert split(loads, 19.999).split_kinds == ()
    assert split(loads, 20).split_kinds == (("navigation", (("display-1", "2502"), ("display-2", "2501"))),)


def test_validities_from_a_grid_change_over_without_a_gap() -> None:
    first, second = (validity_for(AIRAC, cycle=cycle, effective_on=None, lapses_on=None) for cycle in ("2501", "2502"))
    loads = [
        load(1, ((first.effective_at - START) / DAY, (first.lapses_at - START) / DAY), (ACCEPTED, 20), cycle="2501"),
        load(2, ((second.effective_at - START) / DAY, (second.lapses_at - START) / DAY), (ACCEPTED, 40), cycle="2502"),
    ]
    assert summary(status_of(loads, 45)) == (Currency.CURRENT, 1, 2, 78)  # 2025-03-20, cycle 2503


# --- due -------------------------------------------------------------------------------------------------------------


def test_due_lists_what_holds_nothing_has_lapsed_or_will_lapse_soonest_first() -> None:
    units = [unit(name) for name in ("far", "soon", "lapsed", "empty", "longer-lapsed", "edge", "ahead")]
    loads = [
        accepted(1, 5, (0, 100), unit_name="far"),
        accepted(2, 5, (0, 40), unit_name="soon"),
        accepted(3, 5, (0, 25), unit_name="lapsed"),
        accepted(4, 5, (0, 20), unit_name="longer-lapsed"),
        accepted(5, 5, (0, 50), unit_name="edge"),
        accepted(6, 5, (0, 40), unit_name="ahead"),
        accepted(7, 6, (40, 68), unit_name="ahead"),
    ]
    kinds = panel_status("ALPHA", units, KINDS, loads, day(30)).kinds
    assert [status.unit for status in due(kinds, before=day(50))] == ["empty", "longer-lapsed", "lapsed", "soon"]
    assert [status.unit for status in due(kinds, before=day(50) + DAY / 86400)] == [
        "empty", "longer-lapsed", "lapsed", "soon", "edge",
    ]  # fmt: skip


def test_what_has_lapsed_is_due_even_before_its_lapse_is_asked_for() -> None:
    status = status_of([accepted(1, 5, (0, 25))], 30)
    assert due([status], before=day(20)) == [status]


def test_what_never_lapses_is_never_due() -> None:
    assert due([status_of([accepted(1, 5, (None, None))], 30)], before=day(10_000)) == []


def test_what_is_loaded_ahead_is_due_when_it_will_have_lapsed() -> None:
    status = status_of([accepted(1, 5, (40, 68))], 30)
    assert status.currency is Currency.NOT_YET
    assert due([status], before=day(68)) == []
    assert due([status], before=day(69)) == [status]
