"""Units, cards and past loads from CSV: every fault is told with its line and column."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

import pytest

from mediaprep.errors import Usage
from mediaprep.lists import Known, ListedCard, parse_hours, read_cards, read_loads, read_units
from mediaprep.model import CycleRule, CycleScheme, DataKind, MediaRule, Validity
from tests.records.builders import CYCLE, NAVIGATION, NOON, OBSTACLE, unit

BASE_MAP = DataKind("base-map", "Base map", CycleRule(CycleScheme.NONE))
NAV_1 = unit()
KNOWN = Known(
    units={("D-TEST", "NAV-1"): replace(NAV_1, kinds=("navigation", "base-map"))},
    kinds={kind.name: kind for kind in (NAVIGATION, OBSTACLE, BASE_MAP)},
    rules={"small": MediaRule("small")},
    cards=frozenset({"C-001"}),
    bundles={"nav-2607": ("navigation", CYCLE)},
)


def places(problems: object) -> list[tuple[int, str]]:
    return [(one.line, one.column) for one in problems]  # type: ignore[attr-defined]


# --- units -----------------------------------------------------------------------------------------------------------


def test_units_are_read_with_several_kinds_and_slots_in_a_cell() -> None:
    text = (
        "aircraft,unit,kinds,rule,slots,software,title\n"
        'D-TEST,NAV-2,navigation; obstacle,small,left|right,4.2,"Navigator, right"\n'
        "OE-NEW,NAV-1,navigation,small,,,\n"
    )
    sheet = read_units(text, KNOWN, "units.csv")
    assert sheet.problems == ()
    first, second = sheet.values
    assert (first.label, first.kinds, first.slots) == ("D-TEST/NAV-2", ("navigation", "obstacle"), ("left", "right"))
    assert (first.software, first.title, first.rule.name, first.position) == ("4.2", "Navigator, right", "small", 1)
    assert (second.label, second.software, second.position) == ("OE-NEW/NAV-1", None, 0)


@pytest.mark.parametrize(
    ("row", "column", "told"),
    [
        ("D-TEST,NAV-1,navigation,small", "unit", "D-TEST/NAV-1 is in the records already"),
        (",NAV-2,navigation,small", "aircraft", "is empty"),
        ("D-TEST,,navigation,small", "unit", "is empty"),
        ("D-TEST,NAV-2,,small", "kinds", "is empty"),
        ("D-TEST,NAV-2,navigation,", "rule", "is empty"),
        ("D-TEST,NAV-2,navigation;charts,small", "kinds", "there is no kind charts"),
        ("D-TEST,NAV-2,navigation,large", "rule", "there is no rule large"),
        ("D/TEST,NAV-2,navigation,small", "aircraft", "'D/TEST' cannot be a name"),
        ("D-TEST,NAV 2,navigation,small", "unit", "'NAV 2' cannot be a name"),
        ("D-TEST,NAV-2,navigation", "", "has 3 cells, and the header has 4"),
        ("D-TEST,NAV-2,navigation,small,x", "", "has 5 cells, and the header has 4"),
    ],
)
def test_a_fault_in_a_unit_is_told_with_its_line_and_column(row: str, column: str, told: str) -> None:
    text = f"aircraft,unit,kinds,rule\nD-TEST,GOOD,navigation,small\n{row}\n"
    sheet = read_units(text, KNOWN, "units.csv")
    assert [one.name for one in sheet.values] == ["GOOD"]
    assert [(one.line, one.column, one.text) for one in sheet.problems if one.column == column] == [(3, column, told)]


def test_every_fault_of_a_list_is_told_at_once() -> None:
    text = "aircraft,unit,kinds,rule\n,NAV-2,charts,large\nD-TEST,X,navigation,small\n\nD-TEST,X,navigation,small\n"
    sheet = read_units(text, KNOWN, "units.csv")
    assert places(sheet.problems) == [(2, "aircraft"), (2, "rule"), (2, "kinds"), (5, "")]
    assert sheet.problems[-1].text == "the same unit stands in line 3"


# --- the file --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "card,capacity\nC-1,8GB\nC-2,\n",
        "\ufeffcard;capacity\r\nC-1;8GB\r\nC-2;\r\n",
        'CARD , "capacity"\n\n C-1 ,8GB\n,\nC-2,""',
    ],
)
def test_what_spreadsheets_make_of_csv_is_read_alike(text: str) -> None:
    sheet = read_cards(text, KNOWN, "cards.csv")
    assert sheet.problems == ()
    assert sheet.values == (ListedCard("C-1", 8 * 10**9, None), ListedCard("C-2", None, None))


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "cards.csv is empty"),
        ("\n\n", "cards.csv is empty"),
        ("capacity\n8GB\n", "the header lacks the column 'card'"),
        ("card,colour\nC-1,red\n", "the header has the unknown column 'colour'"),
        ("card,card\nC-1,C-1\n", "the header has twice 'card'"),
        ('card\nC-1\n"C-2\n', "line 3: this is no CSV"),
    ],
)
def test_what_is_no_list_at_all_is_refused(text: str, told: str) -> None:
    with pytest.raises(Usage) as refused:
        read_cards(text, KNOWN, "cards.csv")
    assert told in str(refused.value)


def test_the_line_told_is_that_of_the_file_where_cells_run_over_several() -> None:
    text = 'aircraft,unit,kinds,rule,title\nD-TEST,A,navigation,small,"two\nlines"\nD-TEST,B,navigation,large,\n'
    assert places(read_units(text, KNOWN, "units.csv").problems) == [(4, "rule")]


@pytest.mark.parametrize(
    ("row", "column"), [("C-001,", "card"), ("C-1,big", "capacity"), ("C 1,", "card"), (",8GB", "card")]
)
def test_a_fault_in_a_card_is_told(row: str, column: str) -> None:
    sheet = read_cards(f"card,capacity\n{row}\n", KNOWN, "cards.csv")
    assert places(sheet.problems) == [(2, column)]
    assert sheet.values == ()


# --- past loads ------------------------------------------------------------------------------------------------------

HEADER = "aircraft,unit,card,kind,accepted,cycle,effective,lapses,bundle,slot,shown_until,hours,note\n"


def test_past_loads_are_read_oldest_first_with_what_the_cycle_means() -> None:
    text = (
        HEADER + "D-TEST,NAV-1,C-001,navigation,2026-06-12T10:00:00Z,2606,,,,left,2026-07-08,1234.5,went well\n"
        "D-TEST,NAV-1,C-001,base-map,2025-03-01,,,,,,,,\n"
    )
    sheet = read_loads(text, KNOWN, "loads.csv", now=NOON)
    assert sheet.problems == ()
    older, newer = sheet.values
    assert (older.kind, older.bundle, older.validity) == ("base-map", "base-map-past", Validity(None, None, None))
    # 2606 takes effect on 2026-06-11: the AIRAC grid, 28 days before 2607 on 2026-07-09
    assert newer.validity == Validity("2606", datetime(2026, 6, 11, tzinfo=UTC), datetime(2026, 7, 9, tzinfo=UTC))
    assert (newer.bundle, newer.slot, newer.aircraft_hours) == ("navigation-2606-past", "left", "1234.5")
    assert (newer.shown_until, newer.note) == (date(2026, 7, 8), "went well")


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("D-TEST,NAV-9,C-001,navigation,2026-06-12,2606,,,,,,,", "unit"),
        ("D-TEST,NAV-1,C-009,navigation,2026-06-12,2606,,,,,,,", "card"),
        ("D-TEST,NAV-1,C-001,charts,2026-06-12,2606,,,,,,,", "kind"),
        ("D-TEST,NAV-1,C-001,obstacle,2026-06-12,2606,,,,,,,", "kind"),
        ("D-TEST,NAV-1,C-001,navigation,,2606,,,,,,,", "accepted"),
        ("D-TEST,NAV-1,C-001,navigation,12.6.2026,2606,,,,,,,", "accepted"),
        ("D-TEST,NAV-1,C-001,navigation,2026-07-02,2606,,,,,,,", "accepted"),
        ("D-TEST,NAV-1,C-001,navigation,2026-06-12,2699,,,,,,,", "cycle"),
        ("D-TEST,NAV-1,C-001,navigation,2026-06-12,,,,,,,,", "cycle"),
        ("D-TEST,NAV-1,C-001,navigation,2026-06-12,2606,2026-13-01,,,,,,", "effective"),
        ("D-TEST,NAV-1,C-001,navigation,2026-06-12,2606,,soon,,,,,", "lapses"),
        ("D-TEST,NAV-1,C-001,navigation,2026-06-12,2606,,,nav-2607,,,,", "bundle"),
        ("D-TEST,NAV-1,C-001,navigation,2026-06-12,2606,,,,middle,,,", "slot"),
        ("D-TEST,NAV-1,C-001,navigation,2026-06-12,2606,,,,,08.07.2026,,", "shown_until"),
        ("D-TEST,NAV-1,C-001,navigation,2026-06-12,2606,,,,,,12:30,", "hours"),
    ],
)
def test_a_fault_in_a_past_load_is_told(row: str, column: str) -> None:
    sheet = read_loads(HEADER + row + "\n", KNOWN, "loads.csv", now=NOON)
    assert (2, column) in places(sheet.problems)
    assert sheet.values == ()


def test_a_bundle_that_is_known_is_used_and_two_rows_must_agree_about_a_new_one() -> None:
    text = (
        HEADER + "D-TEST,NAV-1,C-001,navigation,2026-06-12,2607,,,nav-2607,,,,\n"
        "D-TEST,NAV-1,C-001,navigation,2026-05-12,2605,,,mine,,,,\n"
        "D-TEST,NAV-1,C-001,navigation,2026-06-12,2606,,,mine,,,,\n"
    )
    sheet = read_loads(text, KNOWN, "loads.csv", now=NOON)
    assert [one.bundle for one in sheet.values] == ["mine", "nav-2607"]
    assert places(sheet.problems) == [(4, "bundle")]


@pytest.mark.parametrize("text", ["0", "1234.5", "999999.99"])
def test_hours_are_kept_as_written(text: str) -> None:
    assert parse_hours(text) == text


@pytest.mark.parametrize("text", ["-1", "1,5", "1.234", "1e3", "", "\u0661"])
def test_what_is_no_reading_of_hours_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a number of hours"):
        parse_hours(text)
