"""Jobs: what is being done to which card, written down before it is done, so that a death leaves its mark."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, and_, case, insert, select, update
from sqlalchemy.exc import IntegrityError

from mediaprep.errors import CardBusy, Interrupted, NotFound
from mediaprep.model import (
    LOST_AFTER_SECONDS,
    Bundle,
    Card,
    ClockOffset,
    Finding,
    Job,
    JobKind,
    JobState,
    Receipt,
    RecordedFile,
    Result,
    Station,
    Unit,
)
from mediaprep.ports import Clock
from mediaprep.records import tables as t
from mediaprep.records.bundles import bundle_ids
from mediaprep.records.cards import card_id, forget_files, write_files
from mediaprep.records.database import Database, Subject, Worker, insert_rows, retried, violates_unique
from mediaprep.records.panel import unit_id
from mediaprep.records.processes import process_alive
from mediaprep.records.pulse import Pulse
from mediaprep.records.stations import (
    HEARTBEAT_SECONDS,
    measure_clock,
    of_stations,
    read_stations,
    see_station,
    silent_stations,
)

_JOBS = select(
    t.jobs,
    t.cards.c.name.label("card"),
    t.bundles.c.name.label("bundle"),
    t.aircraft.c.name.label("aircraft"),
    t.units.c.name.label("unit"),
).select_from(
    t.jobs.join(t.cards, t.jobs.c.card_id == t.cards.c.id)
    .outerjoin(t.bundles, t.jobs.c.bundle_id == t.bundles.c.id)
    .outerjoin(t.units, t.jobs.c.unit_id == t.units.c.id)
    .outerjoin(t.aircraft, t.units.c.aircraft_id == t.aircraft.c.id)
)

_TOUCHING = "while writing: the card is unfit until it is written or verified again"
_LOST = f"its station was not seen for {LOST_AFTER_SECONDS / 60:g} minutes,"
_BEFORE = "before it changed anything on the card"


class JobRecords(Subject):
    """Jobs on cards."""

    def __init__(self, database: Database, worker: Worker, clock: Clock) -> None:
        super().__init__(database, worker)
        self._clock = clock
        self._pulse = Pulse(self._beat, HEARTBEAT_SECONDS)
        self.clock_offset = ClockOffset(0.0, 0.0)

    def compare_clocks(self) -> ClockOffset:
        """Measure how far this computer's clock is off the database's, and keep it as `clock_offset`."""
        with self._database.reading() as connection:
            self.clock_offset = measure_clock(connection, self._clock)
        return self.clock_offset

    def stay_seen(self) -> None:
        """Say now that this station is there, and again and again until the store is closed."""
        self._beat()
        self._pulse.hold("service")

    def stations(self) -> tuple[Station, ...]:
        """Return all stations that were ever at work on these records, by name."""
        with self._database.reading() as connection:
            return read_stations(connection)

    @property
    def computer(self) -> str:
        """What tells this computer from others that were given the same name."""
        return self._worker.computer

    def _beat(self) -> None:
        offset = self.compare_clocks()
        with self._database.writing() as connection:
            see_station(connection, self._worker, offset)
        self.settle_dead_jobs()

    @retried
    def begin_job(self, kind: JobKind, card: Card, bundle: Bundle | None, unit: Unit | None, *, at: datetime) -> Job:
        """Open a job of this process. Raise CardBusy when another one is at work on the card, NotFound.

        It is bound to this station, which counts as there until the job ends: a thread of the store keeps saying so.
        """
        try:
            with self._database.writing() as connection:
                see_station(connection, self._worker, self.clock_offset)
                row = {
                    "kind": kind.value,
                    "state": JobState.RUNNING.value,
                    "card_id": card_id(connection, card.name),
                    "bundle_id": bundle_ids(connection, [bundle.name])[bundle.name] if bundle else None,
                    "unit_id": unit_id(connection, unit.aircraft, unit.name) if unit else None,
                    "station": self._worker.station,
                    "computer": self._worker.computer,
                    "operator": self._worker.operator,
                    "process_id": self._worker.process_id,
                    "process_started": self._worker.process_started,
                    "started_at": at,
                    "touched": False,
                    "cancel_requested": False,
                }
                number = connection.execute(insert(t.jobs).values(row).returning(t.jobs.c.number)).scalar_one()
                job = _job(connection, number)
        except IntegrityError as error:
            if not violates_unique(error):
                raise
            raise self._busy(card) from error
        self._pulse.hold(number)
        return job

    @retried
    def begin_touching(
        self, job: int, planned: Sequence[RecordedFile], insertion: str | None, findings: Sequence[Finding]
    ) -> None:
        """Say that the card is about to change, and which files are from now on ours: before the first change.

        Raise NotFound, or Interrupted when another program has taken the job for dead.
        """
        with self._database.writing() as connection:
            card = _running(connection, job).card_id
            connection.execute(update(t.jobs).where(t.jobs.c.number == job).values(touched=True))
            connection.execute(update(t.cards).where(t.cards.c.id == card).values(written_insertion=insertion))
            write_files(connection, card, planned, flushed=False)
            rows = [
                {
                    "job": job,
                    "position": place,
                    "check_name": finding.check,
                    "result": finding.result.value,
                    "subject": finding.subject,
                    "evidence": finding.evidence,
                    "remedy": finding.remedy,
                }
                for place, finding in enumerate(findings)
            ]
            insert_rows(connection, t.job_findings, rows)

    @retried
    def files_flushed(self, job: int, written: Sequence[RecordedFile], removed: Sequence[str]) -> None:
        """Say that a flush of the whole file system returned, and which files it covered: put in, or taken out.

        Raise NotFound, or Interrupted when another program has taken the job for dead.
        """
        with self._database.writing() as connection:
            card = _running(connection, job).card_id
            forget_files(connection, card, removed)
            write_files(connection, card, written, flushed=True)

    def end_job(self, job: int, state: JobState, *, at: datetime, code: str | None, detail: str | None) -> None:
        """Close a job that proved nothing. An ending that is written already stands. Raise NotFound.

        A job that was taken for dead may still say how it really ended: what a readback found must not be lost.
        """
        if state is JobState.RUNNING:
            message = f"Job {job} cannot end as {state.value}"
            raise ValueError(message)
        not_ended = t.jobs.c.state.in_([JobState.RUNNING.value, JobState.INTERRUPTED.value])
        ending = {"state": state.value, "ended_at": at, "code": code, "detail": detail}
        try:
            with self._database.writing() as connection:
                _job(connection, job)
                connection.execute(update(t.jobs).where(t.jobs.c.number == job, not_ended).values(ending))
        finally:
            self._pulse.let_go(job)  # even where the records cannot be had: whoever works on no more is not at work

    def job(self, number: int) -> Job:
        """Return one job. Raise NotFound."""
        with self._database.reading() as connection:
            return _job(connection, number)

    def jobs(self, card: str | None = None, limit: int | None = None) -> tuple[Job, ...]:
        """Return jobs, the newest first; those of one card where it is named. Raise NotFound."""
        with self._database.reading() as connection:
            wanted = _JOBS.order_by(t.jobs.c.number.desc()).limit(limit)
            if card is not None:
                wanted = wanted.where(t.jobs.c.card_id == card_id(connection, card))
            return _jobs(connection, wanted)

    def findings(self, job: int) -> tuple[Finding, ...]:
        """Return what the checks said before a job touched its card; empty for one that touched none."""
        wanted = select(t.job_findings).where(t.job_findings.c.job == job).order_by(t.job_findings.c.position)
        with self._database.reading() as connection:
            return tuple(
                Finding(row.check_name, Result(row.result), row.subject, row.evidence, row.remedy)
                for row in connection.execute(wanted)
            )

    def last_write(self, card: str) -> Job | None:
        """Return the latest job that wrote to the card and touched it, or None. Raise NotFound for the card."""
        with self._database.reading() as connection:
            mine = t.jobs.c.card_id == card_id(connection, card)
            touching = mine & t.jobs.c.touched & (t.jobs.c.kind == JobKind.WRITE.value)
            found = _jobs(connection, _JOBS.where(touching).order_by(t.jobs.c.number.desc()).limit(1))
        return found[0] if found else None

    @retried
    def settle_dead_jobs(self, alive: Callable[[int, float], bool] = process_alive) -> list[Job]:
        """Close the jobs whose process is gone, and return them as they are now.

        Of this station's own, on this computer, `alive` is asked with the process's number and when it started, in
        seconds since 1970. Those of other stations count as dead when their station was not seen for
        `LOST_AFTER_SECONDS`, by the database's clock.
        """
        jobs = t.jobs.c
        here = and_(jobs.station == self._worker.station, jobs.computer == self._worker.computer)
        with self._database.reading() as connection:
            running = connection.execute(select(t.jobs, here.label("here")).where(t.JOB_IS_RUNNING)).all()
            silent = set(silent_stations(connection)) if not all(row.here for row in running) else set()
        gone = [row.number for row in running if row.here and not alive(row.process_id, row.process_started)]
        if not gone and not any((row.station, row.computer) in silent for row in running if not row.here):
            return []
        with self._database.writing() as connection:
            # Asked once more: one that says just now that it is there waits for nobody, and keeps its jobs.
            lost = silent_stations(connection, lock=True)
            return [
                *self._interrupt(connection, here & jobs.number.in_(gone), "the program ended"),
                *self._interrupt(connection, ~here & of_stations(lost), _LOST),
            ]

    def _interrupt(self, connection: Connection, which: ColumnElement[bool], why: str) -> list[Job]:
        """Close the running ones of these jobs: another program may have done so at the same moment."""
        detail = case((t.jobs.c.touched, f"{why} {_TOUCHING}"), else_=f"{why} {_BEFORE}")
        ending = {
            "state": JobState.INTERRUPTED.value,
            "ended_at": self._clock.now(),
            "code": Interrupted.code,
            "detail": detail,
        }
        closed = update(t.jobs).where(t.JOB_IS_RUNNING, which).values(ending).returning(t.jobs.c.number)
        numbers = sorted(connection.execute(closed).scalars())
        return list(_jobs(connection, _JOBS.where(t.jobs.c.number.in_(numbers)).order_by(t.jobs.c.number)))

    def request_cancel(self, job: int) -> None:
        """Ask whoever is at work on a job to stop it. Without effect on one that has ended. Raise NotFound."""
        with self._database.writing() as connection:
            _job(connection, job)
            connection.execute(update(t.jobs).where(t.jobs.c.number == job).values(cancel_requested=True))

    def cancel_requested(self, job: int) -> bool:
        """Return whether someone asked for a job to be stopped. Raise NotFound."""
        with self._database.reading() as connection:
            _job(connection, job)
            return bool(
                connection.execute(select(t.jobs.c.cancel_requested).where(t.jobs.c.number == job)).scalar_one()
            )

    def _busy(self, card: Card) -> CardBusy:
        running = _JOBS.where(t.cards.c.name == card.name, t.JOB_IS_RUNNING)
        with self._database.reading() as connection:
            found = _jobs(connection, running)
        who = f"job {found[0].number} on {found[0].station}" if found else "another job"
        message = f"Card {card.name} is being worked on by {who}"
        if not found or found[0].station == self.station:
            return CardBusy(message)
        freed = f"{found[0].station} be gone, its jobs are freed {LOST_AFTER_SECONDS / 60:g} minutes after it was seen"
        return CardBusy(message, remedy=f"{CardBusy.remedy} Should {freed} last.")


# --- for the other subjects, inside their transactions ---------------------------------------------------------------


def jobs_of(connection: Connection, card: int) -> tuple[Job, ...]:
    """Return all jobs of a card, oldest first."""
    return _jobs(connection, _JOBS.where(t.jobs.c.card_id == card).order_by(t.jobs.c.number))


def end_with_receipt(connection: Connection, job: int, receipt: Receipt) -> None:
    """Close a job with the receipt it ended in, which is in the records already."""
    ending = {
        "state": JobState.DONE.value,
        "ended_at": receipt.issued_at,
        "code": None,
        "detail": None,
        "receipt": receipt.number,
    }
    connection.execute(update(t.jobs).where(t.jobs.c.number == job).values(ending))


def running_job(connection: Connection, job: int) -> tuple[JobKind, int]:
    """Return the kind and the card's key of a job at work. Raise NotFound, or Interrupted when it is no longer."""
    row = _running(connection, job)
    return JobKind(row.kind), row.card_id


# --- rows into values ------------------------------------------------------------------------------------------------


def _running(connection: Connection, job: int) -> Row[Any]:
    row = connection.execute(select(t.jobs).where(t.jobs.c.number == job).with_for_update()).one_or_none()
    if row is None:
        raise _no_job(job)
    if row.state != JobState.RUNNING.value:
        message = f"Job {job} is {row.state} in the records: another program took it for dead, or it has ended"
        raise Interrupted(message)
    return row


def _job(connection: Connection, number: int) -> Job:
    found = _jobs(connection, _JOBS.where(t.jobs.c.number == number))
    if not found:
        raise _no_job(number)
    return found[0]


def _jobs(connection: Connection, wanted: Select[Any]) -> tuple[Job, ...]:
    return tuple(
        Job(
            number=row.number,
            kind=JobKind(row.kind),
            state=JobState(row.state),
            card=row.card,
            bundle=row.bundle,
            unit=(row.aircraft, row.unit) if row.unit is not None else None,
            station=row.station,
            started_at=row.started_at,
            ended_at=row.ended_at,
            touched=row.touched,
            code=row.code,
            detail=row.detail,
            receipt=row.receipt,
        )
        for row in connection.execute(wanted)
    )


def _no_job(number: int) -> NotFound:
    message = f"There is no job {number}"
    return NotFound(message, remedy="See 'mediaprep cards' for the jobs of each card.")
