"""Whether a card may be carried to a unit: a pure rule over what was done to it."""

from __future__ import annotations

from collections.abc import Iterable

from mediaprep.errors import ReadbackFailed, ReadbackMismatch
from mediaprep.model import Fitness, Job, JobKind, JobState, Receipt, Verdict

_BY_VERDICT = {
    Verdict.VERIFIED: Fitness.VERIFIED,
    Verdict.DATA_READ_BACK: Fitness.REINSERT,
    Verdict.UNPROVEN: Fitness.UNFIT,
}
_ORDER = [Fitness.EMPTY, Fitness.UNFIT, Fitness.REINSERT, Fitness.VERIFIED]
_DISPROOFS = {ReadbackMismatch.code, ReadbackFailed.code}


def fitness_of(jobs: Iterable[Job], receipts: Iterable[Receipt]) -> Fitness:
    """Return how a card stands after its jobs, given in any order with all the receipts they ended in.

    A job that touched the card makes it unfit until a full readback proves it, in that job or a later one. What that
    readback proved then holds until the next job that touches the card, or a verify that found the card wrong: a
    later verify with weaker means takes nothing away. One that was cancelled, interrupted or refused, or lost the card
    half-way, says nothing about the card.
    """
    verdicts = {receipt.number: receipt.readback.verdict for receipt in receipts}
    standing = Fitness.EMPTY
    for job in sorted(jobs, key=lambda job: job.number):
        if job.receipt is not None:
            proven = _BY_VERDICT[verdicts[job.receipt]]
            standing = proven if job.touched else max(standing, proven, key=_ORDER.index)
        elif job.touched or _disproves(job):
            standing = Fitness.UNFIT
    return standing


def _disproves(job: Job) -> bool:
    return job.kind is JobKind.VERIFY and job.state is JobState.FAILED and job.code in _DISPROOFS
