from __future__ import annotations

import json
import subprocess
import sys
from datetime import timedelta
from pathlib import Path

import pytest

from mediaprep import __version__
from mediaprep.clock import FixedClock
from mediaprep.errors import LogbookBroken, NotFound
from mediaprep.logchain import GENESIS, entry_digest
from mediaprep.model import Aircraft, Fitness, JobState, LogHead
from mediaprep.records import Store, open_records
from tests.records.builders import (
    NOON,
    card,
    panel,
    receipt,
    settings,
    taken_in,
    touched,
    unit,
    written,
)

ROOT = Path(__file__).resolve().parents[2]
LATER = NOON + timedelta(hours=1)


def test_an_entry_says_who_did_what_with_which_card(store: Store) -> None:
    (nav,) = panel(store)
    proof, _ = written(store, card(store), taken_in(store), nav)
    store.accept(store.install("C-001", nav, "left", at=LATER), at=LATER, reason="2607 shown")
    by_whom = {"operator": "Robin", "station": "bench-1", "tool_version": __version__, "aircraft": "D-TEST"}
    nav_set = {
        "bundle": "nav-2607",
        "data_kind": "navigation",
        "cycle": "2607",
        "effective_at": "2026-07-09T00:00:00Z",
        "lapses_at": "2026-08-06T00:00:00Z",
    }
    step = {"unit": "NAV-1", "slot": "left", "card": "C-001", "load": 1, "receipt": proof.number, "simulated": True}
    assert [json.loads(entry.body) for entry in store.log("D-TEST")] == [
        {
            "kind": "card-written",
            "at": "2026-07-01T12:03:00Z",
            "unit": "NAV-1",
            "card": "C-001",
            "receipt": proof.number,
            "verdict": "verified",
            "simulated": True,
            "bundles": [nav_set | {"manifest_sha256": store.bundle("nav-2607").manifest_sha256}],
            **by_whom,
        },
        {"kind": "installed", "at": "2026-07-01T13:00:00Z", "reason": "", **step, **nav_set, **by_whom},
        {"kind": "accepted", "at": "2026-07-01T13:00:00Z", "reason": "2607 shown", **step, **nav_set, **by_whom},
    ]


def test_a_logbook_is_a_chain_from_its_first_entry(store: Store) -> None:
    (nav,) = panel(store)
    written(store, card(store), taken_in(store), nav)
    store.install("C-001", nav, None, at=LATER)
    first, second = store.log("D-TEST")
    assert (first.aircraft, first.sequence, first.at, first.previous_sha256) == (
        "D-TEST",
        1,
        NOON + timedelta(minutes=3),
        GENESIS,
    )
    assert (second.sequence, second.at, second.previous_sha256) == (2, LATER, first.sha256)
    assert second.sha256 == entry_digest(first.sha256, 2, second.body)
    assert store.verify_log("D-TEST", second.sha256) == store.log_head("D-TEST") == LogHead(2, second.sha256)


def test_a_logbook_is_read_in_parts(store: Store) -> None:
    (nav,) = panel(store)
    written(store, card(store), taken_in(store), nav)
    store.accept(store.install("C-001", nav, None, at=LATER), at=LATER)
    assert [entry.sequence for entry in store.log("D-TEST", after=1)] == [2, 3]
    assert [entry.sequence for entry in store.log("D-TEST", after=1, limit=1)] == [2]
    assert store.log("D-TEST", after=3) == ()


def test_each_aircraft_has_a_logbook_of_its_own(store: Store) -> None:
    (nav,), what = panel(store), taken_in(store)
    store.add_aircraft(Aircraft("OE-TST"))
    other = store.add_unit(unit(aircraft="OE-TST"))
    for number, each in enumerate((nav, other, nav)):
        written(store, card(store, None, f"sd:{number}"), what, each)
    assert [store.verify_log(name).entries for name in ("D-TEST", "OE-TST")] == [2, 1]
    assert [len(store.log(name)) for name in ("D-TEST", "OE-TST")] == [2, 1]
    for asked in (store.log, store.log_head, store.verify_log):
        with pytest.raises(NotFound, match="D-NONE"):
            asked("D-NONE")


# --- tampering -------------------------------------------------------------------------------------------------------


def behind_our_back(store: Store, *edits: str) -> None:
    with store._database.writing() as connection:
        for edit in edits:
            connection.exec_driver_sql(edit)


@pytest.mark.parametrize(
    ("edits", "named"),
    [
        (["UPDATE logbook SET body = replace(body, 'C-001', 'C-002') WHERE sequence = 2"], "entry 2"),
        (["UPDATE logbook SET at = '2026-07-02T00:00:00.000000Z' WHERE sequence = 2"], "entry 2"),
        (["UPDATE logbook SET sha256 = previous_sha256 WHERE sequence = 2"], "entry 2"),
        (["DELETE FROM logbook WHERE sequence = 1"], "entry 1"),
        (["DELETE FROM logbook WHERE sequence = 2"], "entry 2"),
        (["DELETE FROM logbook WHERE sequence = 2", "UPDATE logbook SET sequence = 2 WHERE sequence = 3"], "entry 2"),
        (
            [
                "UPDATE logbook SET sequence = 9 WHERE sequence = 2",
                "UPDATE logbook SET sequence = 2 WHERE sequence = 3",
                "UPDATE logbook SET sequence = 3 WHERE sequence = 9",
            ],
            "entry 2",
        ),
        (["UPDATE logbook SET at = 'not a time' WHERE sequence = 2"], "entry 2"),
        (["INSERT INTO logbook SELECT aircraft_id, 0, at, body, sha256, sha256 FROM logbook WHERE sequence = 3"],
         "entry 0"),
        (["INSERT INTO logbook SELECT aircraft_id, 4, at, body, sha256, sha256 FROM logbook WHERE sequence = 3"],
         "entry 4"),
    ],
)  # fmt: skip
def test_an_entry_edited_behind_our_back_is_found(store: Store, edits: list[str], named: str) -> None:
    (nav,) = panel(store)
    written(store, card(store), taken_in(store), nav)
    store.accept(store.install("C-001", nav, None, at=LATER), at=LATER)
    store.verify_log("D-TEST")
    behind_our_back(store, *edits)
    with pytest.raises(LogbookBroken, match=f"D-TEST: {named}"):
        store.verify_log("D-TEST")


@pytest.mark.parametrize("page", [1, 2, 3, 4])
def test_a_logbook_is_checked_across_the_pages_it_is_read_in(
    store: Store, monkeypatch: pytest.MonkeyPatch, page: int
) -> None:
    (nav,) = panel(store)
    written(store, card(store), taken_in(store), nav)
    store.accept(store.install("C-001", nav, None, at=LATER), at=LATER)
    monkeypatch.setattr("mediaprep.records.logbook._PAGE", page)
    assert store.verify_log("D-TEST") == LogHead(3, store.log("D-TEST")[-1].sha256)
    behind_our_back(store, "UPDATE logbook SET previous_sha256 = sha256 WHERE sequence = 3")
    with pytest.raises(LogbookBroken, match="entry 3"):
        store.verify_log("D-TEST")


def test_an_empty_logbook_has_a_head_too(store: Store) -> None:
    panel(store)
    assert store.log_head("D-TEST") == store.verify_log("D-TEST", GENESIS) == LogHead(0, GENESIS)


def test_entries_cut_off_the_end_are_missed_only_by_who_noted_the_digest(store: Store) -> None:
    (nav,) = panel(store)
    written(store, card(store), taken_in(store), nav)
    store.install("C-001", nav, None, at=LATER)
    head = store.log("D-TEST")[-1].sha256
    behind_our_back(store, "DELETE FROM logbook WHERE sequence = 2")
    assert store.verify_log("D-TEST").entries == 1
    with pytest.raises(LogbookBroken):
        store.verify_log("D-TEST", head)


# --- several programs ------------------------------------------------------------------------------------------------

APPENDER = """
import sys
from pathlib import Path
from mediaprep.clock import FixedClock
from mediaprep.records import open_records
from tests.records.builders import NOON, settings
store = open_records(settings(Path(sys.argv[1]), station=sys.argv[2]), clock=FixedClock(NOON))
unit = store.find_unit(sys.argv[2])
print("ready", flush=True)
sys.stdin.readline()
for _ in range(25):
    store.reject(store.install("C-001", unit, None, at=NOON), at=NOON, reason="again")
store.close()
"""


def test_two_programs_that_write_into_one_logbook_lose_and_fork_nothing(store: Store, tmp_path: Path) -> None:
    panel(store, unit("NAV-1"), unit("NAV-2"))
    written(store, card(store), taken_in(store))
    programs = [
        subprocess.Popen(
            [sys.executable, "-c", APPENDER, str(tmp_path), name],
            cwd=ROOT,
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        for name in ("NAV-1", "NAV-2")
    ]
    for program in programs:
        assert program.stdout is not None
        assert program.stdout.readline() == b"ready\n"
    for program in programs:
        assert program.stdin is not None
        program.stdin.write(b"go\n")
        program.stdin.flush()
    for program in programs:
        program.communicate(timeout=120)
        assert program.returncode == 0
    assert store.verify_log("D-TEST").entries == 100
    entries = store.log("D-TEST")
    assert [entry.sequence for entry in entries] == list(range(1, 101))
    by_station = [json.loads(entry.body)["station"] for entry in entries]
    assert by_station.count("NAV-1") == by_station.count("NAV-2") == 50
    assert len(store.loads("D-TEST", "NAV-1")) == len(store.loads("D-TEST", "NAV-2")) == 25


DYING = """
import os, sys
from pathlib import Path
import mediaprep.records.loads, mediaprep.records.store
from mediaprep.clock import FixedClock
from mediaprep.records import open_records
from tests.records.builders import NOON, settings, written
store = open_records(settings(Path(sys.argv[1])), clock=FixedClock(NOON))
module, function = sys.argv[2].rsplit(".", 1)
setattr(sys.modules[module], function, lambda *_, **__: os._exit(9))
written(store, store.card("C-001"), store.bundle("nav-2607"), store.find_unit("NAV-1"))
"""


@pytest.mark.parametrize(
    "moment",
    [
        "mediaprep.records.store.end_with_receipt",
        "mediaprep.records.store.insert_receipt",
        "mediaprep.records.store.prepare_loads",
        "mediaprep.records.loads.append",
        "mediaprep.records.loads._new_load",
        "mediaprep.records.loads.add_event",
    ],
)
def test_a_program_that_dies_within_a_step_leaves_nothing_of_it(
    store: Store, tmp_path: Path, clock: FixedClock, moment: str
) -> None:
    panel(store)
    card(store)
    taken_in(store)
    store.close()
    died = subprocess.run([sys.executable, "-c", DYING, str(tmp_path), moment], cwd=ROOT, timeout=60)
    assert died.returncode == 9
    again = open_records(settings(tmp_path), clock=clock)
    (job,) = again.settle_dead_jobs()
    assert (job.state, job.touched, job.receipt) == (JobState.INTERRUPTED, True, None)
    assert again.latest_receipt("C-001") is None
    assert again.loads("D-TEST") == ()
    assert again.log("D-TEST") == ()
    assert again.fitness("C-001") is Fitness.UNFIT
    assert [file.flushed for file in again.recorded_files("C-001")] == [True] * 3
    again.close()


def test_a_step_that_fails_within_leaves_nothing_of_it(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object) -> None:
        raise ZeroDivisionError

    (nav,) = panel(store)
    made, what = card(store), taken_in(store)
    job = touched(store, made, what, nav)
    proof = receipt(store, made, what)
    with monkeypatch.context() as patched:
        patched.setattr("mediaprep.records.store.prepare_loads", fail)
        with pytest.raises(ZeroDivisionError):
            store.end_job_proven(job.number, proof, nav)
    assert store.job(job.number).state is JobState.RUNNING
    assert store.latest_receipt("C-001") is None
    store.end_job_proven(job.number, proof, nav)
    assert store.job(job.number).state is JobState.DONE
