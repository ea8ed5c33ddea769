from __future__ import annotations

from dataclasses import replace
from datetime import time

import pytest

from mediaprep.errors import NotFound, RecordExists, Usage
from mediaprep.model import (
    Aircraft,
    CycleRule,
    CycleScheme,
    DataKind,
    Family,
    FileSystem,
    MediaRule,
    PartitionTable,
)
from mediaprep.records import Store
from tests.records.builders import panel, unit

FULL_RULE = MediaRule(
    name="nav-cards",
    source="Installation manual, section 3.4",
    capacity_bytes_min=2 * 10**9,
    capacity_bytes_max=2**40,
    families=(Family.SDHC, Family.SDSC),
    file_systems=(FileSystem.FAT32, FileSystem.EXFAT),
    cluster_bytes=(32768, 4096),
    partition_tables=(PartitionTable.MBR, PartitionTable.NONE),
    foreign_files_allowed=False,
    software_with_data_allowed=False,
)
BAD_NAMES = ["", " ", "A/B", " A", "A ", "A\nB", "A\x1b[2J"]


def test_aircraft_are_kept_by_name(store: Store) -> None:
    store.add_aircraft(Aircraft("OE-TST", "Second"))
    store.add_aircraft(Aircraft("D-TEST"))
    assert store.aircraft_list() == (Aircraft("D-TEST", ""), Aircraft("OE-TST", "Second"))
    with pytest.raises(RecordExists, match="D-TEST"):
        store.add_aircraft(Aircraft("D-TEST", "Again"))


@pytest.mark.parametrize("name", BAD_NAMES)
def test_a_name_that_could_not_be_typed_again_is_refused(store: Store, name: str) -> None:
    panel(store)
    for attempt in (
        lambda: store.add_aircraft(Aircraft(name)),
        lambda: store.add_unit(unit(name)),
        lambda: store.save_rule(MediaRule(name)),
        lambda: store.save_kind(DataKind(name, "", CycleRule(CycleScheme.NONE))),
    ):
        with pytest.raises(Usage, match="cannot be the name"):
            attempt()


def test_a_rule_comes_back_as_it_was_given_and_may_be_replaced(store: Store) -> None:
    store.save_rule(FULL_RULE)
    assert store.rule("nav-cards") == FULL_RULE
    looser = MediaRule("nav-cards", "Letter from the maker")
    store.save_rule(looser)
    assert store.rule("nav-cards") == looser
    assert [rule.name for rule in store.rules()].count("nav-cards") == 1
    with pytest.raises(NotFound, match="no media rule other"):
        store.rule("other")


def test_a_kind_comes_back_as_it_was_given(store: Store) -> None:
    kind = DataKind("weather-maps", "Weather maps", CycleRule(CycleScheme.EVERY_DAYS, time(9, 1), 14))
    store.save_kind(kind)
    assert store.kinds()["weather-maps"] == kind
    changed = replace(kind, cycle_rule=CycleRule(CycleScheme.AIRAC_28, time(0, 0)))
    store.save_kind(changed)
    assert store.kinds()["weather-maps"] == changed


def test_a_unit_comes_back_as_it_was_given(store: Store) -> None:
    store.save_rule(FULL_RULE)
    given = unit(rule=FULL_RULE, software="3.21", position=4, kinds=("obstacle", "navigation"))
    (made,) = panel(store, given)
    assert made == given
    assert store.unit("D-TEST", "NAV-1") == given


def test_a_unit_follows_its_rule_when_that_is_replaced(store: Store) -> None:
    panel(store, unit(rule=store.rule("example-any-card")))
    changed = MediaRule("example-any-card", "Manual", capacity_bytes_max=4 * 10**9)
    store.save_rule(changed)
    assert store.unit("D-TEST", "NAV-1").rule == changed


def test_a_unit_is_changed_as_a_whole(store: Store) -> None:
    (made,) = panel(store)
    changed = replace(
        made, title="New", software="4.0", kinds=("charts",), slots=("bottom",), position=9, rule=store.rules()[-1]
    )
    assert store.update_unit(changed) == changed
    assert store.unit("D-TEST", "NAV-1") == changed


def test_units_stand_in_the_order_of_the_panel(store: Store) -> None:
    panel(store, unit("B", position=2), unit("C", position=1), unit("A", position=2))
    assert [each.name for each in store.units("D-TEST")] == ["C", "A", "B"]


def test_a_unit_needs_what_it_refers_to(store: Store) -> None:
    (made,) = panel(store)
    for wrong, match in (
        (unit(aircraft="D-NONE"), "no aircraft D-NONE"),
        (unit("NEW", rule=MediaRule("nowhere")), "no media rule nowhere"),
        (unit("NEW", kinds=("navigation", "tides")), "no data kind tides"),
    ):
        with pytest.raises(NotFound, match=match):
            store.add_unit(wrong)
    assert [each.name for each in store.units("D-TEST")] == ["NAV-1"], "a refused unit leaves nothing half"
    with pytest.raises(NotFound, match="tides"):
        store.update_unit(replace(made, slots=(), kinds=("tides",)))
    assert store.unit("D-TEST", "NAV-1") == replace(made, rule=store.rule("example-any-card"))
    with pytest.raises(NotFound, match="no unit NAV-2"):
        store.update_unit(unit("NAV-2"))
    with pytest.raises(RecordExists, match="NAV-1"):
        store.add_unit(unit())


def test_a_unit_is_found_by_its_label_or_by_its_name_where_that_is_enough(store: Store) -> None:
    panel(store, unit("NAV-1"), unit("NAV-2"))
    store.add_aircraft(Aircraft("OE-TST"))
    store.add_unit(unit("NAV-1", aircraft="OE-TST"))
    assert store.find_unit("NAV-2").label == "D-TEST/NAV-2"
    assert store.find_unit("OE-TST/NAV-1").label == "OE-TST/NAV-1"
    with pytest.raises(Usage, match="D-TEST/NAV-1, OE-TST/NAV-1"):
        store.find_unit("NAV-1")
    with pytest.raises(NotFound, match="NAV-3"):
        store.find_unit("NAV-3")
    with pytest.raises(NotFound, match="OE-TST has no unit NAV-2"):
        store.find_unit("OE-TST/NAV-2")
    with pytest.raises(NotFound, match="no aircraft"):
        store.units("D-NONE")
