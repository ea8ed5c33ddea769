"""Entries that say more: corrections, retired cards, what a unit showed and the aircraft's hours."""

from __future__ import annotations

import json
from datetime import date, timedelta

import pytest

from mediaprep.errors import NotFound, Usage
from mediaprep.model import Aircraft
from mediaprep.records import Store
from tests.records.builders import NOON, card, panel, taken_in, unit, written

LATER = NOON + timedelta(hours=1)


def bodies(store: Store, aircraft: str = "D-TEST") -> list[dict[str, object]]:
    return [json.loads(entry.body) for entry in store.log(aircraft)]


def test_a_correction_is_a_new_entry_that_names_the_old_one_by_number_and_digest(store: Store) -> None:
    (nav,) = panel(store)
    written(store, card(store), taken_in(store), nav)
    (first,) = store.log("D-TEST")
    entry = store.correct_log("D-TEST", 1, "it was card C-002", at=LATER)
    assert store.log("D-TEST") == (first, entry)
    body = json.loads(entry.body)
    assert (body["kind"], body["corrects"], body["reason"]) == ("corrected", 1, "it was card C-002")
    assert body["corrects_sha256"] == first.sha256
    store.verify_log("D-TEST", entry.sha256)
    # a correction may itself be corrected
    assert json.loads(store.correct_log("D-TEST", 2, "no, C-001", at=LATER).body)["corrects"] == 2


@pytest.mark.parametrize(
    ("aircraft", "number", "text", "error"),
    [
        ("D-TEST", 2, "x", NotFound),
        ("D-TEST", 0, "x", NotFound),
        ("D-NONE", 1, "x", NotFound),
        ("D-TEST", 1, " ", Usage),
    ],
)
def test_only_an_entry_that_is_there_is_corrected_and_with_words(
    store: Store, aircraft: str, number: int, text: str, error: type[Exception]
) -> None:
    (nav,) = panel(store)
    written(store, card(store), taken_in(store), nav)
    with pytest.raises(error):
        store.correct_log(aircraft, number, text, at=LATER)
    assert len(store.log("D-TEST")) == 1


def test_what_the_unit_showed_goes_with_the_loads_of_its_kind(store: Store) -> None:
    (nav,) = panel(store)
    written(store, card(store), taken_in(store), nav)
    loads = store.install("C-001", nav, None, at=LATER)
    shown = {"navigation": date(2026, 8, 5), "obstacle": date(2026, 9, 1)}
    store.accept(loads, at=LATER, shown_until=shown, aircraft_hours="1234.5")
    accepted = bodies(store)[-1]
    assert (accepted["kind"], accepted["shown_until"], accepted["aircraft_hours"]) == (
        "accepted",
        "2026-08-05",
        "1234.5",
    )
    assert "shown_until" not in bodies(store)[-2], "what is not said is not in the entry"


def test_a_retired_card_is_told_once_to_each_aircraft_it_served(store: Store) -> None:
    (nav,) = panel(store)
    store.add_aircraft(Aircraft("OE-TST"))
    other = store.add_unit(unit(aircraft="OE-TST"))
    store.add_aircraft(Aircraft("OE-NONE"))
    what, made = taken_in(store), card(store)
    written(store, made, what, nav)
    written(store, made, what, other)
    for _ in range(2):
        store.retire_card("C-001", at=LATER, reason="corner broken")
    for aircraft in ("D-TEST", "OE-TST"):
        told = [body for body in bodies(store, aircraft) if body["kind"] == "retired"]
        assert [(body["card"], body["reason"]) for body in told] == [("C-001", "corner broken")]
        store.verify_log(aircraft)
    assert bodies(store, "OE-NONE") == []
