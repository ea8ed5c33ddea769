"""What a job says and leaves behind when the card misbehaves: the right error, an unfit card, and a way back."""

from __future__ import annotations

import pytest

from mediaprep.devices.script import (
    EndsEarly,
    Fault,
    FlippedBit,
    FullAfter,
    LosesPower,
    LyingWrite,
    Unflushed,
    VanishesAfterReading,
    VanishesAfterWriting,
)
from mediaprep.errors import CardFull, CardGone, Interrupted, MediaPrepError, ReadbackMismatch
from mediaprep.model import Fitness, JobState, LoadState, Verdict
from mediaprep.progress import Phase
from tests.job.conftest import Workshop

SPOILT = "folder-1/file-4.bin"


@pytest.mark.parametrize(
    ("fault", "error"),
    [
        (FullAfter(100_000), CardFull),
        (VanishesAfterWriting(100_000), CardGone),
        (VanishesAfterWriting(100_000, Unflushed.EMPTY), CardGone),
        (VanishesAfterReading(100_000), CardGone),
        (LosesPower(200_000, Unflushed.EMPTY), CardGone),
        (LosesPower(200_000, Unflushed.GONE), CardGone),
        (FlippedBit(SPOILT, 777), ReadbackMismatch),
        (LyingWrite(SPOILT, 4096, 512), ReadbackMismatch),
        (EndsEarly(SPOILT, 30_000), ReadbackMismatch),
    ],
    ids=repr,
)
def test_a_fault_is_named_the_card_is_unfit_and_the_next_write_mends_it(
    workshop: Workshop, fault: Fault, error: type[MediaPrepError]
) -> None:
    workshop.card.script(fault)
    with pytest.raises(error) as caught:
        workshop.write()
    job = workshop.store.jobs("C-1")[0]
    assert (job.state, job.code, job.touched) == (JobState.FAILED, error.code, True)
    assert workshop.fitness() is Fitness.UNFIT
    assert workshop.store.loads("TEST") == ()
    if isinstance(caught.value, ReadbackMismatch):
        assert [path.split(" ")[0] for path in caught.value.paths] == [SPOILT]

    workshop.card.script()
    workshop.card.put_in()
    outcome = workshop.write()
    assert outcome.receipt.readback.verdict is Verdict.VERIFIED
    assert workshop.on_card() == workshop.in_bundle("first")
    assert workshop.fitness() is Fitness.VERIFIED
    assert [load.state for load in outcome.loads] == [LoadState.PREPARED]


def test_files_that_power_loss_left_empty_are_not_taken_for_whole(workshop: Workshop) -> None:
    """What was seen on FAT: names there, files of 0 bytes. The journal did not hear of a flush, so none is kept."""
    workshop.card.script(LosesPower(250_000, Unflushed.EMPTY))
    with pytest.raises(CardGone):
        workshop.write()
    workshop.card.put_in()
    empty = [path for path, content in workshop.on_card().items() if not content]
    assert len(empty) > 3
    assert not any(file.flushed for file in workshop.store.recorded_files("C-1"))
    receipt = workshop.write().receipt
    assert receipt.written_bytes == sum(map(len, workshop.in_bundle("first").values()))


def test_a_stop_leaves_an_unfit_card_and_no_lost_count(workshop: Workshop) -> None:
    workshop.stop_when = lambda progress: progress.phase is Phase.COPY and progress.files_done >= 3
    with pytest.raises(Interrupted):
        workshop.write()
    assert workshop.store.jobs("C-1")[0].state is JobState.CANCELLED
    assert workshop.fitness() is Fitness.UNFIT
    workshop.stop_when = lambda _: False
    assert workshop.write().receipt.readback.verdict is Verdict.VERIFIED


def test_a_stop_in_the_readback_proves_nothing(workshop: Workshop) -> None:
    workshop.stop_when = lambda progress: progress.phase is Phase.READBACK
    with pytest.raises(Interrupted):
        workshop.write()
    assert workshop.fitness() is Fitness.UNFIT
    workshop.stop_when = lambda _: False
    outcome = workshop.verify()
    assert outcome.receipt.readback.verdict is Verdict.VERIFIED
    assert workshop.fitness() is Fitness.VERIFIED


def test_a_bug_in_the_middle_still_closes_the_job(workshop: Workshop, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(type(workshop.card), "rename", lambda *_: 1 / 0)
    with pytest.raises(ZeroDivisionError):
        workshop.write()
    job = workshop.store.jobs("C-1")[0]
    assert (job.state, job.code) == (JobState.FAILED, "bug")
    assert "ZeroDivisionError" in (job.detail or "")
    assert workshop.fitness() is Fitness.UNFIT
