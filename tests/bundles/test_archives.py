"""What archives do as sources of bundles: recognised by content, read once, handed out in their own order."""

from __future__ import annotations

import gzip
import hashlib
import io
import os
import random
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from mediaprep.bundles import open_bundle
from mediaprep.bundles.archive import Archive
from mediaprep.bundles.packing import CHUNK_BYTES
from mediaprep.errors import BundleEmpty, BundleUnreadable, Interrupted, Usage
from mediaprep.ports import BundleSource
from mediaprep.progress import Phase, Progress
from tests.bundles.hostile_zip import Made, zip_of

FILES = {
    "z/first.bin": random.Random(1).randbytes(2 * CHUNK_BYTES + 5),
    "a/second.bin": b"abc",
    "m.bin": random.Random(2).randbytes(700_000),
    "empty.bin": b"",
}


def make_zip(path: Path, files: dict[str, bytes]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in files.items():
            archive.writestr(name, data)


def make_tar(path: Path, files: dict[str, bytes], mode: str = "") -> None:
    with tarfile.open(path, f"w:{mode}") as archive:
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            archive.addfile(info, io.BytesIO(data))


MAKERS: dict[str, Callable[[Path, dict[str, bytes]], None]] = {
    "zip": make_zip,
    "tar": make_tar,
    "tar.gz": lambda path, files: make_tar(path, files, "gz"),
}


@pytest.fixture(params=MAKERS)
def archive(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    path = tmp_path / "some.archive"
    MAKERS[request.param](path, FILES)
    return path


def never() -> bool:
    return False


def handed_out(source: BundleSource, paths: list[str]) -> list[tuple[str, bytes]]:
    with source.hand_out(paths, never) as files:
        return [(path, b"".join(chunks)) for path, chunks in files]


def test_files_come_in_path_order_with_size_digest_and_the_archives_time(archive: Path) -> None:
    manifest = open_bundle(archive).take_in(lambda _: None, never)
    modified_ns = archive.stat().st_mtime_ns
    assert [(one.path, one.size_bytes, one.sha256, one.modified_ns) for one in manifest.entries] == [
        (path, len(data), hashlib.sha256(data).hexdigest(), modified_ns) for path, data in sorted(FILES.items())
    ]


def test_it_says_what_and_where_it_is(archive: Path) -> None:
    source = open_bundle(archive)
    assert source.form in {"zip", "tar"}
    assert source.location == str(archive)
    assert source.staging_bytes(source.take_in(lambda _: None, never)) == 0


def test_progress_is_in_bytes_of_the_archive_and_ends_complete(archive: Path) -> None:
    heard: list[Progress] = []
    open_bundle(archive).take_in(heard.append, never)
    assert {progress.phase for progress in heard} == {Phase.CHECK}
    assert [progress.bytes_done for progress in heard] == sorted(progress.bytes_done for progress in heard)
    assert heard[-1].complete
    assert (heard[-1].files_done, heard[-1].bytes_done) == (len(FILES), archive.stat().st_size)


def test_files_are_handed_out_in_the_order_in_which_they_lie(archive: Path) -> None:
    assert handed_out(open_bundle(archive), sorted(FILES)) == list(FILES.items())


def test_what_is_not_wanted_is_passed_over(archive: Path) -> None:
    source = open_bundle(archive)
    assert handed_out(source, ["m.bin", "a/second.bin"]) == [("a/second.bin", b"abc"), ("m.bin", FILES["m.bin"])]
    assert handed_out(source, []) == []
    # Files may be left half read, or not be read at all.
    with source.hand_out(list(FILES), never) as files:
        seen = [(path, next(iter(chunks)) if path == "z/first.bin" else b"") for path, chunks in files]
    assert [path for path, _ in seen] == list(FILES)
    assert FILES["z/first.bin"].startswith(seen[0][1])


def test_one_file_is_opened_by_its_path(archive: Path) -> None:
    with open_bundle(archive).open("m.bin") as chunks:
        assert b"".join(chunks) == FILES["m.bin"]


@pytest.mark.parametrize("path", ["missing.bin", "a", "../some.archive"])
def test_what_is_not_in_it_is_named(archive: Path, path: str) -> None:
    with pytest.raises(BundleUnreadable, match=path):
        handed_out(open_bundle(archive), ["a/second.bin", path])
    with pytest.raises(BundleUnreadable, match=path), open_bundle(archive).open(path):
        pass


@pytest.mark.parametrize("wanted", [None, list(FILES)], ids=["taken in", "handed out"])
def test_each_byte_of_an_archive_is_read_once_for_all_its_files(
    archive: Path, wanted: list[str] | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = open_bundle(archive)
    read = 0

    class Counting(io.FileIO):
        def readinto(self, buffer: Any) -> int:
            nonlocal read
            count = super().readinto(buffer)
            read += count
            return count

    monkeypatch.setattr(Path, "open", lambda self, mode, buffering: io.BufferedReader(Counting(self), buffering))
    if wanted is None:
        source.take_in(lambda _: None, never)
    else:
        handed_out(source, wanted)
    # A zip's directory at its end is read on top, with as much around it as a buffer takes.
    assert read <= archive.stat().st_size + 3 * 2**18


@pytest.mark.parametrize("after", [0, 1, 3])
def test_it_can_be_stopped_while_it_is_taken_in_and_passed_over(archive: Path, after: int) -> None:
    asked = iter(range(100))
    with pytest.raises(Interrupted):
        open_bundle(archive).take_in(lambda _: None, lambda: next(asked) >= after)
    asked = iter(range(100))
    source = open_bundle(archive)
    with source.hand_out(["empty.bin"], lambda: next(asked) >= after) as files, pytest.raises(Interrupted):
        next(files)


def test_an_archive_counts_as_changed_as_a_whole(archive: Path) -> None:
    source = open_bundle(archive)
    manifest = source.take_in(lambda _: None, never)
    assert source.changed_paths(manifest) == ()
    os.utime(archive, ns=(0, 1))
    assert source.changed_paths(manifest) == (str(archive),)
    archive.unlink()
    assert source.changed_paths(manifest) == (str(archive),)
    with pytest.raises(BundleUnreadable, match=r"some\.archive"):
        source.take_in(lambda _: None, never)


def test_an_archive_that_changes_while_it_is_read_is_refused(archive: Path) -> None:
    with pytest.raises(BundleUnreadable, match="was changed while it was being read"):
        open_bundle(archive).take_in(lambda _: os.utime(archive, ns=(0, 1)), never)


def test_a_computer_that_cannot_read_it_is_not_taken_for_a_damaged_archive(
    archive: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    source = open_bundle(archive)

    class Failing(io.FileIO):
        def readinto(self, buffer: Any) -> int:
            raise OSError(5, "Input/output error")

    monkeypatch.setattr(Path, "open", lambda self, mode, buffering: io.BufferedReader(Failing(self), buffering))
    with pytest.raises(BundleUnreadable, match=r"some\.archive cannot be read: Input/output error"):
        source.take_in(lambda _: None, never)


def test_a_zip_that_is_replaced_is_looked_through_again(tmp_path: Path) -> None:
    path = tmp_path / "some.zip"
    make_zip(path, {"old.bin": b"old"})
    source = open_bundle(path)
    assert handed_out(source, ["old.bin"]) == [("old.bin", b"old")]
    make_zip(path, {"much/newer.bin": b"new"})
    assert handed_out(source, ["much/newer.bin"]) == [("much/newer.bin", b"new")]


# --- what a file is --------------------------------------------------------------------------------------------------


def image(size: int, *marks: tuple[int, bytes]) -> bytes:
    made = bytearray(size)
    for at, mark in marks:
        made[at : at + len(mark)] = mark
    return bytes(made)


@pytest.mark.parametrize(
    ("data", "said", "remedy"),
    [
        (image(40_000, (32769, b"CD001")), r"disk image \(an ISO 9660 disc\)", "Mount it"),
        (image(4096, (510, b"\x55\xaa")), "disk image .*FAT", "Mount it"),
        (image(4096, (510, b"\x55\xaa"), (512, b"EFI PART")), "disk image .*GPT", "Mount it"),
        (image(4096, (3, b"EXFAT   "), (510, b"\x55\xaa")), "disk image .*exFAT", "Mount it"),
        (image(4096, (1080, b"\x53\xef")), "disk image .*ext4", "Mount it"),
        (image(4096, (0, b"QFI\xfb")), "disk image .*virtual", "Mount it"),
        (b"7z\xbc\xaf\x27\x1c" + bytes(99), "a 7z archive, which cannot be read here", "Unpack it"),
        (b"Rar!\x1a\x07\x01\0" + bytes(99), "a RAR archive", "Unpack it"),
        (bytes(10240), "neither a folder nor a zip or tar archive", "Name the folder"),
        (b"", "neither a folder nor", "Name the folder"),
        (gzip.compress(b"a letter", mtime=0), "neither a folder nor", "Name the folder"),
    ],
)  # fmt: skip
def test_what_cannot_be_taken_in_is_called_by_its_name(data: bytes, said: str, remedy: str, tmp_path: Path) -> None:
    path = tmp_path / "set.zip"
    path.write_bytes(data)
    with pytest.raises(Usage, match=said) as caught:
        open_bundle(path)
    assert remedy in caught.value.remedy


def test_its_name_does_not_matter(tmp_path: Path) -> None:
    make_zip(tmp_path / "set.tar.gz", FILES)
    make_tar(tmp_path / "set.zip", FILES, "xz")
    forms = {name: open_bundle(tmp_path / name).form for name in ("set.tar.gz", "set.zip")}
    assert forms == {"set.tar.gz": "zip", "set.zip": "tar"}
    assert isinstance(open_bundle(tmp_path / "set.zip"), Archive)


def test_a_program_that_unpacks_itself_is_refused_as_what_it_is(tmp_path: Path) -> None:
    path = tmp_path / "set.exe"
    path.write_bytes(zip_of(Made(), before=b"MZ a program"))
    with pytest.raises(Exception, match="such as a program"):
        open_bundle(path).take_in(lambda _: None, never)


def test_an_archive_of_nothing_but_litter_is_empty(tmp_path: Path) -> None:
    make_tar(tmp_path / "set.tar", {".DS_Store": b"litter", "__MACOSX/._x": b"litter"})
    with pytest.raises(BundleEmpty, match=r"set\.tar holds no file"):
        open_bundle(tmp_path / "set.tar").take_in(lambda _: None, never)


def test_a_pipe_or_device_is_not_opened(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(Usage, match="neither a folder nor a file"):
        open_bundle(tmp_path / "pipe")
