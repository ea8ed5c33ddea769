"""Stations that share records: who is there, whose jobs are freed, and what a wrong clock does and does not do."""

from __future__ import annotations

import platform
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import update

from mediaprep import __version__
from mediaprep.clock import FixedClock, SystemClock
from mediaprep.errors import CardBusy, Interrupted, RecordsUnusable
from mediaprep.model import LOST_AFTER_SECONDS, ClockOffset, Fitness, JobKind, JobState, Station
from mediaprep.records import Store, open_records
from mediaprep.records import tables as t
from mediaprep.records.opening import FILE_NAME
from mediaprep.records.processes import COMPUTER_FILE, this_computer
from mediaprep.records.pulse import Pulse
from mediaprep.records.stations import HEARTBEAT_SECONDS, DatabaseNow
from tests.records.builders import NOON, card, manifest, owned, receipt, settings, taken_in, touched

ROOT = Path(__file__).resolve().parents[2]
UNFIT = "while writing: the card is unfit until it is written or verified again"
Opener = Callable[..., Store]


@pytest.fixture
def another(store: Store, tmp_path: Path, clock: FixedClock) -> Iterator[Opener]:
    """Opens the records of `store` from another computer."""
    opened = []

    def other(station: str = "bench-2", *, on: FixedClock | SystemClock = clock) -> Store:
        here = settings(tmp_path, station=station)
        url = here.database_url or f"sqlite:///{here.data_dir / FILE_NAME}"
        away = replace(here, data_dir=tmp_path / f"computer {len(opened)}", database_url=url)
        opened.append(open_records(away, clock=on))
        return opened[-1]

    yield other
    for each in opened:
        each.close()


def nobody_alive(*_: object) -> bool:
    return False


def silence(store: Store, station: str, *, seconds: float) -> None:
    """Let a station have been last seen so long ago, by the database's clock."""
    with store._database.writing() as connection:
        now = connection.scalar(DatabaseNow().select())
        seen = update(t.stations).where(t.stations.c.name == station)
        connection.execute(seen.values(last_seen_at=now - timedelta(seconds=seconds)))


def test_a_station_is_there_from_its_first_job_on(store: Store, another: Opener) -> None:
    assert store.stations() == ()
    job = store.begin_job(JobKind.VERIFY, card(store), None, None, at=NOON)
    (seen,) = another().stations()
    assert seen == Station(
        name="bench-1",
        computer=store.computer,
        tool_version=__version__,
        first_seen_at=seen.first_seen_at,
        last_seen_at=seen.last_seen_at,
        silent_seconds=seen.silent_seconds,
        clock=store.clock_offset,
        jobs=(job.number,),
    )
    assert 0 <= seen.silent_seconds < LOST_AFTER_SECONDS
    assert not seen.lost
    assert seen.first_seen_at <= seen.last_seen_at
    store.end_job(job.number, JobState.CANCELLED, at=NOON, code=None, detail=None)
    assert store.stations()[0].jobs == ()


def test_times_of_stations_are_the_databases_own(store: Store) -> None:
    before = SystemClock().now()
    store.begin_job(JobKind.VERIFY, card(store), None, None, at=NOON)
    after = SystemClock().now()
    (seen,) = store.stations()
    # The database is on this computer, and SQLite cuts its clock to milliseconds.
    assert before - timedelta(milliseconds=1) <= seen.last_seen_at <= after
    assert seen.last_seen_at != NOON, "not the station's clock, which stands still here"


def test_a_service_stays_seen_and_keeps_when_it_first_was(store: Store) -> None:
    store.stay_seen()
    first = store.stations()[0]
    silence(store, "bench-1", seconds=1000)
    assert store.stations()[0].lost
    store.stay_seen()
    again = store.stations()[0]
    assert again.first_seen_at == first.first_seen_at
    assert again.last_seen_at >= first.last_seen_at


# --- a station that dies -----------------------------------------------------------------------------------------


def test_the_jobs_of_a_station_that_was_not_seen_for_long_are_freed_by_another(store: Store, another: Opener) -> None:
    made, spare, what = card(store), card(store, None, "sd:0002"), taken_in(store)
    touched(store, made, what)
    store.begin_job(JobKind.WRITE, spare, what, None, at=NOON)
    elsewhere = another()
    with pytest.raises(CardBusy, match="job 1 on bench-1") as caught:
        elsewhere.begin_job(JobKind.WRITE, made, what, None, at=NOON)
    assert "Should bench-1 be gone" in caught.value.remedy
    silence(store, "bench-1", seconds=LOST_AFTER_SECONDS + 1)
    settled = elsewhere.settle_dead_jobs()
    assert [(job.number, job.state, job.detail) for job in settled] == [
        (
            1,
            JobState.INTERRUPTED,
            f"its station was not seen for 5 minutes, {UNFIT}",
        ),
        (2, JobState.INTERRUPTED, "its station was not seen for 5 minutes, before it changed anything on the card"),
    ]
    assert elsewhere.settle_dead_jobs() == []
    assert (store.fitness("C-001"), store.fitness("C-002")) == (Fitness.UNFIT, Fitness.EMPTY)
    assert elsewhere.begin_job(JobKind.WRITE, made, what, None, at=NOON).station == "bench-2"


def test_the_jobs_of_a_station_that_is_there_are_left_alone(store: Store, another: Opener) -> None:
    touched(store, card(store), taken_in(store))
    silence(store, "bench-1", seconds=LOST_AFTER_SECONDS - 60)
    for name in ("bench-2", "bench-1"):  # another computer of the same name knows nothing of this one's processes
        assert another(name).settle_dead_jobs(nobody_alive) == []
    assert store.job(1).state is JobState.RUNNING


def test_a_job_of_ones_own_that_lives_is_left_alone_however_long_the_station_was_silent(store: Store) -> None:
    touched(store, card(store), taken_in(store))
    silence(store, "bench-1", seconds=10 * LOST_AFTER_SECONDS)
    assert store.settle_dead_jobs() == []
    assert store.job(1).state is JobState.RUNNING


@pytest.mark.parametrize("database", ["postgresql"], indirect=True)  # a SQLite file has one writer at a time
def test_a_station_seen_at_this_very_moment_keeps_its_jobs(store: Store, another: Opener) -> None:
    touched(store, card(store), taken_in(store))
    silence(store, "bench-1", seconds=LOST_AFTER_SECONDS + 1)
    elsewhere = another()
    with store._database.writing() as connection:  # about to say that it is there, not yet done
        connection.execute(update(t.stations).values(last_seen_at=DatabaseNow()))
        assert elsewhere.settle_dead_jobs() == []
    assert store.job(1).state is JobState.RUNNING


def test_several_stations_that_look_at_once_free_a_job_once(store: Store, another: Opener) -> None:
    touched(store, card(store), taken_in(store))
    silence(store, "bench-1", seconds=LOST_AFTER_SECONDS + 1)
    others = [another(f"bench-{number}") for number in range(2, 6)]
    start = threading.Barrier(len(others))
    settled: list[int] = []

    def look(at: Store) -> None:
        start.wait()
        settled.extend(job.number for job in at.settle_dead_jobs())

    threads = [threading.Thread(target=look, args=(each,)) for each in others]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert settled == [1]


def test_a_station_that_comes_back_may_not_go_on_with_a_job_that_was_freed(store: Store, another: Opener) -> None:
    made, what = card(store), taken_in(store)
    job = touched(store, made, what)
    silence(store, "bench-1", seconds=LOST_AFTER_SECONDS + 1)
    another().settle_dead_jobs()
    with pytest.raises(Interrupted, match="Job 1 is interrupted"):
        store.files_flushed(job.number, owned(what, manifest()), [])
    with pytest.raises(Interrupted):
        store.end_job_proven(job.number, receipt(store, made, what), None)
    assert store.fitness("C-001") is Fitness.UNFIT


WORKING = """
import sys
from pathlib import Path
from mediaprep.clock import FixedClock
from mediaprep.records import jobs, open_records
from tests.records.builders import NOON, settings, touched
jobs.HEARTBEAT_SECONDS = 0.05
store = open_records(settings(Path(sys.argv[1])), clock=FixedClock(NOON))
touched(store, store.card("C-001"), store.bundle("nav-2607"))
print("at work", flush=True)
sys.stdin.readline()
"""


def test_a_station_at_work_is_seen_again_and_again_until_it_is_killed(
    store: Store, another: Opener, tmp_path: Path
) -> None:
    card(store)
    taken_in(store)
    command = [sys.executable, "-c", WORKING, str(tmp_path)]
    with subprocess.Popen(command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as station:
        try:
            assert station.stdout is not None
            assert station.stdout.readline() == b"at work\n"
            silence(store, "bench-1", seconds=LOST_AFTER_SECONDS + 1)
            deadline = time.monotonic() + 60
            while store.stations()[0].lost:
                assert time.monotonic() < deadline, "it does not say that it is there"
            elsewhere = another()
            assert elsewhere.settle_dead_jobs(nobody_alive) == []
        finally:
            station.kill()
    silence(store, "bench-1", seconds=LOST_AFTER_SECONDS + 1)
    assert [job.state for job in elsewhere.settle_dead_jobs()] == [JobState.INTERRUPTED]
    assert store.fitness("C-001") is Fitness.UNFIT


# --- the pulse -------------------------------------------------------------------------------------------------------


def test_a_pulse_beats_while_there_is_a_reason() -> None:
    beaten = threading.Semaphore(0)
    pulse = Pulse(beaten.release, 0.001)
    pulse.hold("a")
    pulse.hold("b")
    assert beaten.acquire(timeout=60)
    pulse.let_go("a")
    pulse.let_go("never held")
    for _ in range(3):
        assert beaten.acquire(timeout=60)
    (thread,) = [each for each in threading.enumerate() if each.name == "pulse"]
    pulse.let_go("b")
    thread.join(60)
    assert not thread.is_alive()
    pulse.hold("a")
    assert beaten.acquire(timeout=60)
    pulse.stop()
    assert not [each for each in threading.enumerate() if each.name == "pulse"]


def test_a_beat_that_the_records_refuse_is_made_up_for_by_the_next() -> None:
    beats: list[int] = []
    twice = threading.Event()

    def beat() -> None:
        beats.append(1)
        if len(beats) == 1:
            message = "The network is gone for a moment"
            raise RecordsUnusable(message)
        twice.set()

    pulse = Pulse(beat, 0.001)
    pulse.hold("job")
    assert twice.wait(60)
    pulse.stop()


def test_nothing_beats_for_a_job_that_has_ended(store: Store) -> None:
    made, what = card(store), taken_in(store)
    for end in (
        lambda job: store.end_job(job, JobState.FAILED, at=NOON, code=None, detail=None),
        lambda job: store.end_job_proven(job, receipt(store, made, what), None),
    ):
        job = touched(store, made, what)
        assert store._pulse._thread is not None
        end(job.number)
        assert store._pulse._thread is None


def test_a_station_at_work_is_seen_many_times_before_it_counts_as_lost() -> None:
    assert HEARTBEAT_SECONDS * 10 < LOST_AFTER_SECONDS


# --- which computer --------------------------------------------------------------------------------------------------


def test_a_computer_is_the_same_as_long_as_its_folder_lasts(tmp_path: Path) -> None:
    first = this_computer(tmp_path)
    assert this_computer(tmp_path) == first
    assert [path.name for path in tmp_path.iterdir()] == [COMPUTER_FILE]
    (tmp_path / COMPUTER_FILE).unlink()
    assert this_computer(tmp_path) != first


def test_a_folder_that_follows_its_owner_does_not_make_two_computers_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    first = this_computer(tmp_path)
    monkeypatch.setattr(platform, "node", lambda: "another")
    assert this_computer(tmp_path) != first


def test_a_computer_that_cannot_be_told_from_others_is_an_error_that_names_the_file(tmp_path: Path) -> None:
    (tmp_path / COMPUTER_FILE).write_bytes(b"\xff")
    with pytest.raises(RecordsUnusable, match=COMPUTER_FILE):
        this_computer(tmp_path)


# --- clocks ----------------------------------------------------------------------------------------------------------


class WrongClock(SystemClock):
    """This computer's clock, set wrong."""

    def __init__(self, ahead: timedelta) -> None:
        self._ahead = ahead

    def now(self) -> object:  # type: ignore[override]
        return super().now() + self._ahead


@pytest.mark.parametrize(("seconds", "off"), [(0, False), (90, True), (-90, True)])
def test_a_wrong_clock_is_measured_when_the_records_are_opened_and_shown_to_all(
    store: Store, another: Opener, seconds: int, off: bool
) -> None:
    wrong = another("bench-2", on=WrongClock(timedelta(seconds=seconds)))
    measured = wrong.clock_offset
    # The database is on this computer; SQLite cuts its clock to milliseconds.
    assert abs(measured.ahead_seconds - seconds) <= measured.within_seconds + 0.001
    assert measured.off is off
    wrong.begin_job(JobKind.VERIFY, card(store), None, None, at=NOON)
    assert [station.clock for station in store.stations()] == [measured]


def test_a_clock_is_not_called_wrong_on_a_slow_answer() -> None:
    assert ClockOffset(2.5, 0.1).off
    assert ClockOffset(-2.5, 0.1).off
    assert not ClockOffset(2.5, 0.6).off
    assert not ClockOffset(2.0, 0.0).off


def test_a_wrong_clock_frees_nobodys_job(store: Store, another: Opener) -> None:
    touched(store, card(store), taken_in(store))
    for hours in (-48, 48):
        assert another(on=WrongClock(timedelta(hours=hours))).settle_dead_jobs(nobody_alive) == []
    assert store.job(1).state is JobState.RUNNING
