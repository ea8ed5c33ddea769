"""The service on PostgreSQL: one job end to end, and its station seen from elsewhere."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from mediaprep.clock import FixedClock
from mediaprep.config import Settings
from mediaprep.records import open_records
from service.state import State
from tests.postgres import Server
from tests.service.conftest import NOW, Ask, ended


@pytest.fixture
def settings(postgres: Server, tmp_path: Path) -> Iterator[Settings]:
    name = postgres.new_records()
    yield Settings(tmp_path / "data", postgres.url(name), station="test bench", operator="tester")
    postgres.drop(name)


def test_a_card_is_written_verified_and_carried_to_its_unit(panel: State, ask: Ask, tmp_path: Path) -> None:
    wanted = {"target": str(tmp_path / "card"), "unit": "TEST-1/DISPLAY"}
    asked = ask.post("/api/v1/jobs", {"kind": "write", "bundle": "nav-2607", **wanted}, status=202)
    job = ended(panel, ask, asked["number"])
    assert (job["state"], job["station"]) == ("done", "test bench")
    again = ask.post("/api/v1/jobs", {"kind": "verify", "target": wanted["target"]}, status=202)
    assert ended(panel, ask, again["number"])["state"] == "done"
    assert [each["number"] for each in ask.get("/api/v1/jobs")["jobs"]] == [again["number"], asked["number"]]
    panel.records.verify_log("TEST-1")
    kinds = [json.loads(entry.body)["kind"] for entry in panel.records.log("TEST-1")]
    assert kinds == ["card-written", "verified", "superseded"]


def test_a_service_is_seen_by_other_stations_without_any_job(panel: State, settings: Settings, tmp_path: Path) -> None:
    elsewhere = replace(settings, data_dir=tmp_path / "elsewhere", station="other bench")
    other = open_records(elsewhere, clock=FixedClock(NOW))
    (seen,) = other.stations()
    other.close()
    assert (seen.name, seen.lost, seen.jobs) == ("test bench", False, ())
