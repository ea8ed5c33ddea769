"""Jobs over HTTP: the main job from start to load, refusals, cancels, and what a dead service leaves."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from mediaprep.bench import Bench
from mediaprep.clock import FixedClock
from mediaprep.config import Settings
from mediaprep.devices.script import FlippedBit, Slow
from mediaprep.devices.simulated import SimulatedCard
from mediaprep.host import SimulatedHost
from mediaprep.model import Fitness, JobKind, JobState
from mediaprep.orders import card_of
from mediaprep.records import open_records
from mediaprep.session import Outcome
from service.app import create_app
from service.jobs import ENDED_KEPT, MOST_AT_ONCE
from service.state import State, attach, state_of
from tests.service.conftest import NOW, TOKEN, Ask, ended

WAIT_SECONDS = 60


def write(card: Path, /, **changes: object) -> dict[str, object]:
    return {"kind": "write", "bundle": "nav-2607", "target": str(card), "unit": "TEST-1/DISPLAY", **changes}


@pytest.fixture
def card(panel: State, tmp_path: Path) -> Path:
    return tmp_path / "card"


@dataclass
class Gate:
    """Where slow cards wait: `reached` once one stands there, `opened` to let all of them through."""

    reached: threading.Event = field(default_factory=threading.Event)
    opened: threading.Event = field(default_factory=threading.Event)

    def wait(self, _seconds: float) -> None:
        self.reached.set()
        self.opened.wait(WAIT_SECONDS)


@pytest.fixture
def gate(panel: State, app: Flask, card: Path) -> Iterator[Gate]:
    """Make every slow card wait at the gate; the one at card/ is slow."""
    made = Gate()
    SimulatedCard.open(card).script(Slow(1000))
    attach(app, replace(panel, open_card=lambda path: SimulatedCard(path, sleep=made.wait)))
    yield made
    made.opened.set()


# --- the main job ----------------------------------------------------------------------------------------------------


def test_a_write_from_start_to_load(panel: State, ask: Ask, card: Path) -> None:
    answer = ask.client.post("/api/v1/jobs", json=write(card, card="BLUE"), headers=ask.headers)
    assert answer.status_code == 202
    started = answer.get_json()
    assert answer.headers["Location"] == f"/api/v1/jobs/{started['number']}"
    assert (started["kind"], started["card"], started["bundle"]) == ("write", "BLUE", "nav-2607")
    assert started["unit"] == ["TEST-1", "DISPLAY"]

    done = ended(panel, ask, started["number"])
    assert done["state"] == "done"
    assert done["error"] is None
    assert done["progress"] == {
        "phase": "record", "files_done": 1, "files_total": 1, "bytes_done": 0, "bytes_total": 0, "path": "",
    }  # fmt: skip
    assert {finding["result"] for finding in done["findings"]} <= {"pass", "warn"}

    receipt = ask.get(f"/api/v1/receipts/{done['receipt']}")
    assert receipt["simulated"] is True
    assert receipt["readback"]["verdict"] == "verified"
    assert receipt["written_bytes"] == 150_003
    assert ask.get("/api/v1/receipts?card=BLUE")["receipts"] == [receipt]

    loads = ask.get("/api/v1/loads")["loads"]
    assert [(load["card"], load["unit"], load["state"]) for load in loads] == [("BLUE", "DISPLAY", "prepared")]
    assert ask.get(f"/api/v1/loads/{loads[0]['number']}") == loads[0]
    assert ask.get("/api/v1/loads?unit=DISPLAY")["loads"] == loads

    entries = ask.get("/api/v1/logbook")["entries"]
    assert ["card-written" in entry["body"] for entry in entries] == [True]
    standing = ask.get("/api/v1/cards/BLUE")
    assert (standing["fitness"], standing["bundles"]) == ("verified", ["nav-2607"])
    assert ask.get("/api/v1/cards")["cards"] == [standing]
    assert [job["number"] for job in ask.get("/api/v1/jobs?card=BLUE")["jobs"]] == [started["number"]]
    assert (card / "volume" / "part-1.bin").read_bytes() == bytes([1]) * 50_001


def test_a_verify_reads_the_whole_card_again(panel: State, ask: Ask, card: Path) -> None:
    ended(panel, ask, ask.post("/api/v1/jobs", write(card), 202)["number"])
    started = ask.post("/api/v1/jobs", {"kind": "verify", "target": str(card)}, 202)
    assert (started["kind"], started["bundle"], started["unit"]) == ("verify", None, ["TEST-1", "DISPLAY"])
    done = ended(panel, ask, started["number"])
    assert done["state"] == "done"
    assert ask.get(f"/api/v1/receipts/{done['receipt']}")["written_bytes"] == 0


def test_a_verify_names_the_file_that_differs(panel: State, ask: Ask, card: Path) -> None:
    ended(panel, ask, ask.post("/api/v1/jobs", write(card), 202)["number"])
    SimulatedCard.open(card).script(FlippedBit("part-1.bin", 7))
    failed = ended(panel, ask, ask.post("/api/v1/jobs", {"kind": "verify", "target": str(card)}, 202)["number"])
    assert failed["state"] == "failed"
    assert (failed["error"]["code"], failed["error"]["exit_code"]) == ("readback-mismatch", 31)
    assert [path.startswith("part-1.bin") for path in failed["error"]["paths"]] == [True]
    assert ask.get("/api/v1/cards/C-001")["fitness"] == "unfit"


def test_a_write_that_lacks_a_proof_says_how_to_finish_it(panel: State, ask: Ask, tmp_path: Path) -> None:
    SimulatedCard.make(tmp_path / "other", capacity_bytes=8 * 10**9, remounts=False)
    done = ended(panel, ask, ask.post("/api/v1/jobs", write(tmp_path / "other"), 202)["number"])
    assert done["state"] == "done"
    assert (done["error"]["code"], done["error"]["exit_code"]) == ("proof-incomplete", 38)
    assert "put it in again" in done["error"]["remedy"]
    assert ask.get(f"/api/v1/cards/{done['card']}")["fitness"] == Fitness.REINSERT.value


# --- checks and refusals ---------------------------------------------------------------------------------------------


def test_a_check_tells_all_findings_and_writes_nothing(panel: State, ask: Ask, card: Path) -> None:
    asked = {"bundle": "nav-2607", "target": str(card), "unit": "DISPLAY"}
    answer = ask.post("/api/v1/checks", asked)
    assert answer["verdict"] in {"pass", "warn"}
    assert len(answer["findings"]) > 10
    assert ask.get("/api/v1/cards")["cards"] == []
    assert ask.get("/api/v1/jobs")["jobs"] == []
    assert list((card / "volume").iterdir()) == []


def test_a_check_that_refuses_is_an_answer_too(panel: State, ask: Ask, card: Path, host: SimulatedHost) -> None:
    host.default_free_bytes = 10
    answer = ask.post("/api/v1/checks", {"bundle": "nav-2607", "target": str(card), "unit": "DISPLAY"})
    assert answer["verdict"] == "refuse"


def test_a_refused_preflight_shows_in_the_job(panel: State, ask: Ask, card: Path, host: SimulatedHost) -> None:
    host.default_free_bytes = 10
    job = ended(panel, ask, ask.post("/api/v1/jobs", write(card), 202)["number"])
    assert job["state"] == "refused"
    assert (job["code"], job["error"]["code"], job["error"]["exit_code"]) == (*["preflight-refused"] * 2, 10)
    refused = [finding for finding in job["findings"] if finding["result"] == "refuse"]
    assert refused
    assert all(finding["remedy"] for finding in refused)
    assert not job["touched"]
    assert list((card / "volume").iterdir()) == []


def test_what_is_not_known_may_be_accepted_by_name(panel: State, ask: Ask, tmp_path: Path) -> None:
    folder = tmp_path / "folder"
    folder.mkdir()
    job = ended(panel, ask, ask.post("/api/v1/jobs", write(folder), 202)["number"])
    assert (job["state"], job["error"]["code"]) == ("refused", "preflight-unknown")
    unknown = sorted({finding["check"] for finding in job["findings"] if finding["result"] == "unknown"})
    assert all(name in job["error"]["remedy"] for name in unknown)
    again = ended(panel, ask, ask.post("/api/v1/jobs", write(folder, accept=unknown), 202)["number"])
    assert again["state"] == "done"


@pytest.mark.parametrize(
    ("changes", "refused"),
    [
        ({"bundle": "none"}, (404, "not-found")),
        ({"unit": "TEST-1/NONE"}, (404, "not-found")),
        ({"unit": "NONE"}, (404, "not-found")),
        ({"target": "/nowhere/at/all"}, (404, "not-found")),
        ({"target": "/etc"}, (403, "target-unsafe")),
    ],
)
def test_what_cannot_start_is_told_at_once(
    panel: State, ask: Ask, card: Path, changes: dict[str, object], refused: tuple[int, str]
) -> None:
    status, code = refused
    assert ask.post("/api/v1/jobs", write(card, **changes), status)["code"] == code
    assert ask.get("/api/v1/jobs")["jobs"] == []
    assert ask.get("/api/v1/cards")["cards"] == []


@pytest.mark.parametrize(
    ("changes", "wrong"),
    [
        ({"target": "card"}, "target"),
        ({"target": "/media/../etc"}, "target"),
        ({"target": "/media/\0card"}, "target"),
        ({"target": 5}, "target"),
        ({"kind": "format"}, "kind"),
        ({"bundle": "a/b"}, "bundle"),
        ({"bundle": ""}, "bundle"),
        ({"bundle": "\ud800"}, "bundle"),
        ({"bundle": None}, "bundle"),
        ({"unit": "A/B/C"}, "unit"),
        ({"unit": "/B"}, "unit"),
        ({"card": " "}, "card"),
        ({"accept": ["no.such.check"]}, "accept"),
        ({"accept": "card.capacity"}, "accept"),
        ({"source": "/etc/passwd"}, "source"),
        ({"kind": "verify"}, "bundle"),
    ],
)
def test_values_that_do_not_fit_are_named(
    panel: State, ask: Ask, card: Path, changes: dict[str, object], wrong: str
) -> None:
    body = ask.post("/api/v1/jobs", write(card, **changes), 422)
    assert wrong in body["errors"]["json"]
    assert ask.get("/api/v1/jobs")["jobs"] == []


@pytest.mark.parametrize("missing", ["bundle", "unit", "target", "kind"])
def test_a_write_needs_them_all(panel: State, ask: Ask, card: Path, missing: str) -> None:
    asked = write(card)
    del asked[missing]
    assert set(ask.post("/api/v1/jobs", asked, 422)["errors"]["json"]) == {missing}


@pytest.mark.parametrize("written", [False, True])
def test_a_verify_of_a_card_with_nothing_of_ours_cannot_start(
    panel: State, ask: Ask, card: Path, written: bool
) -> None:
    if written:
        panel.records.register_card(
            None, identity="known", simulated=True, capacity_bytes=None, at=NOW
        )  # another card altogether
        card_of(SimulatedCard.open(card).facts(), panel.records, panel.clock)
    assert ask.post("/api/v1/jobs", {"kind": "verify", "target": str(card)}, 409)["code"] == "card-not-ready"


def test_a_bundle_whose_folder_is_gone_cannot_start(panel: State, ask: Ask, card: Path, tmp_path: Path) -> None:
    (tmp_path / "nav").rename(tmp_path / "moved")
    assert ask.post("/api/v1/jobs", write(card), 409)["code"] == "bundle-unreadable"


# --- at work ---------------------------------------------------------------------------------------------------------


def test_a_job_at_work_shows_its_progress_and_can_be_stopped(panel: State, ask: Ask, card: Path, gate: Gate) -> None:
    number = ask.post("/api/v1/jobs", write(card), 202)["number"]
    assert gate.reached.wait(WAIT_SECONDS)
    running = ask.get(f"/api/v1/jobs/{number}")
    assert (running["state"], running["touched"], running["error"]) == ("running", True, None)
    assert running["findings"]

    assert ask.post(f"/api/v1/jobs/{number}/cancel", status=202)["number"] == number
    gate.opened.set()
    stopped = ended(panel, ask, number)
    assert (stopped["state"], stopped["error"]["code"], stopped["error"]["exit_code"]) == (
        "cancelled",
        "interrupted",
        130,
    )
    assert stopped["progress"]["phase"] in {"copy", "flush"} or stopped["progress"] is None
    assert ask.get(f"/api/v1/cards/{stopped['card']}")["fitness"] == "unfit"
    assert ask.post(f"/api/v1/jobs/{number}/cancel", status=409)["code"] == "conflict"

    SimulatedCard.open(card).script()
    assert ended(panel, ask, ask.post("/api/v1/jobs", write(card), 202)["number"])["state"] == "done"


def test_one_card_has_one_writer(panel: State, ask: Ask, card: Path, gate: Gate) -> None:
    number = ask.post("/api/v1/jobs", write(card), 202)["number"]
    assert gate.reached.wait(WAIT_SECONDS)
    refused = ask.post("/api/v1/jobs", write(card), 409)
    assert refused["code"] == "card-busy"
    assert f"job {number}" in refused["detail"]
    gate.opened.set()
    assert ended(panel, ask, number)["state"] == "done"


def test_no_more_jobs_than_the_service_runs_at_once(panel: State, ask: Ask, tmp_path: Path, gate: Gate) -> None:
    numbers = []
    for number in range(MOST_AT_ONCE):
        SimulatedCard.make(tmp_path / f"card-{number}", capacity_bytes=8 * 10**9, faults=(Slow(1000),))
        numbers.append(ask.post("/api/v1/jobs", write(tmp_path / f"card-{number}"), 202)["number"])
    SimulatedCard.make(tmp_path / "one-more", capacity_bytes=8 * 10**9)
    assert ask.post("/api/v1/jobs", write(tmp_path / "one-more"), 503)["code"] == "service-unavailable"
    gate.opened.set()
    assert {ended(panel, ask, number)["state"] for number in numbers} == {"done"}


def test_a_service_that_ends_stops_its_jobs_and_closes_them(
    panel: State, ask: Ask, card: Path, gate: Gate, settings: Settings
) -> None:
    number = ask.post("/api/v1/jobs", write(card), 202)["number"]
    assert gate.reached.wait(WAIT_SECONDS)
    live = panel.jobs.find(number)
    assert live is not None
    ending = threading.Thread(target=panel.close)
    ending.start()
    assert live.stop.wait(WAIT_SECONDS)
    assert ask.post("/api/v1/jobs", write(card), 503)["code"] == "service-unavailable"
    gate.opened.set()
    ending.join(WAIT_SECONDS)
    assert not ending.is_alive()
    records = open_records(settings, clock=FixedClock(NOW))
    assert records.job(number).state is JobState.CANCELLED
    records.close()


# --- what the records alone know -------------------------------------------------------------------------------------


def test_after_a_restart_a_job_is_told_from_the_records(
    panel: State, ask: Ask, card: Path, settings: Settings, host: SimulatedHost
) -> None:
    done = ended(panel, ask, ask.post("/api/v1/jobs", write(card), 202)["number"])
    host.default_free_bytes = 10
    refused = ended(panel, ask, ask.post("/api/v1/jobs", write(card), 202)["number"])
    panel.close()
    again = create_app(settings, clock=FixedClock(NOW), host=host, token=TOKEN)
    later = Ask(again.test_client())
    assert later.get(f"/api/v1/jobs/{done['number']}") == done | {"progress": None}
    told = later.get(f"/api/v1/jobs/{refused['number']}")
    assert told["error"] == refused["error"]
    assert later.post(f"/api/v1/jobs/{done['number']}/cancel", status=409)["code"] == "conflict"
    state_of(again).close()


def test_a_job_whose_process_died_is_shown_as_interrupted(
    panel: State, settings: Settings, card: Path, host: SimulatedHost, monkeypatch: pytest.MonkeyPatch
) -> None:
    known = card_of(SimulatedCard.open(card).facts(), panel.records, panel.clock)
    # A job of a process that is not there: no process has the greatest number there can be and started in 1970.
    monkeypatch.setattr("mediaprep.records.processes.this_process", lambda: (2**22 + 1, 1.0))
    dead = open_records(settings, clock=FixedClock(NOW))
    number = dead.begin_job(JobKind.VERIFY, known, None, None, at=NOW).number
    dead.close()
    again = create_app(settings, clock=FixedClock(NOW), host=host, token=TOKEN)
    told = Ask(again.test_client()).get(f"/api/v1/jobs/{number}")
    assert (told["state"], told["error"]["code"], told["progress"]) == ("interrupted", "interrupted", None)
    state_of(again).close()


def test_a_job_of_another_program_cannot_be_cancelled_here(panel: State, ask: Ask, card: Path) -> None:
    known = card_of(SimulatedCard.open(card).facts(), panel.records, panel.clock)
    number = panel.records.begin_job(JobKind.VERIFY, known, None, None, at=NOW).number
    body = ask.post(f"/api/v1/jobs/{number}/cancel", status=409)
    assert "another program" in body["detail"]
    panel.records.end_job(number, JobState.FAILED, at=NOW, code=None, detail=None)
    assert ask.get(f"/api/v1/jobs/{number}")["error"]["code"] == "bug"


# --- the runner ------------------------------------------------------------------------------------------------------


def test_a_fault_in_a_job_ends_it_and_tells_no_inside(
    panel: State, ask: Ask, card: Path, caplog: pytest.LogCaptureFixture
) -> None:
    known = card_of(SimulatedCard.open(card).facts(), panel.records, panel.clock)

    def broken(bench: Bench) -> Outcome:
        bench.on_job(bench.records.begin_job(JobKind.VERIFY, known, None, None, at=NOW))
        message = "the inside of the program"
        raise RuntimeError(message)

    job = panel.jobs.start(broken, panel.bench(SimulatedCard.open(card)))
    told = ended(panel, ask, job.number)
    assert (told["state"], told["error"]["code"]) == ("failed", "bug")
    assert "inside" not in str(told)
    assert "the inside of the program" in caplog.text


def test_a_fault_before_a_job_is_there_reaches_whoever_started_it(panel: State, card: Path) -> None:
    def broken(_: Bench) -> Outcome:
        message = "nothing begun"
        raise RuntimeError(message)

    with pytest.raises(RuntimeError, match="nothing begun"):
        panel.jobs.start(broken, panel.bench(SimulatedCard.open(card)))


def test_only_so_many_ended_jobs_are_kept_in_memory(panel: State, card: Path) -> None:
    known = card_of(SimulatedCard.open(card).facts(), panel.records, panel.clock)
    numbers: list[int] = []

    def brief(bench: Bench) -> Any:
        job = replace(template, number=len(numbers) + 100)
        numbers.append(job.number)
        bench.on_job(job)

    template = panel.records.begin_job(JobKind.VERIFY, known, None, None, at=NOW)
    for _ in range(ENDED_KEPT + 5):
        job = panel.jobs.start(brief, panel.bench(SimulatedCard.open(card)))
        live = panel.jobs.find(job.number)
        assert live is not None
        assert live.ended.wait(WAIT_SECONDS)
    kept = [number for number in numbers if panel.jobs.find(number) is not None]
    assert kept == numbers[-ENDED_KEPT:]
