"""`mediaprep bundle add` with an archive: named after it, refused by name, and written from it."""

from __future__ import annotations

import shutil
from pathlib import Path

from tests.bundles.hostile_zip import Made, zip_of
from tests.cli.conftest import Cli, make_bundle

ADD = ("--kind", "base-map", "--json")


def test_an_archive_is_taken_in_under_its_name_and_written(panel: Cli, tmp_path: Path) -> None:
    for seed, (form, name) in enumerate([("zip", "chart.zip"), ("gztar", "chart-two.tar.gz")]):
        make_bundle(tmp_path / "set", seed=seed)
        archive = Path(shutil.make_archive(str(tmp_path / name.partition(".")[0]), form, tmp_path / "set"))
        assert archive.name == name
        ran = panel("bundle", "add", archive, *ADD)
        assert ran.code == 0, ran.err
        added = ran.result["bundle"]
        assert (added["name"], added["source_form"]) == (name.partition(".")[0], form.removeprefix("gz"))
        assert added["source"] == str(archive)
        ran = panel("write", added["name"], "--on", tmp_path / "card", "--for", "LEFT", "--json")
        assert ran.code == 0, ran.err
    assert len(list((tmp_path / "card").rglob("part-*.bin"))) == 6


def test_a_refusal_names_the_member_and_the_way_out(panel: Cli, tmp_path: Path) -> None:
    (tmp_path / "set.zip").write_bytes(zip_of(Made(), Made(b"../evil.bin")))
    ran = panel("bundle", "add", tmp_path / "set.zip", *ADD)
    assert ran.code == 21
    assert ran.result["code"] == "bundle-unsafe"
    assert "../evil.bin" in ran.result["message"]
    assert "take in the folder" in ran.result["remedy"]


def test_a_disk_image_is_refused_with_a_clear_word(panel: Cli, tmp_path: Path) -> None:
    (tmp_path / "card.img").write_bytes(bytes(510) + b"\x55\xaa" + bytes(512))
    ran = panel("bundle", "add", tmp_path / "card.img", *ADD)
    assert ran.code == 2
    assert "is a disk image" in ran.result["message"]
    assert "Mount it" in ran.result["remedy"]
