"""Where bundles are, and which may go: the newest of each kind stay, and so does what is in use."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

import pytest

from mediaprep.errors import NotFound
from mediaprep.library import plan_tidy, require_in_library, whereabouts
from mediaprep.model import (
    Bundle,
    CycleRule,
    CycleScheme,
    DataKind,
    Load,
    LoadEvent,
    LoadState,
    MediaRule,
    Unit,
    Validity,
    Whereabouts,
)

NAVIGATION = DataKind("navigation", "Navigation", CycleRule(CycleScheme.AIRAC_28))
CHARTS = DataKind("charts", "Charts", CycleRule(CycleScheme.DATES))
START = datetime(2026, 1, 22, tzinfo=UTC)
PERIOD = timedelta(days=28)


def unit(name: str = "LEFT") -> Unit:
    return Unit(name, "LARKSPUR", "", (), ("navigation", "charts"), MediaRule("any"))


def bundle(number: int, kind: DataKind = NAVIGATION, units: tuple[tuple[str, str], ...] = ()) -> Bundle:
    """The n-th bundle of a kind: in force from n periods after the start."""
    start = START + number * PERIOD
    validity = Validity(None, start, start + PERIOD)
    return Bundle(f"{kind.name}-{number}", kind, validity, "/x", "folder", "0" * 64, 1, 1, START, units)


def load(number: int, of: Bundle, *states: LoadState, at: datetime, to: str = "LEFT") -> Load:
    events = tuple(LoadEvent(state, at + timedelta(minutes=n)) for n, state in enumerate(states))
    return Load(
        number=number,
        aircraft="LARKSPUR",
        unit=to,
        slot=None,
        card="C-1",
        bundle=of.name,
        kind=of.kind.name,
        validity=of.validity,
        receipt="R-1",
        simulated=True,
        events=events,
    )


ACCEPTED = (LoadState.PREPARED, LoadState.INSTALLED, LoadState.ACCEPTED)


def units_with(bundles: Sequence[Bundle], loads: Sequence[Load], at: datetime) -> dict[str, tuple[str, ...]]:
    found = whereabouts(
        bundles,
        on_cards={},
        units=[unit(), unit("RIGHT")],
        kinds={"navigation": NAVIGATION, "charts": CHARTS},
        loads=loads,
        at=at,
    )
    return {place.bundle: tuple(name for _, name in place.units) for place in found}


def test_a_unit_has_what_it_goes_by_and_what_waits_in_it() -> None:
    one, two, three = (bundle(number) for number in range(3))
    loads = [
        load(1, one, *ACCEPTED, at=START),
        load(2, two, *ACCEPTED, at=START + PERIOD - timedelta(days=5)),
        load(3, two, *ACCEPTED, at=START + PERIOD, to="RIGHT"),
    ]
    bundles = [one, two, three]
    early = units_with(bundles, loads[:2], START + PERIOD - timedelta(days=1))
    assert early == {"navigation-0": ("LEFT",), "navigation-1": ("LEFT",), "navigation-2": ()}
    late = units_with(bundles, loads, START + PERIOD + timedelta(days=1))
    assert late == {"navigation-0": (), "navigation-1": ("LEFT", "RIGHT"), "navigation-2": ()}


def test_a_set_that_lapsed_is_still_what_the_unit_goes_by() -> None:
    one = bundle(0)
    loads = [load(1, one, *ACCEPTED, at=START)]
    assert units_with([one], loads, START + 10 * PERIOD) == {"navigation-0": ("LEFT",)}


@pytest.mark.parametrize(
    ("states", "held"),
    [
        (ACCEPTED[:1], False),
        (ACCEPTED[:2], True),
        ((*ACCEPTED[:2], LoadState.REJECTED), False),
        ((LoadState.PREPARED, LoadState.SUPERSEDED), False),
    ],
)
def test_a_card_that_was_put_in_counts_until_the_unit_answers(states: tuple[LoadState, ...], held: bool) -> None:
    one = bundle(0)
    assert bool(units_with([one], [load(1, one, *states, at=START)], START + PERIOD)["navigation-0"]) is held


def test_cards_are_named_in_order() -> None:
    (place,) = whereabouts(
        [bundle(0)], on_cards={"navigation-0": ["C-2", "C-1"]}, units=[], kinds={}, loads=[], at=START
    )
    assert place == Whereabouts("navigation-0", ("C-1", "C-2"), ())
    assert place.in_use


# --- tidying ---------------------------------------------------------------------------------------------------------


def removed(bundles: Sequence[Bundle], *in_use: str, keep: int = 1, even_in_use: bool = False) -> list[str]:
    places = [Whereabouts(name, ("C-1",), ()) for name in in_use]
    return [one.name for one in plan_tidy(bundles, places, keep=keep, even_in_use=even_in_use).remove]


def test_the_newest_of_each_kind_stay() -> None:
    bundles = [bundle(2), bundle(0), bundle(1), bundle(0, CHARTS)]
    assert removed(bundles, keep=1) == ["navigation-0", "navigation-1"]
    assert removed(bundles, keep=2) == ["navigation-0"]
    assert removed(bundles, keep=3) == []
    assert removed([]) == []


def test_bundles_for_different_units_are_counted_apart() -> None:
    left, right = (("LARKSPUR", "LEFT"),), (("LARKSPUR", "RIGHT"),)
    bundles = [bundle(0, units=left), bundle(1, units=right), bundle(2, units=right), bundle(3)]
    assert removed(bundles) == ["navigation-1"]


def test_what_is_in_use_stays_unless_told_and_does_not_count_as_one_of_the_newest() -> None:
    bundles = [bundle(number) for number in range(3)]
    plan = plan_tidy(bundles, [Whereabouts("navigation-0", (), (("LARKSPUR", "LEFT"),))], keep=1)
    assert [one.name for one in plan.remove] == ["navigation-1"]
    assert [one.name for one in plan.kept_in_use] == ["navigation-0"]
    assert removed(bundles, "navigation-0", even_in_use=True) == ["navigation-0", "navigation-1"]


def test_a_bundle_without_dates_goes_by_when_it_was_taken_in() -> None:
    from dataclasses import replace

    timeless = [
        replace(bundle(0), name=f"map-{n}", validity=Validity(None, None, None), taken_in_at=START + timedelta(days=n))
        for n in (2, 0, 1)
    ]
    assert removed(timeless) == ["map-0", "map-1"]


def test_at_least_one_is_kept() -> None:
    with pytest.raises(ValueError, match="not 0"):
        plan_tidy([], [], keep=0)


def test_a_removed_bundle_is_not_there_to_be_written() -> None:
    from dataclasses import replace

    assert require_in_library(bundle(0)) == bundle(0)
    with pytest.raises(NotFound, match=r"navigation-0 was removed from the library on 2026-01-22"):
        require_in_library(replace(bundle(0), removed_at=START))
