"""The one orchestration that the command line and the service both call: check, plan, write, prove, record.

`prepare_card()` is the main job and reads from top to bottom; `verify_card()` is its second half, for a card that was
written before. Both take everything that touches the world as one `Bench`.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from mediaprep.bench import Bench, Wish
from mediaprep.errors import (
    CardNotReady,
    Interrupted,
    MediaPrepError,
    PreflightRefused,
    PreflightUnknown,
    TargetUnsafe,
)
from mediaprep.gate import check_card, refuse_unless_allowed, refuse_unsafe
from mediaprep.model import (
    Card,
    Job,
    JobKind,
    JobState,
    Load,
    Receipt,
    Result,
    StructureEvidence,
    Unit,
    value_or_none,
)
from mediaprep.progress import Phase, Progress
from mediaprep.proving import expected_files, make_receipt, read_back_all, refuse_mismatches, soon_ours, write_and_prove
from mediaprep.write import stop_if, to_copy


@dataclass(frozen=True)
class Outcome:
    """What a finished job left: its receipt, and the loads prepared for the unit."""

    job: int
    receipt: Receipt
    loads: tuple[Load, ...]


def prepare_card(wish: Wish, bench: Bench) -> Outcome:
    """Check, write, prove and record: one bundle on one card for one unit.

    Raise PreflightRefused or PreflightUnknown before anything is touched; afterwards what the write and the readback
    raise. However it ends, the records say so, and a card that may have changed is unfit until a readback proves it.
    """
    records, clock = bench.records, bench.clock
    job = records.begin_job(JobKind.WRITE, wish.card, wish.bundle, wish.unit, at=clock.now())
    with _closing(job, bench):
        bench.on_job(job)
        checked = check_card(wish, bench)
        bench.on_findings(checked.findings)
        refuse_unless_allowed(checked, wish)
        refuse_unsafe(checked.facts.card)
        stop_if(bench.cancelled)

        plan = checked.facts.plan
        insertion = value_or_none(checked.facts.card.insertion)
        records.begin_touching(job.number, soon_ours(to_copy(plan)), insertion, checked.findings)
        written_bytes, rewritten, report = write_and_prove(checked.facts, wish, bench, job)

        bench.progress(Progress(Phase.RECORD, 0, 1, 0, 0))
        accepted = tuple(sorted(f.check for f in checked.findings if f.result is Result.UNKNOWN))
        receipt = make_receipt(
            wish.card,
            checked.facts.card,
            plan.files,
            report,
            bench,
            written_bytes=written_bytes,
            rewritten=rewritten,
            accepted=accepted,
        )
        loads = records.end_job_proven(job.number, receipt, wish.unit)
        bench.progress(Progress(Phase.RECORD, 1, 1, 0, 0))
    return Outcome(job.number, receipt, loads)


def verify_card(card: Card, unit: Unit | None, bench: Bench) -> Outcome:
    """Read back all that mediaprep put on a card, and finish the proof of a write that could not be proven then.

    `unit` is the one the card was written for, if known: its load is prepared when the proof is complete. Raise
    CardNotReady when nothing was ever put on the card, ReadbackMismatch naming every file that differs.
    """
    records, clock = bench.records, bench.clock
    facts = bench.card.facts()
    recorded = records.recorded_files(card.name)
    if not recorded:
        message = f"Card {card.name} holds nothing that mediaprep put there"
        raise CardNotReady(message, remedy="Write a bundle to it first: 'mediaprep write'.")
    job = records.begin_job(JobKind.VERIFY, card, None, unit, at=clock.now())
    with _closing(job, bench):
        bench.on_job(job)
        wanted = expected_files(card, recorded, records)
        insertion, written_in = value_or_none(facts.insertion), records.written_insertion(card.name)
        if insertion is not None and written_in is not None and insertion != written_in:
            structure = StructureEvidence.REINSERTED
        else:
            structure = bench.card.remount()
        report = read_back_all(wanted, structure, facts, bench)
        refuse_mismatches(card, report)
        receipt = make_receipt(card, facts, wanted, report, bench)
        loads = records.end_job_proven(job.number, receipt, unit)
    return Outcome(job.number, receipt, loads)


@contextmanager
def _closing(job: Job, bench: Bench) -> Iterator[None]:
    """Make sure that a job which fails says so in the records, whatever ended it. The success path closes itself."""
    try:
        yield
    except MediaPrepError as error:
        if isinstance(error, Interrupted):
            state = JobState.CANCELLED
        elif isinstance(error, PreflightRefused | PreflightUnknown | TargetUnsafe):
            state = JobState.REFUSED
        else:
            state = JobState.FAILED
        bench.records.end_job(job.number, state, at=bench.clock.now(), code=error.code, detail=str(error))
        raise
    except KeyboardInterrupt:
        detail = "Stopped from the keyboard"
        bench.records.end_job(
            job.number, JobState.CANCELLED, at=bench.clock.now(), code=Interrupted.code, detail=detail
        )
        raise
    except BaseException as error:
        detail = f"{type(error).__name__}: {error}"
        bench.records.end_job(
            job.number, JobState.FAILED, at=bench.clock.now(), code=MediaPrepError.code, detail=detail
        )
        raise
