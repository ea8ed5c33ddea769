"""A folder as a bundle: what is taken in, what is refused, what counts as changed."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest

from mediaprep.bundles import open_bundle
from mediaprep.bundles.folder import CHUNK_BYTES, FolderBundle
from mediaprep.errors import BundleEmpty, BundleUnreadable, BundleUnsafe, Interrupted, Usage
from mediaprep.model import Manifest, ManifestEntry
from mediaprep.progress import Phase, Progress
from tests.contract.volumes import need_root


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Three files in two folders, and what desktop systems leave beside them."""
    made = tmp_path / "bundle"
    (made / "nav/deep").mkdir(parents=True)
    (made / "empty folder").mkdir()
    (made / "nav/deep/zero.dat").write_bytes(b"")
    (made / "nav/some.dat").write_bytes(b"abc")
    (made / "large.dat").write_bytes(b"1" * (2 * CHUNK_BYTES + 3))
    (made / ".DS_Store").write_bytes(b"litter")
    (made / "nav/._some.dat").write_bytes(b"litter")
    (made / "System Volume Information").mkdir()
    (made / "System Volume Information/odd.bin").write_bytes(b"litter")
    return made


def take_in(folder: Path) -> Manifest:
    return open_bundle(folder).take_in(lambda _: None, lambda: False)


# --- taking in -------------------------------------------------------------------------------------------------------


def test_every_file_is_taken_in_in_path_order_with_size_digest_and_time(folder: Path) -> None:
    manifest = take_in(folder)
    assert [(entry.path, entry.size_bytes, entry.sha256) for entry in manifest.entries] == [
        ("large.dat", 2 * CHUNK_BYTES + 3, hashlib.sha256(b"1" * (2 * CHUNK_BYTES + 3)).hexdigest()),
        # FIPS 180-4 examples: the empty message and "abc".
        ("nav/deep/zero.dat", 0, "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
        ("nav/some.dat", 3, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    ]
    for entry in manifest.entries:
        assert entry.modified_ns == (folder / entry.path).stat().st_mtime_ns


def test_a_bundle_says_what_and_where_it_is(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder.parent)
    bundle = open_bundle(Path("bundle"))
    assert (bundle.form, bundle.location) == ("folder", str(folder))
    assert bundle.staging_bytes(take_in(folder)) == 0


def test_progress_ends_with_all_files_and_bytes(folder: Path) -> None:
    heard: list[Progress] = []
    manifest = open_bundle(folder).take_in(heard.append, lambda: False)
    assert {progress.phase for progress in heard} == {Phase.CHECK}
    assert [progress.bytes_done for progress in heard] == sorted(progress.bytes_done for progress in heard)
    last = heard[-1]
    assert last.files_done == last.files_total == 3
    assert last.bytes_done == last.bytes_total == manifest.total_bytes


@pytest.mark.parametrize("after", [0, 1, 3])
def test_taking_in_can_be_stopped(folder: Path, after: int) -> None:
    asked = iter(range(100))
    with pytest.raises(Interrupted):
        open_bundle(folder).take_in(lambda _: None, lambda: next(asked) >= after)


def test_taking_in_alters_nothing(folder: Path) -> None:
    def state() -> list[tuple[str, int, int, int]]:
        return [
            (str(path), info.st_size, info.st_mtime_ns, info.st_mode)
            for path in sorted(folder.rglob("*"))
            for info in [path.stat()]
        ]

    before = state()
    take_in(folder)
    assert state() == before


def test_links_in_the_folders_own_path_are_fine(folder: Path, tmp_path: Path) -> None:
    (tmp_path / "link").symlink_to(folder)
    assert take_in(tmp_path / "link") == take_in(folder)


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("target", ["some.dat", "/etc/passwd", "..", "missing"])
def test_links_are_refused_and_named(folder: Path, target: str) -> None:
    (folder / "nav/a-link").symlink_to(target)
    with pytest.raises(BundleUnsafe, match=r"nav/a-link .* is a link"):
        take_in(folder)


def test_special_files_are_refused_and_named(folder: Path) -> None:
    os.mkfifo(folder / "nav/a-pipe")
    with pytest.raises(BundleUnsafe, match=r"nav/a-pipe .* is no plain file"):
        take_in(folder)


@pytest.mark.parametrize(
    ("name", "shown"),
    [(b"odd\xff.dat", r"odd\\udcff\.dat"), (b"back\\slash", "backslash"), (b"bell\x07", "u0007"), (b"a:b", "colon")],
)
def test_unsafe_names_are_refused_and_named(folder: Path, name: bytes, shown: str) -> None:
    (folder / os.fsdecode(name)).write_bytes(b"x")
    with pytest.raises(BundleUnsafe, match=shown) as caught:
        take_in(folder)
    str(caught.value).encode()  # fit to be printed


def test_a_folder_without_files_is_refused(tmp_path: Path) -> None:
    (tmp_path / "bundle/inner").mkdir(parents=True)
    (tmp_path / "bundle/.DS_Store").write_bytes(b"litter")
    with pytest.raises(BundleEmpty, match="bundle"):
        take_in(tmp_path / "bundle")


def test_what_is_not_there_is_named(tmp_path: Path) -> None:
    with pytest.raises(BundleUnreadable, match="missing"):
        open_bundle(tmp_path / "missing")
    with pytest.raises(BundleUnreadable, match="missing"):
        FolderBundle(tmp_path / "missing")


def test_a_file_that_is_no_archive_cannot_be_taken_in(tmp_path: Path) -> None:
    (tmp_path / "data.bin").write_bytes(b"x")
    with pytest.raises(Usage, match=r"data\.bin is neither a folder nor a zip or tar archive") as caught:
        open_bundle(tmp_path / "data.bin")
    assert "Name the folder or the archive" in caught.value.remedy


def test_a_file_that_cannot_be_read_is_named(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.read

    def fail(opened: int, count: int) -> bytes:
        if Path(f"/proc/self/fd/{opened}").readlink().name == "some.dat":
            raise OSError(5, "Input/output error")
        return real(opened, count)

    monkeypatch.setattr(os, "read", fail)
    with pytest.raises(BundleUnreadable, match=r"nav/some\.dat .* Input/output error"):
        take_in(folder)


def test_a_file_that_changes_while_it_is_read_is_refused(folder: Path) -> None:
    def meddle(progress: Progress) -> None:
        if progress.path == "nav/some.dat" and progress.files_done == 2:
            (folder / "nav/some.dat").write_bytes(b"abcd")

    with pytest.raises(BundleUnreadable, match=r"nav/some\.dat .* changed while it was being read"):
        open_bundle(folder).take_in(meddle, lambda: False)


# --- changes ---------------------------------------------------------------------------------------------------------


def test_what_was_just_taken_in_has_not_changed(folder: Path) -> None:
    assert open_bundle(folder).changed_paths(take_in(folder)) == ()


def test_missing_new_and_altered_files_are_named_and_litter_is_not(folder: Path) -> None:
    bundle = open_bundle(folder)
    manifest = take_in(folder)
    (folder / "large.dat").unlink()
    (folder / "nav/some.dat").write_bytes(b"abcd")
    (folder / "new.dat").write_bytes(b"")
    (folder / "Thumbs.db").write_bytes(b"litter")
    assert bundle.changed_paths(manifest) == ("large.dat", "nav/some.dat", "new.dat")


def test_a_touched_file_counts_as_changed_unless_its_time_was_not_noted(folder: Path) -> None:
    bundle = open_bundle(folder)
    manifest = take_in(folder)
    os.utime(folder / "nav/some.dat", ns=(0, 0))
    assert bundle.changed_paths(manifest) == ("nav/some.dat",)
    timeless = Manifest(tuple(ManifestEntry(e.path, e.size_bytes, e.sha256) for e in manifest.entries))
    assert bundle.changed_paths(timeless) == ()


def test_a_link_in_a_files_place_counts_as_changed(folder: Path) -> None:
    bundle = open_bundle(folder)
    manifest = take_in(folder)
    info = (folder / "nav/some.dat").stat()
    (folder / "nav/some.dat").rename(folder.parent / "moved.dat")
    (folder / "nav/some.dat").symlink_to(folder.parent / "moved.dat")
    os.utime(folder / "nav/some.dat", ns=(info.st_atime_ns, info.st_mtime_ns), follow_symlinks=False)
    assert bundle.changed_paths(manifest) == ("nav/some.dat",)


def test_when_the_folder_is_gone_every_file_is(folder: Path) -> None:
    bundle = open_bundle(folder)
    manifest = take_in(folder)
    folder.rename(folder.parent / "elsewhere")
    assert bundle.changed_paths(manifest) == tuple(entry.path for entry in manifest.entries)


def test_a_folder_that_is_closed_to_us_counts_as_missing(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bundle = open_bundle(folder)
    manifest = take_in(folder)
    real = os.scandir

    def closed(place: object) -> object:
        if str(place).endswith("deep"):
            raise PermissionError(13, "Permission denied")
        return real(place)  # type: ignore[call-overload]

    monkeypatch.setattr(os, "scandir", closed)
    assert bundle.changed_paths(manifest) == ("nav/deep/zero.dat",)
    with pytest.raises(BundleUnreadable, match="Permission denied"):
        take_in(folder)


def test_changes_are_found_without_opening_a_file(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    bundle = open_bundle(folder)
    manifest = take_in(folder)

    def fail(*_: object, **__: object) -> int:
        pytest.fail("a file was opened")

    monkeypatch.setattr(os, "open", fail)
    assert bundle.changed_paths(manifest) == ()


# --- handing out -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("path", ["large.dat", "nav/some.dat", "nav/deep/zero.dat"])
def test_a_file_is_handed_out_as_it_is(folder: Path, path: str) -> None:
    with open_bundle(folder).open(path) as chunks:
        assert b"".join(chunks) == (folder / path).read_bytes()


@pytest.mark.parametrize("path", ["never.dat", "nav", "../outside.dat", "nav/a-link", "linked/some.dat", "a-pipe"])
def test_nothing_but_plain_files_of_the_bundle_is_handed_out(folder: Path, path: str) -> None:
    (folder.parent / "outside.dat").write_bytes(b"secret")
    (folder / "nav/a-link").symlink_to(folder.parent / "outside.dat")
    (folder / "linked").symlink_to(folder / "nav")
    os.mkfifo(folder / "a-pipe")
    with pytest.raises(BundleUnreadable, match=path), open_bundle(folder).open(path):
        pytest.fail("it was opened")


def test_a_volume_mounted_inside_is_refused(folder: Path) -> None:
    need_root()
    from tests.contract.volumes import memory_volume

    with memory_volume(folder / "nav") as place:
        (place / "some.dat").write_bytes(b"x")
        with pytest.raises(BundleUnsafe, match="another volume"):
            take_in(folder)
