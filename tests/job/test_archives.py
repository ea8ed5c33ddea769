"""The main job from archives: straight from their members to the card, in one pass, and on after an interruption."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from mediaprep.bundles.tar import TarBundle
from mediaprep.errors import Interrupted, PreflightRefused, SourceChanged
from mediaprep.model import Fitness
from mediaprep.progress import Phase
from tests.job.conftest import Workshop, files
from tests.tools import need


def pack(workshop: Workshop, name: str, *command: str) -> Path:
    """Pack the files of the bundle `first` with a program, which gets the archive's path as its next argument."""
    need(command[0])
    path = workshop.folder / name
    subprocess.run([*command, str(path), "."], cwd=workshop.folder / "first", check=True)
    return path


def packed_zip(workshop: Workshop) -> Path:
    return pack(workshop, "set.zip", "zip", "-q", "-r")


def packed_tar_gz(workshop: Workshop) -> Path:
    # Sorted backwards, so that the order on the card cannot come about by chance.
    return pack(workshop, "set.tar.gz", "sh", "-c", 'ls -r | tar -cz -T - -f "$0"')


ARCHIVES = pytest.mark.parametrize("packed", [packed_zip, packed_tar_gz])
Packed = Callable[[Workshop], Path]


@ARCHIVES
def test_an_archive_comes_onto_a_card_and_is_proven_like_its_folder(workshop: Workshop, packed: Packed) -> None:
    workshop.take_in_from("packed", packed(workshop))
    outcome = workshop.write("packed")
    assert workshop.on_card() == workshop.in_bundle("first")
    assert workshop.fitness() is Fitness.VERIFIED
    folder, archive = workshop.store.bundle("first"), workshop.store.bundle("packed")
    assert archive.manifest_sha256 == folder.manifest_sha256
    assert outcome.receipt.bundles[0].manifest_sha256 == folder.manifest_sha256


@ARCHIVES
def test_an_interrupted_write_goes_on_where_it_stopped(workshop: Workshop, packed: Packed) -> None:
    workshop.take_in_from("packed", packed(workshop))
    workshop.stop_when = lambda progress: progress.phase is Phase.COPY and progress.files_done >= 4
    with pytest.raises(Interrupted):
        workshop.write("packed")
    assert workshop.fitness() is Fitness.UNFIT
    workshop.stop_when = lambda _: False
    outcome = workshop.write("packed")
    assert workshop.on_card() == workshop.in_bundle("first")
    assert workshop.fitness() is Fitness.VERIFIED
    assert outcome.receipt.written_bytes <= sum(map(len, workshop.in_bundle("first").values()))


def test_a_packed_tar_is_unpacked_once_for_a_write_and_once_for_intake(
    workshop: Workshop, monkeypatch: pytest.MonkeyPatch
) -> None:
    passes = 0
    walk = TarBundle._walk

    def counting(self: TarBundle, *arguments: object) -> object:
        nonlocal passes
        passes += 1
        return walk(self, *arguments)

    monkeypatch.setattr(TarBundle, "_walk", counting)
    workshop.take_in_from("packed", packed_tar_gz(workshop))
    assert passes == 1
    workshop.write("packed")
    assert passes == 2
    workshop.write("packed")
    assert passes == 2, "nothing is to be written, so nothing is unpacked"


@ARCHIVES
def test_an_archive_that_was_replaced_is_refused_before_the_card_is_touched(workshop: Workshop, packed: Packed) -> None:
    archive = packed(workshop)
    workshop.take_in_from("packed", archive)
    for path, data in files(2).items():
        (workshop.folder / "first" / path).write_bytes(data)
    archive.unlink()
    packed(workshop)
    with pytest.raises(PreflightRefused, match=r"bundle\.changed"):
        workshop.write("packed")
    assert workshop.on_card() == {}


def test_other_contents_under_the_old_time_are_caught_on_the_way(workshop: Workshop) -> None:
    archive = packed_zip(workshop)
    workshop.take_in_from("packed", archive)
    before = archive.stat()
    for path, data in files(2).items():
        (workshop.folder / "first" / path).write_bytes(data)
    archive.unlink()
    packed_zip(workshop)
    os.utime(archive, ns=(before.st_atime_ns, before.st_mtime_ns))
    with pytest.raises(SourceChanged):
        workshop.write("packed")
    assert workshop.fitness() is Fitness.UNFIT
