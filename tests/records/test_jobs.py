from __future__ import annotations

import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import psutil
import pytest
from sqlalchemy.exc import StatementError

from mediaprep.clock import FixedClock
from mediaprep.errors import CardBusy, Interrupted, NotFound
from mediaprep.model import Finding, Fitness, Job, JobKind, JobState, Result
from mediaprep.records import Store, open_records
from mediaprep.records.processes import process_alive, this_process
from tests.records.builders import (
    NOON,
    card,
    manifest,
    owned,
    panel,
    receipt,
    report,
    settings,
    taken_in,
    touched,
    written,
)

LATER = NOON + timedelta(hours=1)


def test_a_job_says_who_does_what_to_which_card(store: Store) -> None:
    (unit,), made, what = panel(store), card(store), taken_in(store)
    job = store.begin_job(JobKind.WRITE, made, what, unit, at=NOON)
    assert job == Job(
        number=1,
        kind=JobKind.WRITE,
        state=JobState.RUNNING,
        card="C-001",
        bundle="nav-2607",
        unit=("D-TEST", "NAV-1"),
        station="bench-1",
        started_at=NOON,
        ended_at=None,
        touched=False,
        code=None,
        detail=None,
        receipt=None,
    )
    assert store.job(1) == job


def test_a_verify_names_neither_bundle_nor_unit(store: Store) -> None:
    job = store.begin_job(JobKind.VERIFY, card(store), None, None, at=NOON)
    assert (job.bundle, job.unit) == (None, None)


def test_one_job_at_a_time_works_on_a_card(store: Store, tmp_path: Path, clock: FixedClock) -> None:
    made = card(store)
    other = card(store, None, "sd:0002")
    first = store.begin_job(JobKind.VERIFY, made, None, None, at=NOON)
    store.begin_job(JobKind.VERIFY, other, None, None, at=NOON)
    elsewhere = open_records(settings(tmp_path, station="bench-2"), clock=clock)
    with pytest.raises(CardBusy, match=r"C-001 .*job 1 on bench-1"):
        elsewhere.begin_job(JobKind.WRITE, made, None, None, at=NOON)
    store.end_job(first.number, JobState.CANCELLED, at=NOON, code=None, detail=None)
    assert elsewhere.begin_job(JobKind.WRITE, made, None, None, at=NOON).station == "bench-2"
    elsewhere.close()


def test_a_job_ends_with_what_it_says(store: Store) -> None:
    job = store.begin_job(JobKind.VERIFY, card(store), None, None, at=NOON)
    store.end_job(job.number, JobState.FAILED, at=LATER, code="card-gone", detail="It is gone")
    ended = store.job(job.number)
    assert (ended.state, ended.ended_at, ended.code, ended.detail) == (
        JobState.FAILED,
        LATER,
        "card-gone",
        "It is gone",
    )


def test_the_first_ending_stands(store: Store) -> None:
    made, what = card(store), taken_in(store)
    proof, _ = written(store, made, what)
    store.end_job(1, JobState.FAILED, at=LATER, code="bug", detail="after the end")
    assert store.job(1).state is JobState.DONE
    assert store.job(1).receipt == proof.number
    assert store.job(1).ended_at == proof.issued_at
    with pytest.raises(Interrupted, match="Job 1 is done"):
        store.end_job_proven(1, receipt(store, made, what), None)


def test_a_job_does_not_end_as_running(store: Store) -> None:
    job = store.begin_job(JobKind.VERIFY, card(store), None, None, at=NOON)
    with pytest.raises(ValueError, match="cannot end as running"):
        store.end_job(job.number, JobState.RUNNING, at=LATER, code=None, detail=None)


def test_the_findings_before_a_write_are_kept(store: Store) -> None:
    findings = (
        Finding("card.capacity", Result.PASS, "C-001", "8 GB (sysfs)"),
        Finding("host.battery", Result.UNKNOWN, "bench-1", "no permission", "Plug it in"),
        Finding("card.capacity", Result.WARN, "C-001", "again"),
    )
    job = store.begin_job(JobKind.WRITE, card(store), taken_in(store), None, at=NOON)
    assert store.findings(job.number) == ()
    store.begin_touching(job.number, [], None, findings)
    assert store.findings(job.number) == findings
    assert store.job(job.number).touched


def test_jobs_stand_newest_first(store: Store) -> None:
    first, second, what = card(store), card(store, None, "sd:0002"), taken_in(store)
    for each in (first, second, first):
        written(store, each, what)
    assert [job.number for job in store.jobs()] == [3, 2, 1]
    assert [job.number for job in store.jobs("C-001")] == [3, 1]
    assert [job.number for job in store.jobs(limit=1)] == [3]


def test_the_last_write_is_the_last_that_touched_the_card(store: Store) -> None:
    (unit,), made, what = panel(store), card(store), taken_in(store)
    assert store.last_write("C-001") is None
    written(store, made, what, unit)
    refused = store.begin_job(JobKind.WRITE, made, what, None, at=NOON)
    store.end_job(refused.number, JobState.REFUSED, at=NOON, code="preflight-refused", detail="")
    verify = store.begin_job(JobKind.VERIFY, made, None, None, at=NOON)
    store.end_job(verify.number, JobState.CANCELLED, at=NOON, code="interrupted", detail="")
    assert store.last_write("C-001") == store.job(1)


def test_jobs_of_dead_processes_are_closed_and_say_so(store: Store, clock: FixedClock) -> None:
    made, other, what = card(store), card(store, None, "sd:0002"), taken_in(store)
    written(store, made, what)
    touched(store, made, what)
    store.begin_job(JobKind.WRITE, other, what, None, at=NOON)
    asked: list[tuple[int, float]] = []

    def nobody(process_id: int, started: float) -> bool:
        asked.append((process_id, started))
        return False

    clock.advance(timedelta(hours=2))
    settled = store.settle_dead_jobs(nobody)
    assert asked == [this_process()] * 2
    assert [(job.number, job.state, job.ended_at) for job in settled] == [
        (2, JobState.INTERRUPTED, NOON + timedelta(hours=2)),
        (3, JobState.INTERRUPTED, NOON + timedelta(hours=2)),
    ]
    assert settled[0].detail == (
        "the program ended while writing: the card is unfit until it is written or verified again"
    )
    assert settled[1].detail == "the program ended before it changed anything on the card"
    assert settled == [store.job(2), store.job(3)]
    assert store.fitness("C-001") is Fitness.UNFIT
    assert store.fitness("C-002") is Fitness.EMPTY
    assert store.settle_dead_jobs(nobody) == []
    assert store.begin_job(JobKind.WRITE, made, what, None, at=NOON).number == 4, "the card is free again"


def test_a_job_that_lives_or_is_anothers_is_left_alone(store: Store, tmp_path: Path, clock: FixedClock) -> None:
    store.begin_job(JobKind.VERIFY, card(store), None, None, at=NOON)
    assert store.settle_dead_jobs() == []
    elsewhere = open_records(settings(tmp_path, station="bench-2"), clock=clock)
    assert elsewhere.settle_dead_jobs(lambda *_: False) == []
    assert elsewhere.job(1).state is JobState.RUNNING
    elsewhere.close()


def test_a_job_that_was_taken_for_dead_may_not_go_on_but_may_say_how_it_ended(store: Store) -> None:
    made, what = card(store), taken_in(store)
    job = touched(store, made, what)
    store.settle_dead_jobs(lambda *_: False)
    files = owned(what, manifest())
    for step in (
        lambda: store.files_flushed(job.number, files, []),
        lambda: store.begin_touching(job.number, files, None, ()),
        lambda: store.end_job_proven(job.number, receipt(store, made, what), None),
    ):
        with pytest.raises(Interrupted, match="Job 1 is interrupted"):
            step()
    assert store.latest_receipt("C-001") is None
    store.end_job(job.number, JobState.FAILED, at=LATER, code="readback-mismatch", detail="data/00000.bin")
    assert store.job(job.number).code == "readback-mismatch"


def test_a_process_is_known_by_its_number_and_its_start() -> None:
    process_id, started = this_process()
    assert process_alive(process_id, started)
    assert not process_alive(process_id, started - 3600), "the number came round again"
    with subprocess.Popen([sys.executable, "-c", ""]) as child:
        began = psutil.Process(child.pid).create_time()
        child.wait(timeout=60)
    assert not process_alive(child.pid, began)


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no remnants of processes")
def test_the_remnant_of_a_process_is_not_alive() -> None:
    child = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
    process = psutil.Process(child.pid)
    began = process.create_time()
    assert process_alive(child.pid, began)
    process.kill()
    while process.status() != psutil.STATUS_ZOMBIE:
        pass
    assert not process_alive(child.pid, began)
    child.communicate(timeout=60)


def test_a_process_that_may_not_be_looked_at_is_not_declared_dead(monkeypatch: pytest.MonkeyPatch) -> None:
    def hidden(process_id: int) -> psutil.Process:
        raise psutil.AccessDenied(process_id)

    monkeypatch.setattr(psutil, "Process", hidden)
    assert process_alive(1, 0.0)


def test_another_program_may_ask_for_a_job_to_be_stopped(store: Store, tmp_path: Path, clock: FixedClock) -> None:
    job = store.begin_job(JobKind.VERIFY, card(store), None, None, at=NOON)
    assert not store.cancel_requested(job.number)
    other = open_records(settings(tmp_path), clock=clock)
    other.request_cancel(job.number)
    other.close()
    assert store.cancel_requested(job.number)
    assert store.job(job.number).state is JobState.RUNNING, "stopping is for the one at work to do"


def test_a_job_that_is_not_there_is_named(store: Store) -> None:
    for asked in (
        lambda: store.job(7),
        lambda: store.request_cancel(7),
        lambda: store.cancel_requested(7),
        lambda: store.files_flushed(7, [], []),
        lambda: store.end_job(7, JobState.DONE, at=NOON, code=None, detail=None),
    ):
        with pytest.raises(NotFound, match="no job 7"):
            asked()


def test_a_time_without_a_zone_is_refused(store: Store) -> None:
    made = card(store)
    with pytest.raises(StatementError, match="without a zone"):
        store.begin_job(JobKind.VERIFY, made, None, None, at=datetime(2026, 7, 1))  # noqa: DTZ001
    assert store.jobs() == ()


# --- receipts --------------------------------------------------------------------------------------------------------


def test_receipt_numbers_are_given_out_once(store: Store) -> None:
    assert [store.next_receipt_number() for _ in range(3)] == ["R-000001", "R-000002", "R-000003"]


def test_a_receipt_comes_back_as_it_was_issued(store: Store) -> None:
    made, what = card(store), taken_in(store)
    assert store.latest_receipt("C-001") is None
    first, _ = written(store, made, what)
    second, _ = written(store, made, what, readback=report())
    assert store.receipt(first.number) == first
    assert store.latest_receipt("C-001") == second
    with pytest.raises(NotFound, match="no receipt R-9"):
        store.receipt("R-9")
