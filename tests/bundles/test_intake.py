"""Taking a bundle in against its publisher's checksums, and seeing later what changed."""

from __future__ import annotations

import hashlib
import zipfile
import zlib
from pathlib import Path

import pytest

from mediaprep.bundles import open_bundle
from mediaprep.errors import BundleUnreadable, ChecksumsDisagree, Interrupted, ManifestInvalid
from mediaprep.intake import Changes, TakenIn, changes_since, names_at, take_in
from mediaprep.model import Algorithm, PublisherCheck
from mediaprep.progress import Progress

FILES = {"nav/a.bin": b"abc", "nav/b.bin": b"b" * 2_500_000, "map.bin": b""}


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "set"
    for path, content in FILES.items():
        (made / path).parent.mkdir(parents=True, exist_ok=True)
        (made / path).write_bytes(content)
    return made


def listing(to: Path, algorithm: str = "sha256", start: str = "", leave_out: str = "") -> Path:
    lines = [
        f"{hashlib.new(algorithm, content).hexdigest()}  {start}{path}\n"
        for path, content in FILES.items()
        if path != leave_out
    ]
    to.write_text("".join(lines))
    return to


def taken(source: Path, *lists: Path, unlisted_too: bool = False) -> TakenIn:
    return take_in(
        open_bundle(source), lists, unlisted_too=unlisted_too, progress=lambda _: None, cancelled=lambda: False
    )


def refused(source: Path, *lists: Path, unlisted_too: bool = False) -> tuple[str, ...]:
    with pytest.raises(ChecksumsDisagree) as caught:
        taken(source, *lists, unlisted_too=unlisted_too)
    assert caught.value.paths[0] in str(caught.value)
    return caught.value.paths


# --- files -----------------------------------------------------------------------------------------------------------


def test_without_checksums_nothing_is_said_of_them(folder: Path) -> None:
    assert taken(folder).checks == ()


@pytest.mark.parametrize(("algorithm", "weak"), [("sha512", False), ("sha256", False), ("sha1", True), ("md5", True)])
def test_a_list_that_agrees_is_noted_and_a_weak_one_marked(
    folder: Path, tmp_path: Path, algorithm: str, weak: bool
) -> None:
    found = taken(folder, listing(tmp_path / "SUMS", algorithm))
    assert found.checks == (PublisherCheck("SUMS", Algorithm(algorithm), 3, weak),)
    assert found.manifest == taken(folder).manifest


@pytest.mark.parametrize("algorithm", ["sha512", "sha256", "sha1", "md5"])
def test_differing_missing_and_unlisted_files_are_named(folder: Path, tmp_path: Path, algorithm: str) -> None:
    sums = listing(tmp_path / "SUMS", algorithm)
    (folder / "nav/a.bin").write_bytes(b"abd")
    (folder / "map.bin").rename(folder / "new.bin")
    assert refused(folder, sums) == ("nav/a.bin (differs)", "map.bin (missing)", "new.bin (not listed)")
    assert refused(folder, sums, unlisted_too=True) == ("nav/a.bin (differs)", "map.bin (missing)")


def test_files_that_no_list_names_pass_only_by_a_word(folder: Path, tmp_path: Path) -> None:
    sums = listing(tmp_path / "SUMS", leave_out="map.bin")
    with pytest.raises(ChecksumsDisagree, match=r"map\.bin \(not listed\)") as caught:
        taken(folder, sums)
    assert "--unlisted-too" in caught.value.remedy
    assert taken(folder, sums, unlisted_too=True).checks[0].file_count == 2


def test_several_lists_count_together(folder: Path, tmp_path: Path) -> None:
    most = listing(tmp_path / "SHA256SUMS", leave_out="map.bin")
    rest = tmp_path / "rest.sfv"
    rest.write_text(f"; one\nmap.bin {zlib.crc32(b''):08X}\n")
    assert taken(folder, most, rest).checks == (
        PublisherCheck("SHA256SUMS", Algorithm.SHA256, 2, weak=False),
        PublisherCheck("rest.sfv", Algorithm.CRC32, 1, weak=True),
    )
    rest.write_text("map.bin 00000001\n")
    assert refused(folder, most, rest) == ("map.bin (differs)",)


def test_a_list_may_lie_among_the_files_and_need_not_name_itself(folder: Path) -> None:
    sums = listing(folder / "SHA256SUMS")
    assert taken(folder, sums).checks[0].file_count == 3


def test_a_list_may_name_files_from_beside_the_folder(folder: Path, tmp_path: Path) -> None:
    assert taken(folder, listing(tmp_path / "SUMS", "md5", start="set/")).checks[0].file_count == 3


def test_a_list_that_is_no_list_is_named(folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(BundleUnreadable, match=r"checksum file .*SUMS cannot be read"):
        taken(folder, tmp_path / "SUMS")
    (tmp_path / "SUMS").write_text("what is this\n")
    with pytest.raises(ManifestInvalid, match=r"^SUMS, line 1"):
        taken(folder, tmp_path / "SUMS")
    monkeypatch.setattr("mediaprep.intake.LIST_BYTES_MAX", 5)
    with pytest.raises(ManifestInvalid, match="more than 5 bytes"):
        taken(folder, tmp_path / "SUMS")


def test_a_file_that_changes_between_the_two_readings_is_refused(folder: Path, tmp_path: Path) -> None:
    def meddle(progress: Progress) -> None:
        if progress.path == "nav/b.bin" and progress.files_done == progress.files_total:
            (folder / "nav/a.bin").write_bytes(b"abd")

    sums = listing(tmp_path / "SUMS", "md5")
    with pytest.raises(BundleUnreadable, match=r"nav/a\.bin .* changed while it was being read"):
        take_in(open_bundle(folder), [sums], unlisted_too=False, progress=meddle, cancelled=lambda: False)


@pytest.mark.parametrize("after", [0, 5, 8])
def test_it_can_be_stopped_at_any_point(folder: Path, tmp_path: Path, after: int) -> None:
    asked = iter(range(100))
    sums = listing(tmp_path / "SUMS", "sha512")
    with pytest.raises(Interrupted):
        take_in(
            open_bundle(folder),
            [sums],
            unlisted_too=False,
            progress=lambda _: None,
            cancelled=lambda: next(asked) >= after,
        )


# --- archives --------------------------------------------------------------------------------------------------------


@pytest.fixture
def archive(tmp_path: Path) -> Path:
    made = tmp_path / "set-2613.zip"
    with zipfile.ZipFile(made, "w") as file:
        for path, content in FILES.items():
            file.writestr(path, content)
    return made


def test_a_list_may_speak_of_the_archive_itself_among_others(archive: Path, tmp_path: Path) -> None:
    sums = tmp_path / "SHA512SUMS"
    digest = hashlib.sha512(archive.read_bytes()).hexdigest()
    sums.write_text(f"{'0' * 128}  downloads/other.zip\n{digest}  downloads/{archive.name}\n")
    found = taken(archive, sums)
    assert found.checks == (PublisherCheck("SHA512SUMS", Algorithm.SHA512, 1, weak=False),)
    assert len(found.manifest.entries) == 3
    sums.write_text(f"{'0' * 128} *{archive.name}\n")
    assert refused(archive, sums) == (f"{archive.name} (differs in sha512)",)


@pytest.mark.parametrize("algorithm", ["sha256", "md5"])
def test_a_list_may_speak_of_what_is_in_the_archive(archive: Path, tmp_path: Path, algorithm: str) -> None:
    assert taken(archive, listing(tmp_path / "SUMS", algorithm)).checks[0].file_count == 3
    assert refused(archive, listing(tmp_path / "SUMS", algorithm, leave_out="map.bin")) == ("map.bin (not listed)",)


def test_a_bag_has_the_checks_of_its_manifests_first(tmp_path: Path) -> None:
    from datetime import date

    from mediaprep.bundles.bag import write_bag

    write_bag(tmp_path / "set", ((path, [data]) for path, data in FILES.items()), bagged_on=date(2026, 12, 24))
    found = taken(tmp_path / "set", listing(tmp_path / "SUMS", "sha1", start="data/"))
    assert [(one.listed_in, one.weak) for one in found.checks] == [
        ("manifest-sha256.txt", False),
        ("manifest-sha512.txt", False),
        ("SUMS", True),
    ]


# --- later, and before -----------------------------------------------------------------------------------------------


def test_what_changed_since_is_found_by_reading_every_byte(folder: Path) -> None:
    import os

    manifest = taken(folder).manifest
    source = open_bundle(folder)
    quiet = {"progress": lambda _: None, "cancelled": lambda: False}
    assert not changes_since(manifest, source, **quiet)
    stamp = (folder / "nav/a.bin").stat()
    (folder / "nav/a.bin").write_bytes(b"abd")
    os.utime(folder / "nav/a.bin", ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    assert source.changed_paths(manifest) == (), "size and time hide it"
    (folder / "map.bin").rename(folder / "new.bin")
    assert changes_since(manifest, source, **quiet) == Changes(
        differing=("nav/a.bin",), missing=("map.bin",), new=("new.bin",)
    )


def test_names_are_looked_at_from_the_top_and_nothing_is_opened(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert list(names_at(folder)) == ["set", "map.bin", "nav", "a.bin", "b.bin"]
    assert list(names_at(folder / "map.bin")) == ["map.bin"]
    assert list(names_at(folder / "missing")) == ["missing"]
    (folder / "loop").symlink_to(folder)
    assert list(names_at(folder)) == ["set", "loop", "map.bin", "nav", "a.bin", "b.bin"]
    monkeypatch.setattr("mediaprep.intake._NAMES_MAX", 2)
    assert list(names_at(folder)) == ["set", "loop", "map.bin"]
