"""Dates on the command line: what lapses on a trip, visits, pictures and calendars."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from datetime import datetime, timedelta
from pathlib import Path

import icalendar
import pytest

from tests.cli.conftest import Cli, make_bundle


@pytest.fixture
def loaded(panel: Cli, tmp_path: Path) -> Cli:
    """LEFT holds cycle 2601 (2026-01-22 until 2026-02-19), whenever this runs; RIGHT and NAVIGATOR hold nothing."""
    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L").code == 0
    assert panel("install", "C-L", "--in", "LEFT", "--accepted").code == 0
    return panel


def coming(cli: Cli, count: int) -> list[dict[str, str]]:
    """The cycle in force and those after it."""
    found: list[dict[str, str]] = cli("cycles", "--count", str(count), "--json").result["cycles"]
    return found


def load_cycle(cli: Cli, folder: Path, cycle: dict[str, str]) -> None:
    name = f"nav-{cycle['cycle']}"
    files = make_bundle(folder / name, seed=int(cycle["cycle"]))
    assert cli("bundle", "add", files, "--kind", "navigation", "--cycle", cycle["cycle"], "--name", name).code == 0
    assert cli("write", name, "--on", folder / "card", "--for", "LEFT").code == 0
    assert cli("install", "C-L", "--in", "LEFT", "--accepted").code == 0


def pairs(statuses: list[dict[str, object]]) -> set[tuple[object, object]]:
    return {(one["unit"], one["kind"]) for one in statuses}


# --- trips -----------------------------------------------------------------------------------------------------------


def test_a_trip_on_which_something_lapses(loaded: Cli, tmp_path: Path) -> None:
    in_force, *_ = coming(loaded, 1)
    load_cycle(loaded, tmp_path, in_force)
    end = datetime.fromisoformat(in_force["lapses_at"])
    ran = loaded("status", "--to", f"{end:%Y-%m-%d}", "--json")
    assert ran.code == 0
    assert pairs(ran.result["lapses_during"]) == {("LEFT", "navigation")}
    assert pairs(ran.result["not_in_force_at_start"]) >= {("RIGHT", "navigation"), ("NAVIGATOR", "terrain")}
    assert ran.result["changes_during"] == []
    text = loaded("status", "--to", f"{end:%Y-%m-%d}")
    assert "Lapses during the trip: LEFT navigation" in text.out
    assert "authority's rules govern" in text.out.replace("\n", " ")


def test_a_trip_over_a_change_of_cycle_that_is_loaded_ahead(loaded: Cli, tmp_path: Path) -> None:
    in_force, following = coming(loaded, 2)
    load_cycle(loaded, tmp_path, in_force)
    load_cycle(loaded, tmp_path, following)
    day = datetime.fromisoformat(in_force["lapses_at"])
    ran = loaded("status", "--to", f"{day:%Y-%m-%d}", "--json").result
    assert ran["lapses_during"] == []
    assert pairs(ran["changes_during"]) == {("LEFT", "navigation")}
    before = loaded("status", "--to", f"{day - timedelta(seconds=1):%Y-%m-%dT%H:%M:%SZ}", "--json").result
    assert before["changes_during"] == []
    assert "Compare the charts" in loaded("status", "--to", f"{day:%Y-%m-%d}").out


def test_a_trip_on_which_nothing_lapses(panel: Cli, tmp_path: Path) -> None:
    assert panel("aircraft", "add", "TEST-2").code == 0
    assert panel("unit", "add", "TEST-2/ONLY", "--kind", "base-map", "--rule", "small").code == 0
    assert panel("write", "map", "--on", tmp_path / "other", "--for", "TEST-2/ONLY", "--card", "C-O").code == 0
    assert panel("install", "C-O", "--in", "TEST-2/ONLY", "--accepted").code == 0
    ran = panel("status", "--aircraft", "TEST-2", "--to", "2090-01-01")
    assert "Nothing lapses during the trip" in ran.out
    found = panel("status", "--aircraft", "TEST-2", "--to", "2090-01-01", "--json").result
    assert (found["lapses_during"], found["changes_during"], found["not_in_force_at_start"]) == ([], [], [])


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (["--at", "2026-06-01", "--to", "2026-06-02"], "--at asks for one instant"),
        (["--at", "2026-06-01", "--from", "2026-06-02", "--to", "2026-06-02"], "--at asks for one instant"),
        (["--from", "2026-06-01"], "end of the trip is missing"),
        (["--from", "2026-06-02", "--to", "2026-06-01"], "before it begins"),
        (["--to", "2020-01-01"], "before it begins"),
        (["--from", "soon", "--to", "2026-06-01"], "'soon' is not a date"),
    ],
)
def test_a_trip_that_cannot_be_is_refused(panel: Cli, options: list[str], said: str) -> None:
    ran = panel("status", *options)
    assert ran.code == 2
    assert said in ran.err
    assert "Way out:" in ran.err


def test_a_trip_of_one_day_lasts_all_day(loaded: Cli, tmp_path: Path) -> None:
    in_force, *_ = coming(loaded, 1)
    load_cycle(loaded, tmp_path, in_force)
    last = datetime.fromisoformat(in_force["lapses_at"]) - timedelta(days=1)
    # It lapses at the midnight that ends this day: not during the trip, and an instant later it would be.
    assert loaded("status", "--to", f"{last:%Y-%m-%d}", "--json").result["lapses_during"] == []
    midnight = in_force["lapses_at"]
    assert pairs(loaded("status", "--to", midnight, "--json").result["lapses_during"]) == {("LEFT", "navigation")}


def test_status_says_what_to_do_next(loaded: Cli) -> None:
    ran = loaded("status", "--json").result["status"]
    assert ran["next_step"]["last_day"] is None
    assert "Next: write and load the next set for unit" in loaded("status").out


def test_a_card_put_in_without_an_answer_shows_as_unknown(panel: Cli, tmp_path: Path) -> None:
    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L").code == 0
    assert panel("install", "C-L", "--in", "LEFT").code == 0
    ran = panel("status")
    assert "unknown: card C-L was put in, what the unit showed is not logged" in ran.out
    assert "log what unit LEFT showed when card C-L was put in" in ran.out


# --- due -------------------------------------------------------------------------------------------------------------


def test_what_is_due_over_all_aircraft(loaded: Cli) -> None:
    assert loaded("aircraft", "add", "TEST-2").code == 0
    assert loaded("unit", "add", "TEST-2/GPS", "--kind", "navigation", "--rule", "small").code == 0
    found = loaded("due", "--all-aircraft", "--json").result["due"]
    assert {(one["aircraft"], one["unit"]) for one in found} >= {("TEST-1", "RIGHT"), ("TEST-2", "GPS")}
    text = loaded("due", "--all-aircraft").out
    assert text.splitlines()[0].split() == ["AIRCRAFT", "UNIT", "KIND", "CYCLE", "STATUS"]
    assert "TEST-2" in text
    assert loaded("due").code == 2, "which aircraft?"
    assert loaded("due", "--all-aircraft", "--aircraft", "TEST-1").code == 2


# --- plan ------------------------------------------------------------------------------------------------------------


def test_a_plan_lists_visits_and_draws_them(loaded: Cli, tmp_path: Path) -> None:
    plan = loaded("plan", "--months", "3", "--json").result["plan"]
    assert plan["lead_days"] == 28
    assert [window["late"] for window in plan["visits"][0]["windows"]].count(True) >= 2
    cycles = [one["validity"]["cycle"] for visit in plan["visits"] for one in visit["windows"] if one["unit"] == "LEFT"
              and one["kind"] == "navigation"]  # fmt: skip
    grid = [one["cycle"] for one in coming(loaded, 6)]
    assert cycles == grid[: len(cycles)]
    text = loaded("plan", "--months", "3").out
    assert "◆ last day to load the next set" in text
    assert text.splitlines()[1].startswith("Visits to TEST-1 until")
    assert "(late)" in text


def test_a_plan_s_lead_is_the_owner_s(loaded: Cli) -> None:
    short, longer = (loaded("plan", "--lead", days, "--json").result["plan"]["visits"] for days in ("2", "28"))
    assert short[1]["first_day"] > longer[1]["first_day"] or len(short) > len(longer)
    assert loaded("plan", "--lead", "400").code == 2


# --- pictures --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", ["status", "plan"])
def test_a_picture_is_written_and_written_again_but_over_no_other_file(
    loaded: Cli, tmp_path: Path, command: str
) -> None:
    file = tmp_path / "panel.svg"
    for _ in range(2):
        ran = loaded(command, "--svg", file, "--json")
        assert ran.code == 0, ran.err
        assert ran.result["picture"] == str(file)
    root = ET.fromstring(file.read_text(encoding="utf-8"))  # noqa: S314 - our own
    assert root.tag.endswith("svg")
    file.write_text("<svg>mine</svg>")
    ran = loaded(command, "--svg", file)
    assert ran.code == 46
    assert "was not written by mediaprep" in ran.err
    assert file.read_text() == "<svg>mine</svg>"
    assert [path.name for path in tmp_path.iterdir() if path.name.startswith(".")] == [], "nothing is left behind"


def test_a_picture_in_a_folder_that_is_not_there_is_refused(loaded: Cli, tmp_path: Path) -> None:
    ran = loaded("status", "--svg", tmp_path / "none" / "panel.svg")
    assert ran.code == 46
    assert "panel.svg" in ran.err


# --- calendar --------------------------------------------------------------------------------------------------------


def test_a_calendar_on_paper_in_a_file_and_in_json_is_the_same(loaded: Cli, tmp_path: Path) -> None:
    printed = loaded("calendar").out
    file = tmp_path / "panel.ics"
    ran = loaded("calendar", "--out", file, "--json")
    assert ran.code == 0, ran.err
    assert ran.result["file"] == str(file)
    in_file = file.read_bytes().decode()
    assert loaded("calendar", "--json").result["calendar"] == in_file
    assert printed == in_file
    events = icalendar.Calendar.from_ical(in_file).walk("VEVENT")
    assert "LEFT: navigation 2601 lapses" in {str(event["SUMMARY"]) for event in events}


def test_only_events_that_changed_count_on(loaded: Cli, tmp_path: Path) -> None:
    def sequences() -> dict[str, int]:
        events = icalendar.Calendar.from_ical(loaded("calendar", "--json").result["calendar"]).walk("VEVENT")
        return {str(event["SUMMARY"]): int(event["SEQUENCE"]) for event in events}

    assert set(sequences().values()) == {0}
    assert set(sequences().values()) == {0}, "asking again changes nothing"
    in_force, *_ = coming(loaded, 1)
    load_cycle(loaded, tmp_path, in_force)
    after = sequences()
    assert after[f"LEFT: navigation {in_force['cycle']} lapses"] == 1
    assert after[f"navigation: cycle {in_force['cycle']} takes effect"] == 1
    assert sorted(after.values()).count(1) == 2


def test_the_file_of_another_program_is_left_alone(loaded: Cli, tmp_path: Path) -> None:
    file = tmp_path / "mine.ics"
    file.write_text("BEGIN:VCALENDAR\r\nPRODID:-//somebody//EN\r\n")
    assert loaded("calendar", "--out", file).code == 46
    assert "somebody" in file.read_text()


def test_the_feed_s_address_is_told_once(loaded: Cli) -> None:
    told = loaded("calendar", "address", "--json").result
    assert told["address"].startswith("http://127.0.0.1:8437/calendar/")
    again = loaded("calendar", "address", "--json").result
    assert again["address"] is None
    assert again["given_out_at"] == told["given_out_at"]
    assert "cannot be shown again" in loaded("calendar", "address").out.replace("\n", " ")
    renewed = loaded("calendar", "renew", "--port", "9000", "--json").result["address"]
    assert renewed.startswith("http://127.0.0.1:9000/calendar/")
    assert renewed.rpartition("/")[2] != told["address"].rpartition("/")[2]


def test_options_of_the_wrong_command_are_not_passed_over_in_silence(loaded: Cli, tmp_path: Path) -> None:
    ran = loaded("calendar", "--out", tmp_path / "x.ics", "address")
    assert ran.code == 2
    assert not (tmp_path / "x.ics").exists()
