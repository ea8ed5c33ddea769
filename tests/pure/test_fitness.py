from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.fitness import fitness_of
from mediaprep.model import (
    DataEvidence,
    Fitness,
    Job,
    JobKind,
    JobState,
    ReadbackReport,
    Receipt,
    StructureEvidence,
    Verdict,
)

NOON = datetime(2026, 7, 1, 12, tzinfo=UTC)
EVIDENCE = {
    Verdict.VERIFIED: (DataEvidence.EVICTED, StructureEvidence.READ_RAW),
    Verdict.DATA_READ_BACK: (DataEvidence.DIRECT, StructureEvidence.ASSUMED),
    Verdict.UNPROVEN: (DataEvidence.CACHED, StructureEvidence.REINSERTED),
}

# What happened, in the words of the tests: (kind, state, touched, code, verdict of the receipt).
Happened = tuple[JobKind, JobState, bool, str | None, Verdict | None]
WRITE, VERIFY = JobKind.WRITE, JobKind.VERIFY
REFUSED: Happened = (WRITE, JobState.REFUSED, False, "preflight-refused", None)
RUNNING: Happened = (WRITE, JobState.RUNNING, True, None, None)
DIED: Happened = (WRITE, JobState.INTERRUPTED, True, "interrupted", None)
FULL: Happened = (WRITE, JobState.FAILED, True, "card-full", None)
DIED_EARLY: Happened = (WRITE, JobState.INTERRUPTED, False, "interrupted", None)
WRITTEN: Happened = (WRITE, JobState.DONE, True, None, Verdict.VERIFIED)
WRITTEN_HALF_PROVEN: Happened = (WRITE, JobState.DONE, True, None, Verdict.DATA_READ_BACK)
WRITTEN_UNPROVEN: Happened = (WRITE, JobState.DONE, True, None, Verdict.UNPROVEN)
VERIFIED: Happened = (VERIFY, JobState.DONE, False, None, Verdict.VERIFIED)
READ_BACK: Happened = (VERIFY, JobState.DONE, False, None, Verdict.DATA_READ_BACK)
READ_FROM_MEMORY: Happened = (VERIFY, JobState.DONE, False, None, Verdict.UNPROVEN)
MISMATCH: Happened = (VERIFY, JobState.FAILED, False, "readback-mismatch", None)
UNREADABLE: Happened = (VERIFY, JobState.FAILED, False, "readback-failed", None)
SILENT: list[Happened] = [
    (VERIFY, JobState.CANCELLED, False, "interrupted", None),
    (VERIFY, JobState.INTERRUPTED, False, "interrupted", None),
    (VERIFY, JobState.REFUSED, False, "target-unsafe", None),
    (VERIFY, JobState.RUNNING, False, None, None),
    (VERIFY, JobState.FAILED, False, "card-gone", None),
    REFUSED,
    DIED_EARLY,
]


def story(*happened: Happened) -> tuple[list[Job], list[Receipt]]:
    jobs, receipts = [], []
    for number, (kind, state, touched, code, verdict) in enumerate(happened, start=1):
        receipt = f"R-{number}" if verdict else None
        jobs.append(Job(number, kind, state, "C-001", None, None, "bench", NOON, NOON, touched, code, None, receipt))
        if verdict:
            data, structure = EVIDENCE[verdict]
            readback = ReadbackReport(1, 1, data, structure, None, (), NOON, NOON)
            receipts.append(Receipt(f"R-{number}", "C-001", "sd:1", True, (), "bench", "0", 1, (), readback, (), NOON))
    return jobs, receipts


@pytest.mark.parametrize(
    ("happened", "expected"),
    [
        ([], Fitness.EMPTY),
        ([REFUSED], Fitness.EMPTY),
        ([DIED_EARLY], Fitness.EMPTY),
        ([RUNNING], Fitness.UNFIT),
        ([DIED], Fitness.UNFIT),
        ([FULL], Fitness.UNFIT),
        ([WRITTEN], Fitness.VERIFIED),
        ([WRITTEN_HALF_PROVEN], Fitness.REINSERT),
        ([WRITTEN_UNPROVEN], Fitness.UNFIT),
        ([WRITTEN_HALF_PROVEN, VERIFIED], Fitness.VERIFIED),
        ([WRITTEN_UNPROVEN, VERIFIED], Fitness.VERIFIED),
        ([DIED, VERIFIED], Fitness.VERIFIED),
        ([WRITTEN, DIED], Fitness.UNFIT),
        ([WRITTEN, RUNNING], Fitness.UNFIT),
        ([WRITTEN, MISMATCH], Fitness.UNFIT),
        ([WRITTEN, UNREADABLE], Fitness.UNFIT),
        ([WRITTEN, MISMATCH, VERIFIED], Fitness.VERIFIED),
        ([WRITTEN, MISMATCH, WRITTEN], Fitness.VERIFIED),
        ([WRITTEN, FULL, WRITTEN_HALF_PROVEN], Fitness.REINSERT),
        ([WRITTEN, READ_BACK], Fitness.VERIFIED),
        ([WRITTEN, READ_FROM_MEMORY], Fitness.VERIFIED),
        ([WRITTEN_HALF_PROVEN, READ_FROM_MEMORY], Fitness.REINSERT),
        ([WRITTEN, MISMATCH, READ_BACK], Fitness.REINSERT),
        ([WRITTEN, WRITTEN_HALF_PROVEN], Fitness.REINSERT),
        ([DIED, READ_FROM_MEMORY], Fitness.UNFIT),
    ],
)
def test_a_card_is_as_fit_as_its_last_proof(happened: list[Happened], expected: Fitness) -> None:
    assert fitness_of(*story(*happened)) is expected


PROOFS = [WRITTEN, WRITTEN_HALF_PROVEN, WRITTEN_UNPROVEN, VERIFIED, READ_BACK, READ_FROM_MEMORY]
EVENTS = st.lists(
    st.sampled_from([*PROOFS, RUNNING, DIED, FULL, MISMATCH, UNREADABLE, *SILENT]),
    max_size=8,
)


@given(EVENTS, st.sampled_from(SILENT))
def test_a_job_that_learned_nothing_changes_nothing(before: list[Happened], silent: Happened) -> None:
    assert fitness_of(*story(*before, silent)) is fitness_of(*story(*before))


@given(EVENTS, st.sampled_from([RUNNING, DIED, FULL]))
def test_a_card_that_was_touched_and_not_proven_is_unfit(before: list[Happened], touch: Happened) -> None:
    assert fitness_of(*story(*before, touch)) is Fitness.UNFIT


@given(EVENTS, st.randoms())
def test_the_order_in_which_jobs_are_given_does_not_matter(happened: list[Happened], random: object) -> None:
    jobs, receipts = story(*happened)
    expected = fitness_of(jobs, receipts)
    random.shuffle(jobs)  # type: ignore[attr-defined]
    assert fitness_of(jobs, receipts) is expected
