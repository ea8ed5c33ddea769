"""Bags on a disk: whole ones are taken in, broken ones refused by name, and bags of our own are read by others."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from datetime import date
from pathlib import Path

import pytest

from mediaprep.bundles import open_bundle
from mediaprep.bundles.bag import BagBundle, write_bag
from mediaprep.bundles.hashing import hash_files
from mediaprep.errors import (
    BagInvalid,
    BundleEmpty,
    BundleUnreadable,
    BundleUnsafe,
    ChecksumsDisagree,
    Interrupted,
    MediaPrepError,
    OutputFailed,
)
from mediaprep.model import Algorithm, Manifest, PublisherCheck
from mediaprep.progress import Phase, Progress
from tests.bundles.second_reader import bagit
from tests.tools import need, run

FILES = {"nav/airways.bin": b"abc", "nav/deep/zero.dat": b"", "map.bin": b"m" * 3_000_000}
DAY = date(2026, 12, 24)


@pytest.fixture
def bag(tmp_path: Path) -> Path:
    """A whole bag of version 1.0, as other programs make them: SHA-512 and MD5, tag manifest, Payload-Oxum."""
    return make_bag(tmp_path / "bag")


def make_bag(folder: Path, files: Mapping[str, bytes] = FILES, version: str = "1.0") -> Path:
    (folder / "data").mkdir(parents=True)
    for path, content in files.items():
        (folder / "data" / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / "data" / path).write_bytes(content)
    (folder / "bagit.txt").write_text(f"BagIt-Version: {version}\nTag-File-Character-Encoding: UTF-8\n")
    (folder / "bag-info.txt").write_text(f"Payload-Oxum: {sum(map(len, files.values()))}.{len(files)}\n")
    for name in ("sha512", "md5"):
        lines = [f"{hashlib.new(name, content).hexdigest()}  data/{path}\n" for path, content in files.items()]
        (folder / f"manifest-{name}.txt").write_text("".join(lines))
    sign(folder)
    return folder


def sign(folder: Path) -> None:
    tags = [path for path in sorted(folder.glob("*.txt")) if not path.name.startswith("tagmanifest")]
    lines = [f"{hashlib.sha256(path.read_bytes()).hexdigest()}  {path.name}\n" for path in tags]
    (folder / "tagmanifest-sha256.txt").write_text("".join(lines))


def take_in(folder: Path, *, lenient: bool = False) -> Manifest:
    return open_bundle(folder, lenient=lenient).take_in(lambda _: None, lambda: False)


def contents(manifest: Manifest) -> dict[str, tuple[int, str]]:
    return {entry.path: (entry.size_bytes, entry.sha256) for entry in manifest.entries}


def expected(files: Mapping[str, bytes] = FILES) -> dict[str, tuple[int, str]]:
    return {path: (len(content), hashlib.sha256(content).hexdigest()) for path, content in files.items()}


# --- whole bags ------------------------------------------------------------------------------------------------------


def test_the_payload_is_taken_in_without_its_folder(bag: Path) -> None:
    source = open_bundle(bag)
    assert (source.form, source.location) == ("bag", str(bag))
    assert isinstance(source, BagBundle)
    manifest = source.take_in(lambda _: None, lambda: False)
    assert contents(manifest) == expected()
    assert [entry.path for entry in manifest.entries] == sorted(FILES)
    assert [entry.modified_ns for entry in manifest.entries] == [
        (bag / "data" / path).stat().st_mtime_ns for path in sorted(FILES)
    ]
    assert source.checks == (
        PublisherCheck("manifest-md5.txt", Algorithm.MD5, 3, weak=True),
        PublisherCheck("manifest-sha512.txt", Algorithm.SHA512, 3, weak=False),
    )
    assert source.notes == ()


def test_a_bag_has_the_manifest_that_its_payload_has_as_a_folder(bag: Path) -> None:
    assert take_in(bag) == take_in(bag / "data")


@pytest.mark.parametrize("version", ["0.93", "0.94", "0.95", "0.96", "0.97"])
def test_drafts_are_read_too(tmp_path: Path, version: str) -> None:
    assert contents(take_in(make_bag(tmp_path / "old", version=version))) == expected()


def test_files_are_handed_out_and_changes_seen(bag: Path) -> None:
    source = open_bundle(bag)
    manifest = take_in(bag)
    with source.open("nav/airways.bin") as chunks:
        assert b"".join(chunks) == b"abc"
    with source.hand_out(FILES, lambda: False) as files:
        assert {path: b"".join(chunks) for path, chunks in files} == FILES
    with pytest.raises(BundleUnreadable), source.open("../bagit.txt"):
        pytest.fail("it was opened")
    assert source.staging_bytes(manifest) == 0
    assert source.changed_paths(manifest) == ()
    (bag / "data/map.bin").write_bytes(b"other")
    (bag / "data/new.bin").write_bytes(b"")
    assert source.changed_paths(manifest) == ("map.bin", "new.bin")
    (bag / "data").rename(bag / "elsewhere")
    assert source.changed_paths(manifest) == tuple(sorted(FILES))
    (bag / "data").symlink_to(bag / "elsewhere")
    assert source.changed_paths(manifest) == tuple(sorted(FILES))


def test_progress_ends_with_all_files_and_bytes_and_comes_from_the_calling_thread(bag: Path) -> None:
    import threading

    heard: list[Progress] = []
    threads = set()

    def hear(progress: Progress) -> None:
        heard.append(progress)
        threads.add(threading.current_thread())

    open_bundle(bag).take_in(hear, lambda: False)
    assert threads == {threading.current_thread()}
    assert {progress.phase for progress in heard} == {Phase.CHECK}
    assert [one.bytes_done for one in heard] == sorted(one.bytes_done for one in heard)
    assert heard[-1].files_done == heard[-1].files_total == 3 + 4  # payload, and what the tag manifest lists
    assert heard[-1].bytes_done == heard[-1].bytes_total


def test_taking_in_can_be_stopped(bag: Path) -> None:
    with pytest.raises(Interrupted):
        open_bundle(bag).take_in(lambda _: None, lambda: True)


def test_litter_is_passed_over_but_verified_where_it_is_listed(tmp_path: Path) -> None:
    files = {**FILES, "Thumbs.db": b"listed litter"}
    folder = make_bag(tmp_path / "bag", files)
    (folder / "data/nav/.DS_Store").write_bytes(b"unlisted litter")
    (folder / "data/nav/._odd\\name").symlink_to("nowhere")
    assert contents(take_in(folder)) == expected()
    (folder / "data/Thumbs.db").write_bytes(b"listed lutter")
    with pytest.raises(ChecksumsDisagree, match=r"data/Thumbs\.db"):
        take_in(folder)


# --- broken bags -----------------------------------------------------------------------------------------------------


def flip(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)


def refused(folder: Path, kind: type[MediaPrepError], *, lenient: bool = False) -> str:
    with pytest.raises(kind) as caught:
        take_in(folder, lenient=lenient)
    assert str(folder) in str(caught.value)
    return " | ".join(getattr(caught.value, "paths", ()))


@pytest.mark.parametrize("lenient", [False, True])
def test_a_flipped_bit_is_found_and_the_file_named(bag: Path, lenient: bool) -> None:
    flip(bag / "data/map.bin")
    assert refused(bag, ChecksumsDisagree, lenient=lenient) == "data/map.bin (differs in md5 and sha512)"


def test_a_single_manifest_that_disagrees_is_enough(bag: Path) -> None:
    lines = (bag / "manifest-md5.txt").read_text().splitlines()
    wrong = [f"{'0' * 32}{line[32:]}" if line.endswith("airways.bin") else line for line in lines]
    (bag / "manifest-md5.txt").write_text("\n".join(wrong))
    sign(bag)
    assert refused(bag, ChecksumsDisagree) == "data/nav/airways.bin (differs in md5)"


def test_a_changed_tag_file_is_named(bag: Path) -> None:
    with (bag / "bag-info.txt").open("a") as file:
        file.write("Contact: someone else\n")
    assert refused(bag, ChecksumsDisagree) == "bag-info.txt (differs in sha256)"


def test_a_wrong_size_names_the_file_not_only_the_sum(bag: Path) -> None:
    """A quick check of sizes alone would say that something is wrong, not what."""
    (bag / "data/nav/airways.bin").write_bytes(b"abcd")
    assert refused(bag, ChecksumsDisagree) == "data/nav/airways.bin (differs in md5 and sha512)"


def test_a_sum_that_is_wrong_while_every_file_is_right_is_a_fault_of_form(bag: Path) -> None:
    (bag / "bag-info.txt").write_text("Payload-Oxum: 1.3\n")
    sign(bag)
    assert "Payload-Oxum" in refused(bag, BagInvalid)
    source = open_bundle(bag, lenient=True)
    assert contents(source.take_in(lambda _: None, lambda: False)) == expected()
    assert isinstance(source, BagBundle)
    assert "Payload-Oxum" in source.notes[0]


def test_missing_and_unexpected_files_are_named_before_anything_is_hashed(bag: Path) -> None:
    (bag / "data/nav/airways.bin").unlink()
    (bag / "data/extra.bin").write_bytes(b"x")
    flip(bag / "data/map.bin")
    said = refused(bag, BagInvalid, lenient=True)
    assert "data/nav/airways.bin is missing" in said
    assert "data/extra.bin is in the bag, but no payload manifest lists it" in said
    assert "map.bin" not in said


def test_what_is_to_be_fetched_is_refused(bag: Path) -> None:
    (bag / "data/map.bin").unlink()
    (bag / "fetch.txt").write_text("https://example.org/map.bin 3000000 data/map.bin\n")
    with pytest.raises(BagInvalid, match=r"data/map\.bin .* mediaprep fetches nothing") as caught:
        take_in(bag)
    assert caught.value.remedy == "Have the bag supplied again, whole."


def test_a_fault_of_form_is_refused_unless_the_reader_is_lenient(bag: Path) -> None:
    (bag / "bagit.txt").write_text("BagIt-Version : 1.0\nTag-File-Character-Encoding: UTF-8\n")
    sign(bag)
    with pytest.raises(BagInvalid, match="blanks around a colon") as caught:
        take_in(bag)
    assert "--lenient" in caught.value.remedy
    assert contents(take_in(bag, lenient=True)) == expected()


def test_an_empty_payload_is_refused(tmp_path: Path) -> None:
    folder = make_bag(tmp_path / "empty", {})
    with pytest.raises(BundleEmpty, match="data/"):
        take_in(folder)


def test_no_payload_manifest_is_refused(bag: Path) -> None:
    for path in bag.glob("*manifest-*.txt"):
        path.unlink()
    assert "payload manifest is missing" in refused(bag, BagInvalid)


@pytest.mark.parametrize("where", ["data/a-link", "more/a-link", "a-link"])
def test_links_are_refused_and_named(bag: Path, where: str) -> None:
    (bag / where).parent.mkdir(exist_ok=True)
    (bag / where).symlink_to("/etc/passwd")
    with pytest.raises(BundleUnsafe, match=r"a-link .* is a link"):
        take_in(bag)


def test_a_payload_folder_that_is_a_link_is_refused(bag: Path) -> None:
    (bag / "data").rename(bag.parent / "elsewhere")
    (bag / "data").symlink_to(bag.parent / "elsewhere")
    with pytest.raises(BundleUnsafe, match=r"data in the bag .* is a link"):
        take_in(bag)


def test_special_files_and_names_that_are_no_text_are_refused(bag: Path) -> None:
    os.mkfifo(bag / "data/a-pipe")
    with pytest.raises(BundleUnsafe, match=r"a-pipe .* is no plain file"):
        take_in(bag)
    (bag / "data/a-pipe").unlink()
    (bag / os.fsdecode(b"data/odd\xff")).write_bytes(b"")
    with pytest.raises(BundleUnsafe, match="not UTF-8"):
        take_in(bag)


def test_a_manifest_that_is_too_large_to_be_one_is_refused(bag: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mediaprep.bundles.bag.TEXT_BYTES_MAX", 100)
    with pytest.raises(BagInvalid, match=r"manifest-\w+\.txt .* is no text of a bag"):
        take_in(bag)


def test_a_folder_without_a_declaration_is_a_folder(bag: Path) -> None:
    (bag / "bagit.txt").unlink()
    assert open_bundle(bag).form == "folder"


# --- hashing ---------------------------------------------------------------------------------------------------------


def test_what_stops_one_file_stops_all() -> None:
    opened = []

    @contextmanager
    def opener(path: str) -> Iterator[Iterator[bytes]]:
        opened.append(path)
        if path == "1":
            message = f"{path} cannot be read"
            raise BundleUnreadable(message)
        yield iter([b"x"])

    wanted = {str(number): [Algorithm.MD5] for number in range(1000)}
    with pytest.raises(BundleUnreadable, match="1 cannot be read"):
        hash_files(wanted, opener, total_bytes=1000, progress=lambda _: None, cancelled=lambda: False)
    assert len(opened) < 100


def test_nothing_to_hash_is_no_error() -> None:
    assert hash_files({}, open, total_bytes=0, progress=lambda _: None, cancelled=lambda: False) == {}  # type: ignore[arg-type]


# --- writing ---------------------------------------------------------------------------------------------------------


def test_a_bag_of_ours_is_read_back_and_says_what_is_in_it(tmp_path: Path) -> None:
    files = {**FILES, "odd %41 100%.bin": b"percent", "ünï.bin": b"u"}
    info = [("Source-Organization", "Invented"), ("External-Description", "word " * 40)]
    written = write_bag(tmp_path / "new", ((path, [data]) for path, data in files.items()), bagged_on=DAY, info=info)
    assert contents(written) == expected(files)
    source = open_bundle(tmp_path / "new")
    assert contents(source.take_in(lambda _: None, lambda: False)) == expected(files)
    assert isinstance(source, BagBundle)
    assert source.notes == ()
    assert [check.algorithm for check in source.checks] == [Algorithm.SHA256, Algorithm.SHA512]
    text = (tmp_path / "new/bag-info.txt").read_text()
    assert "Bagging-Date: 2026-12-24\n" in text
    assert f"Payload-Oxum: {sum(map(len, files.values()))}.{len(files)}\n" in text
    assert "data/odd %2541 100%25.bin\n" in (tmp_path / "new/manifest-sha512.txt").read_text()


def test_another_program_finds_our_bags_valid(tmp_path: Path) -> None:
    """Outside check: bagit.py 1.8.1. It does not decode `%25`, so names with a percent sign are left to ourselves."""
    write_bag(tmp_path / "new", ((path, [data]) for path, data in FILES.items()), bagged_on=DAY)
    theirs = bagit.Bag(str(tmp_path / "new"))
    theirs.validate()
    assert theirs.version_info == (1, 0)
    assert theirs.info["Payload-Oxum"] == "3000003.3"
    assert set(theirs.algorithms) == {"sha256", "sha512"}
    flip(tmp_path / "new/data/map.bin")
    assert not theirs.is_valid()


def test_coreutils_agree_with_our_manifests(tmp_path: Path) -> None:
    need("sha512sum")
    write_bag(tmp_path / "new", ((path, [data]) for path, data in FILES.items()), bagged_on=DAY)
    for name, count in (("manifest-sha512.txt", 3), ("tagmanifest-sha512.txt", 4)):
        done = run("bash", "-c", f"cd '{tmp_path}/new' && sha512sum --strict -c {name}")
        assert done.count(": OK") == count


def test_bags_of_another_program_are_read(tmp_path: Path) -> None:
    """Outside check: bagit.py 1.8.1 writes version 0.97 and encodes line ends only."""
    folder = tmp_path / "theirs"
    for path, content in {**FILES, "100%25.bin": b"as it is"}.items():
        (folder / path).parent.mkdir(parents=True, exist_ok=True)
        (folder / path).write_bytes(content)
    bagit.make_bag(str(folder), {"Contact-Name": "Invented"}, checksums=["sha1", "sha256"])
    source = open_bundle(folder)
    assert contents(source.take_in(lambda _: None, lambda: False)) == expected({**FILES, "100%25.bin": b"as it is"})
    assert isinstance(source, BagBundle)
    assert source.notes == ()


@pytest.mark.parametrize("path", ["../out", "/abs", "~me/a", "a\nb", "a//b", "a\\b"])
def test_an_unsafe_path_is_not_written(tmp_path: Path, path: str) -> None:
    with pytest.raises(BundleUnsafe, match="cannot go into the bag"):
        write_bag(tmp_path / "deep/new", [("good", [b"x"]), (path, [b"y"])], bagged_on=DAY)
    assert sorted(one.name for one in tmp_path.rglob("*") if one.is_file()) == ["good"]
    assert open_bundle(tmp_path / "deep/new").form == "folder", "half done is no bag"


def test_a_path_that_comes_twice_and_a_folder_that_is_there_are_refused(tmp_path: Path) -> None:
    with pytest.raises(BundleUnsafe, match="comes twice"):
        write_bag(tmp_path / "new", [("a", [b"x"]), ("a", [b"y"])], bagged_on=DAY)
    with pytest.raises(OutputFailed, match="new cannot be written: File exists"):
        write_bag(tmp_path / "new", [("a", [b"x"])], bagged_on=DAY)
