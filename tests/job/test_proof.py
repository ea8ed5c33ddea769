"""How strong a proof is, and what is made of it: two proofs, both needed for the word verified."""

from __future__ import annotations

from pathlib import Path

import pytest

from mediaprep.devices.script import LyingWrite
from mediaprep.errors import CardNotReady, ForeignFileInTheWay, Interrupted, PreflightRefused, ReadbackMismatch
from mediaprep.model import DataEvidence, Fitness, StructureEvidence, Verdict
from mediaprep.progress import Phase
from tests.job.conftest import Workshop, files, make_card


def test_without_a_remount_the_card_must_be_put_in_again(workshop: Workshop, tmp_path: Path) -> None:
    workshop.card = make_card(tmp_path / "fixed", remounts=False)
    first = workshop.write()
    assert first.receipt.readback.structure_evidence is StructureEvidence.ASSUMED
    assert first.receipt.readback.verdict is Verdict.DATA_READ_BACK
    assert first.loads == (), "a card that is not proven is not prepared for a unit"
    assert workshop.fitness() is Fitness.REINSERT

    again = workshop.verify()
    assert again.receipt.readback.verdict is Verdict.DATA_READ_BACK, "it was not taken out meanwhile"
    with pytest.raises(CardNotReady):
        workshop.store.install("C-1", workshop.unit, None, at=again.receipt.issued_at)

    workshop.card.take_out()
    workshop.card.put_in()
    finished = workshop.verify()
    assert finished.receipt.readback.structure_evidence is StructureEvidence.REINSERTED
    assert finished.receipt.readback.verdict is Verdict.VERIFIED
    assert workshop.fitness() is Fitness.VERIFIED
    assert [load.unit for load in finished.loads] == ["UNIT"]


def test_a_raw_device_that_can_be_read_proves_the_structure_without_a_remount(
    workshop: Workshop, tmp_path: Path
) -> None:
    # A plain read would be answered from memory; the raw device is not.
    workshop.card = make_card(tmp_path / "raw", data_evidence=DataEvidence.CACHED, remounts=False, reads_raw=True)
    first = workshop.write()
    report = first.receipt.readback
    assert (report.structure_evidence, report.data_evidence) == (StructureEvidence.READ_RAW, DataEvidence.DIRECT)
    assert report.verdict is Verdict.VERIFIED
    assert [load.unit for load in first.loads] == ["UNIT"]

    workshop.card.script(LyingWrite("folder-1/file-4.bin", 0, 100))
    with pytest.raises(ReadbackMismatch, match=r"folder-1/file-4\.bin"):
        workshop.verify()


def test_the_stronger_of_two_proofs_of_the_structure_is_kept(workshop: Workshop, tmp_path: Path) -> None:
    workshop.card = make_card(tmp_path / "both", reads_raw=True)
    assert workshop.write().receipt.readback.structure_evidence is StructureEvidence.REMOUNTED
    workshop.card.take_out()
    workshop.card.put_in()
    assert workshop.verify().receipt.readback.structure_evidence is StructureEvidence.REINSERTED


def test_a_readback_from_memory_proves_nothing(workshop: Workshop, tmp_path: Path) -> None:
    workshop.card = make_card(tmp_path / "cached", data_evidence=DataEvidence.CACHED, remounts=False)
    workshop.card.script(LyingWrite("folder-1/file-4.bin", 0, 100))
    receipt = workshop.write().receipt
    assert receipt.readback.verdict is Verdict.UNPROVEN
    assert workshop.fitness() is Fitness.UNFIT


def test_less_read_from_the_device_than_verified_counts_as_memory_whatever_was_tried(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(type(workshop.card), "medium_bytes_read", lambda _: 7)
    report = workshop.write().receipt.readback
    assert report.medium_bytes == 0
    assert report.data_evidence is DataEvidence.CACHED
    assert report.verdict is Verdict.UNPROVEN


def test_a_card_that_lies_about_writing_is_never_called_verified(workshop: Workshop) -> None:
    workshop.card.script(LyingWrite("folder-1/file-4.bin", 0, 100))
    with pytest.raises(ReadbackMismatch) as caught:
        workshop.write()
    assert caught.value.paths[0].startswith("folder-1/file-4.bin (content differs")


def test_a_kept_file_that_differs_is_written_again_and_only_that(workshop: Workshop) -> None:
    workshop.write()
    victim = workshop.card.volume / "folder-2" / "file-5.bin"
    victim.write_bytes(bytes(victim.stat().st_size))
    receipt = workshop.write().receipt
    assert receipt.rewritten == ("folder-2/file-5.bin",)
    assert receipt.written_bytes == victim.stat().st_size
    assert workshop.on_card() == workshop.in_bundle("first")


def test_a_kept_file_of_another_bundle_that_differs_cannot_be_mended_here(workshop: Workshop) -> None:
    workshop.take_in("map", {"map/tile.bin": bytes(5000)}, kind="base-map")
    workshop.write("map")
    workshop.write("first")
    (workshop.card.volume / "map" / "tile.bin").write_bytes(b"x" * 5000)
    with pytest.raises(ReadbackMismatch) as caught:
        workshop.write("first")
    assert caught.value.paths[0].startswith("map/tile.bin")
    assert workshop.fitness() is Fitness.UNFIT
    assert workshop.write("map").receipt.rewritten == ("map/tile.bin",)
    assert workshop.fitness() is Fitness.VERIFIED


def test_the_next_cycle_writes_only_what_changed_and_removes_what_is_gone(workshop: Workshop) -> None:
    workshop.write()
    newer = files(1)
    newer["folder-0/file-0.bin"] = b"new" * 20_000
    del newer["folder-1/file-1.bin"], newer["folder-1/file-4.bin"], newer["folder-1/file-7.bin"]
    workshop.take_in("second", newer)
    receipt = workshop.write("second").receipt
    assert receipt.written_bytes == 60_000
    assert workshop.on_card() == workshop.in_bundle("second")
    assert not (workshop.card.volume / "folder-1").exists(), "a folder that our removal emptied goes too"
    assert [one.name for one in receipt.bundles] == ["second"]


def test_a_foreign_file_with_the_right_content_is_counted_and_one_with_other_content_is_not(
    workshop: Workshop,
) -> None:
    wanted = workshop.in_bundle("first")
    path = workshop.card.volume / "folder-0" / "file-0.bin"
    path.parent.mkdir()
    path.write_bytes(bytes(len(wanted["folder-0/file-0.bin"])))
    with pytest.raises(ForeignFileInTheWay):
        workshop.write()
    assert not any(path.read_bytes()), "it is left as it was"
    path.write_bytes(wanted["folder-0/file-0.bin"])
    workshop.write()
    assert {file.path for file in workshop.store.recorded_files("C-1")} == set(wanted)


def test_progress_tells_each_phase_with_totals_that_are_reached(workshop: Workshop) -> None:
    workshop.write()
    total = sum(map(len, workshop.in_bundle("first").values()))
    for phase in (Phase.COPY, Phase.READBACK):
        told = [one for one in workshop.progress if one.phase is phase]
        assert told[-1].bytes_done == told[-1].bytes_total == total
        assert told[-1].files_done == told[-1].files_total == 9
        assert [one.bytes_done for one in told] == sorted(one.bytes_done for one in told)


def test_a_verify_of_a_card_that_was_never_written_says_so(workshop: Workshop) -> None:
    with pytest.raises(CardNotReady):
        workshop.verify()


def test_a_file_that_was_there_before_is_never_ours_though_the_bundle_counts_it(workshop: Workshop) -> None:
    """Safety rule: what mediaprep did not put on a card is never replaced or removed, not by a later cycle either."""
    wanted = workshop.in_bundle("first")
    path = workshop.card.volume / "folder-0" / "file-0.bin"
    path.parent.mkdir()
    path.write_bytes(wanted["folder-0/file-0.bin"])
    workshop.write()
    assert workshop.verify().receipt.readback.files == len(wanted)

    newer = files(1)
    del newer["folder-0/file-0.bin"]
    workshop.take_in("second", newer)
    workshop.write("second")
    assert path.read_bytes() == wanted["folder-0/file-0.bin"], "the next cycle lacks it, and leaves it there"

    newer["folder-0/file-0.bin"] = b"longer than before" * 5000
    workshop.take_in("third", newer)
    with pytest.raises(PreflightRefused):
        workshop.write("third")
    assert path.read_bytes() == wanted["folder-0/file-0.bin"]


def test_a_file_that_two_bundles_share_stays_while_one_of_them_needs_it(workshop: Workshop) -> None:
    workshop.take_in("map", {"map/tile.bin": bytes(5000), "readme.txt": b"the same in both"}, kind="base-map")
    workshop.take_in("nav", {"nav.bin": bytes(3000), "readme.txt": b"the same in both"})
    workshop.take_in("later", {"nav.bin": bytes(4000)})
    workshop.write("map")
    workshop.write("nav")
    receipt = workshop.write("later").receipt
    assert (workshop.card.volume / "readme.txt").read_bytes() == b"the same in both"
    assert {one.name: one.file_count for one in receipt.bundles} == {"later": 1, "map": 2}
    assert receipt.readback.files == 3, "what the receipt says of the map was read back, the shared file included"

    (workshop.card.volume / "readme.txt").write_bytes(b"not the same now")
    with pytest.raises(ReadbackMismatch) as caught:
        workshop.verify()
    assert caught.value.paths[0].startswith("readme.txt")


def test_an_unfinished_write_of_another_kind_is_finished_first(workshop: Workshop) -> None:
    workshop.take_in("map", {"map/tile-1.bin": bytes(50_000), "map/tile-2.bin": bytes(60_000)}, kind="base-map")
    workshop.stop_when = lambda progress: progress.phase is Phase.COPY
    with pytest.raises(Interrupted):
        workshop.write("map")
    workshop.stop_when = lambda _: False
    with pytest.raises(PreflightRefused, match=r"card\.unfinished"):
        workshop.write("first")
    workshop.write("map")
    workshop.write("first")


def test_a_change_of_cycle_that_was_cut_short_is_not_verified_but_finished(workshop: Workshop) -> None:
    workshop.write()
    workshop.take_in("second", files(2))
    workshop.stop_when = lambda progress: progress.phase is Phase.COPY and progress.files_done > 2
    with pytest.raises(Interrupted):
        workshop.write("second")
    workshop.stop_when = lambda _: False
    with pytest.raises(CardNotReady, match="first and second"):
        workshop.verify()
    workshop.write("second")
    assert workshop.on_card() == workshop.in_bundle("second")


def test_a_name_that_the_card_spells_in_another_case_is_the_same_file(workshop: Workshop) -> None:
    workshop.take_in("upper", {"NAV/DATA.BIN": bytes(3000)})
    workshop.take_in("lower", {"nav/data.bin": b"x" * 3000})
    workshop.write("upper")
    receipt = workshop.write("lower").receipt
    assert receipt.readback.verdict is Verdict.VERIFIED
    assert list(workshop.on_card().values()) == [b"x" * 3000]
