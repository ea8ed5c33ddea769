"""What is entered from lists, and what becomes of it."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, timedelta

import pytest

from mediaprep.errors import NotFound, RecordExists
from mediaprep.lists import ListedCard, PastLoad
from mediaprep.model import Aircraft, LoadState
from mediaprep.records import Store
from mediaprep.records.cards import UNSEEN
from mediaprep.status import panel_status
from tests.records.builders import CYCLE, NOON, panel, taken_in, unit

LATER = NOON + timedelta(days=1)


def past(**changes: object) -> PastLoad:
    made: dict[str, object] = {
        "aircraft": "D-TEST",
        "unit": "NAV-1",
        "slot": "left",
        "card": "C-001",
        "bundle": "navigation-2607-past",
        "kind": "navigation",
        "validity": CYCLE,
        "accepted_at": NOON - timedelta(days=3),
        "shown_until": date(2026, 8, 5),
        "aircraft_hours": "99.5",
        "note": "from the old list",
        **changes,
    }
    return PastLoad(**made)  # type: ignore[arg-type]


def test_units_come_in_with_aircraft_that_are_new(store: Store) -> None:
    panel(store)
    store.import_units([unit("NAV-2"), unit("NAV-1", aircraft="OE-NEW")])
    assert store.aircraft_list() == (Aircraft("D-TEST", "Our test aircraft"), Aircraft("OE-NEW"))
    assert [one.label for one in store.known_to_lists().units.values()] == [
        "D-TEST/NAV-1",
        "D-TEST/NAV-2",
        "OE-NEW/NAV-1",
    ]
    assert store.unit("OE-NEW", "NAV-1").slots == ("left", "right")


@pytest.mark.parametrize(
    "bring",
    [
        lambda store: store.import_units([unit("NAV-2"), unit("NAV-3", kinds=("nothing",))]),
        lambda store: store.import_loads([past(), past(card="C-404")], at=NOON),
    ],
)
def test_a_list_comes_in_whole_or_not_at_all(store: Store, bring: Callable[[Store], None]) -> None:
    panel(store)
    store.import_cards([ListedCard("C-001", None, None)], at=NOON)
    with pytest.raises(NotFound):
        bring(store)
    assert [one.name for one in store.units("D-TEST")] == ["NAV-1"]
    assert store.loads("D-TEST") == ()
    assert store.log("D-TEST") == ()
    assert store.bundles() == ()


def test_a_past_load_counts_and_its_entry_says_that_it_was_imported(store: Store) -> None:
    units = panel(store)
    store.import_cards([ListedCard("C-001", None, None)], at=NOON)
    (load,) = store.import_loads([past()], at=NOON)
    assert (load.state, load.receipt, load.slot) == (LoadState.ACCEPTED, None, "left")
    assert (load.events[0].at, load.events[0].reason) == (NOON - timedelta(days=3), "from the old list")
    status = panel_status("D-TEST", units, store.kinds(), store.loads("D-TEST"), NOON + timedelta(days=10))
    assert status.kinds[0].load == load
    (entry,) = store.log("D-TEST")
    body = json.loads(entry.body)
    assert (body["kind"], body["at"], body["accepted_at"]) == (
        "imported",
        "2026-07-01T12:00:00Z",
        "2026-06-28T12:00:00Z",
    )
    assert (body["shown_until"], body["aircraft_hours"], body["receipt"]) == ("2026-08-05", "99.5", None)
    store.verify_log("D-TEST", entry.sha256)


def test_the_bundle_of_a_past_load_has_no_files_and_stands_for_all_loads_of_that_set(store: Store) -> None:
    panel(store, unit("NAV-1"), unit("NAV-2"))
    store.import_cards([ListedCard("C-001", None, None)], at=NOON)
    store.import_loads([past(), past(unit="NAV-2")], at=NOON)
    (bundle,) = store.bundles()
    assert (bundle.name, bundle.file_count, bundle.total_bytes) == ("navigation-2607-past", 0, 0)
    assert store.manifest(bundle.name).entries == ()


def test_a_past_load_of_a_bundle_that_is_here_is_of_that_bundle(store: Store) -> None:
    panel(store)
    taken_in(store)
    store.import_cards([ListedCard("C-001", None, None)], at=NOON)
    (load,) = store.import_loads([past(bundle="nav-2607")], at=NOON)
    assert load.bundle == "nav-2607"
    assert len(store.bundles()) == 1


def test_a_card_from_a_list_is_the_one_that_is_first_written_under_its_name(store: Store) -> None:
    store.import_cards([ListedCard("SPARE", 8_000_000_000, NOON - timedelta(days=400))], at=NOON)
    listed = store.card("SPARE")
    assert (listed.identity, listed.first_seen_at) == (UNSEEN + "SPARE", NOON - timedelta(days=400))
    assert store.recognise("sd:1") is None
    made = store.register_card("SPARE", identity="sd:1", simulated=True, capacity_bytes=4_000, at=LATER)
    assert store.recognise("sd:1") == made == store.card("SPARE")
    assert len(store.cards()) == 1
    with pytest.raises(RecordExists, match="SPARE"):
        store.register_card("SPARE", identity="sd:2", simulated=True, capacity_bytes=4_000, at=LATER)


def test_a_card_from_a_list_that_was_retired_does_not_come_back(store: Store) -> None:
    store.import_cards([ListedCard("SPARE", None, None)], at=NOON)
    store.retire_card("SPARE", at=LATER)
    with pytest.raises(RecordExists, match="SPARE"):
        store.register_card("SPARE", identity="sd:1", simulated=True, capacity_bytes=4_000, at=LATER)
