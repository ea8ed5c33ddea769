"""Readers and folders used like one, what a card is probably meant for, and what became of it."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from mediaprep.devices.simulated import SimulatedCard
from mediaprep.model import Aircraft, Unit
from service.readers import MOST_FOLDERS, Readers
from service.state import State
from tests.service.conftest import Ask, ended, take_in


@pytest.fixture
def card(panel: State, tmp_path: Path) -> Path:
    return tmp_path / "card"


@pytest.fixture
def write(panel: State, ask: Ask, card: Path) -> Callable[..., dict[str, Any]]:
    def run(bundle: str = "nav-2607", unit: str = "TEST-1/DISPLAY") -> dict[str, Any]:
        body = {"kind": "write", "bundle": bundle, "target": str(card), "unit": unit}
        return ended(panel, ask, ask.post("/api/v1/jobs", body, 202)["number"])

    return run


def pairs(ask: Ask, card: str | None = None) -> list[tuple[str, str]]:
    found = ask.get("/api/v1/pairs" + (f"?card={card}" if card else ""))["pairs"]
    assert all(one["why"] for one in found)
    return [(one["unit"], one["bundle"]) for one in found]


# --- readers ---------------------------------------------------------------------------------------------------------


def test_a_folder_is_used_like_a_reader_until_it_is_left(ask: Ask, card: Path) -> None:
    assert ask.get("/api/v1/readers") == {"readers": []}
    (reader,) = ask.post("/api/v1/readers", {"target": str(card)})["readers"]
    assert (reader["place"]["target"], reader["place"]["folder"], reader["card"]) == (str(card), True, None)
    assert ask.get("/api/v1/readers")["readers"] == [reader]
    answer = ask.client.delete(f"/api/v1/readers?target={card}", headers=ask.headers)
    assert answer.get_json() == {"readers": []}
    assert card.is_dir()


def test_a_reader_tells_what_the_records_know_of_its_card(
    ask: Ask, card: Path, write: Callable[..., dict[str, Any]]
) -> None:
    job = write()
    (reader,) = ask.post("/api/v1/readers", {"target": str(card)})["readers"]
    assert reader["card"]["name"] == job["card"]
    assert (reader["fitness"], reader["bundles"]) == ("verified", ["nav-2607"])
    assert reader["last_job"]["number"] == job["number"]
    assert [(load["unit"], load["state"]) for load in reader["loads"]] == [("DISPLAY", "prepared")]


@pytest.mark.parametrize("target", ["card", "/a/../b", "", "/\n"])
def test_only_an_absolute_path_is_a_place_for_a_card(ask: Ask, target: str) -> None:
    ask.post("/api/v1/readers", {"target": target}, 422)


def test_a_folder_that_is_not_there_is_refused(ask: Ask, tmp_path: Path) -> None:
    problem = ask.post("/api/v1/readers", {"target": str(tmp_path / "nowhere")}, 404)
    assert "nowhere" in problem["detail"]
    assert ask.get("/api/v1/readers") == {"readers": []}


def test_only_so_many_folders_are_kept(panel: State, card: Path) -> None:
    readers = Readers(panel.records, panel.open_card, list)
    for number in range(MOST_FOLDERS + 1):
        SimulatedCard.make(card.parent / f"card-{number}", capacity_bytes=8 * 10**9)
        readers.use_folder(str(card.parent / f"card-{number}"))
    seen = [Path(place.target).name for place in readers.glance()]
    assert seen == [f"card-{number}" for number in range(1, MOST_FOLDERS + 1)]


def test_a_card_in_a_reader_is_there_once_though_its_folder_was_named(panel: State, card: Path) -> None:
    gone = SimulatedCard.make(card.parent / "gone", capacity_bytes=8 * 10**9)
    gone.take_out()
    readers = Readers(panel.records, panel.open_card, lambda: [panel.open_card(card), gone])
    assert [(place.target, place.folder) for place in readers.glance()] == [(str(card), False)]
    readers.use_folder(str(card))
    assert [(place.target, place.folder) for place in readers.glance()] == [(str(card), True)]


# --- pairs -----------------------------------------------------------------------------------------------------------


def test_the_set_in_force_comes_first_and_a_lapsed_one_last(panel: State, ask: Ask, tmp_path: Path) -> None:
    take_in(panel, tmp_path / "old", "nav-2606", cycle="2606")
    take_in(panel, tmp_path / "next", "nav-2608", cycle="2608")
    assert [bundle for _, bundle in pairs(ask)] == ["nav-2607", "nav-2608", "nav-2606"]


def test_once_it_is_loaded_the_next_one_is_meant(
    panel: State, ask: Ask, tmp_path: Path, write: Callable[..., dict[str, Any]]
) -> None:
    take_in(panel, tmp_path / "next", "nav-2608", cycle="2608")
    name = write()["card"]
    ask.post("/api/v1/loads", {"card": name, "unit": "DISPLAY", "state": "accepted"})
    assert [bundle for _, bundle in pairs(ask, name)] == ["nav-2608", "nav-2607"]


def test_the_unit_that_the_card_was_written_for_comes_first(
    panel: State, ask: Ask, write: Callable[..., dict[str, Any]]
) -> None:
    panel.records.add_aircraft(Aircraft("TEST-0"))
    rule = panel.records.rule("example-up-to-32-gb")
    panel.records.add_unit(Unit("OTHER", "TEST-0", "", (), ("navigation",), rule))
    panel.records.add_unit(Unit("CHARTS", "TEST-0", "", (), ("charts",), rule))
    name = write()["card"]
    assert pairs(ask, name) == [("TEST-1/DISPLAY", "nav-2607"), ("TEST-0/OTHER", "nav-2607")]
    assert pairs(ask)[0] == ("TEST-0/OTHER", "nav-2607")


def test_a_write_that_was_not_finished_goes_on_first(
    panel: State, ask: Ask, card: Path, tmp_path: Path, write: Callable[..., dict[str, Any]]
) -> None:
    from mediaprep.devices.script import FullAfter

    take_in(panel, tmp_path / "next", "nav-2608", cycle="2608")
    SimulatedCard.open(card).script(FullAfter(60_000))
    job = write("nav-2608")
    assert (job["state"], job["touched"]) == ("failed", True)
    assert pairs(ask, job["card"])[0] == ("TEST-1/DISPLAY", "nav-2608")


# --- what became of a card -------------------------------------------------------------------------------------------


def test_a_card_is_carried_put_in_and_accepted(ask: Ask, write: Callable[..., dict[str, Any]]) -> None:
    name = write()["card"]
    assert [load["state"] for load in ask.get("/api/v1/carrying")["loads"]] == ["prepared"]
    said = {"card": name, "unit": "TEST-1/DISPLAY", "slot": "front"}
    (load,) = ask.post("/api/v1/loads", said | {"state": "installed"})["loads"]
    assert (load["state"], load["slot"]) == ("installed", "front")
    assert [load["state"] for load in ask.get("/api/v1/carrying")["loads"]] == ["installed"]
    (load,) = ask.post("/api/v1/loads", said | {"state": "accepted", "reason": "dates compared"})["loads"]
    assert [event["state"] for event in load["events"]] == ["prepared", "installed", "accepted"]
    assert load["events"][-1]["reason"] == "dates compared"
    assert ask.get("/api/v1/carrying") == {"loads": []}


def test_a_rejected_card_tells_what_the_unit_showed(ask: Ask, write: Callable[..., dict[str, Any]]) -> None:
    said = {"card": write()["card"], "unit": "DISPLAY", "state": "rejected"}
    assert "reason" in ask.post("/api/v1/loads", said, 422)["errors"]["json"]
    assert [load["state"] for load in ask.get("/api/v1/carrying")["loads"]] == ["prepared"]  # nothing was logged
    (load,) = ask.post("/api/v1/loads", said | {"reason": "card not readable"})["loads"]
    assert (load["state"], load["events"][-1]["reason"]) == ("rejected", "card not readable")


@pytest.mark.parametrize(
    ("change", "status"),
    [
        ({"state": "prepared"}, 422),
        ({"state": "superseded"}, 422),
        ({"card": "NONE"}, 404),
        ({"unit": "NONE"}, 404),
        ({"slot": "none"}, 404),
        ({"reason": "x" * 2001}, 422),
    ],
)
def test_what_cannot_have_become_of_it_is_refused(
    ask: Ask, write: Callable[..., dict[str, Any]], change: dict[str, str], status: int
) -> None:
    said = {"card": write()["card"], "unit": "DISPLAY", "state": "accepted"}
    ask.post("/api/v1/loads", said | change, status)
