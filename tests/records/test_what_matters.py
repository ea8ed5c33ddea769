"""What the status of a panel is told from: few loads, whatever the history, and the same status as from all of it."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

import pytest

from mediaprep.errors import NotFound
from mediaprep.model import Aircraft, Bundle, Currency, Load, LoadState, PanelStatus, Validity
from mediaprep.records import Store
from mediaprep.status import due, fleet_status, panel_status
from mediaprep.tracking import fleet_at, panel_at
from tests.records.builders import NOON, bundle, card, panel, taken_in, unit, written

DAY = timedelta(days=1)


def cycle(number: int) -> Bundle:
    start = datetime(2026, 7, 9, tzinfo=UTC) + number * 28 * DAY
    return bundle(f"nav-{number}", validity=Validity(f"C{number}", start, start + 28 * DAY))


def carried(store: Store, number: int, at: datetime) -> Load:
    """Write a cycle to the card and put it into the unit."""
    written(store, store.cards()[0], taken_in(store, cycle(number)), unit())
    (load,) = store.install(store.cards()[0].name, unit(), None, at=at)
    return load


def states(loads: Iterable[Load]) -> list[tuple[str, LoadState]]:
    return [(load.bundle, load.state) for load in loads]


def from_everything(store: Store, at: datetime) -> PanelStatus:
    units = store.units("D-TEST")
    return panel_status("D-TEST", units, store.kinds(), store.loads("D-TEST"), at)


@pytest.fixture
def history(store: Store) -> list[datetime]:
    """Three cycles accepted, one ahead of its time, then one rejected and one superseded on the way."""
    panel(store)
    card(store, "C-1")
    start = datetime(2026, 7, 9, tzinfo=UTC)
    for number, at in ((0, start + DAY), (1, start + 20 * DAY), (2, start + 60 * DAY)):
        store.accept([carried(store, number, at - DAY / 2)], at=at)
    store.reject([carried(store, 3, start + 70 * DAY)], at=start + 71 * DAY, reason="card not readable")
    carried(store, 4, start + 75 * DAY)
    store.accept([carried(store, 5, start + 80 * DAY)], at=start + 81 * DAY)
    return [
        start + days * DAY for days in (-1, 0.7, 1, 19.7, 20, 27, 28, 56, 59.7, 60, 70.5, 71, 80, 81, 139, 140, 168)
    ]


def test_the_status_is_the_same_from_what_matters_as_from_everything(store: Store, history: list[datetime]) -> None:
    for at in history:
        whole = from_everything(store, at)
        assert panel_at(store, "D-TEST", at) == whole, at
        (of_fleet,) = fleet_at(store, at)
        assert [(one.unit, one.kind, one.currency, one.lapses_at) for one in of_fleet.kinds] == [
            (one.unit, one.kind, one.currency, one.lapses_at) for one in whole.kinds
        ], at
        assert (of_fleet.split_kinds, of_fleet.next_step and of_fleet.next_step.doing) == (
            whole.split_kinds,
            whole.next_step and whole.next_step.doing,
        ), at


def test_a_load_stops_mattering_when_another_takes_its_place(store: Store, history: list[datetime]) -> None:
    assert len(store.loads("D-TEST")) == 6
    late = store.loads_that_matter("D-TEST", history[-1])
    assert states(late) == [("nav-5", LoadState.ACCEPTED)]
    assert len(late[0].events) == 3
    # On day 82 the third cycle is in force and the sixth, ahead of its time, will follow; nothing else counts.
    start = datetime(2026, 7, 9, tzinfo=UTC)
    assert [load.bundle for load in store.loads_that_matter("D-TEST", start + 82 * DAY)] == ["nav-2", "nav-5"]


def test_over_a_fleet_each_load_comes_with_the_step_that_counts(store: Store, history: list[datetime]) -> None:
    start = datetime(2026, 7, 9, tzinfo=UTC)
    at_the_time = {load.bundle: load for load in store.loads_of_the_fleet(start + 70.5 * DAY)}
    assert at_the_time["nav-3"].state is LoadState.INSTALLED, "it was rejected only later"
    assert at_the_time["nav-2"].state is LoadState.ACCEPTED
    assert all(len(load.events) == 1 for load in at_the_time.values())


def test_a_clock_that_was_set_back_does_not_hide_what_the_unit_holds(store: Store) -> None:
    panel(store)
    card(store, "C-1")
    start = datetime(2026, 7, 9, tzinfo=UTC)
    store.accept([carried(store, 0, start + 3 * DAY)], at=start + 4 * DAY)
    store.accept([carried(store, 0 + 10, start + DAY)], at=start + 2 * DAY)
    for days in (1, 2, 3, 4, 20, 300):
        assert panel_at(store, "D-TEST", start + days * DAY) == from_everything(store, start + days * DAY), days


def test_all_aircraft_are_asked_at_once(store: Store) -> None:
    panel(store, unit("NAV-1"), unit("NAV-2"))
    store.add_aircraft(Aircraft("D-OTHER"))
    store.add_aircraft(Aircraft("D-EMPTY"))
    store.add_unit(unit("GPS", "D-OTHER", kinds=("navigation",)))
    card(store, "C-1")
    store.accept([carried(store, 0, NOON)], at=NOON)
    assert [one.label for one in store.all_units()] == ["D-OTHER/GPS", "D-TEST/NAV-1", "D-TEST/NAV-2"]
    panels = fleet_at(store, datetime(2026, 7, 10, tzinfo=UTC))
    assert [one.aircraft for one in panels] == ["D-OTHER", "D-TEST"]
    held = {(one.unit, one.kind): one.currency for one in panels[1].kinds}
    assert held["NAV-1", "navigation"] is Currency.CURRENT
    assert len(due(panels[1].kinds, NOON)) == 3
    assert fleet_status((), {}, (), NOON) == []


def test_of_an_unknown_aircraft_nothing_is_told(store: Store) -> None:
    with pytest.raises(NotFound):
        store.loads_that_matter("D-NONE", NOON)
