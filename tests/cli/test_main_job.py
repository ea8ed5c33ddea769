"""The main job on the command line: check, write, verify, install, status."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from mediaprep.host import SimulatedHost
from tests.cli.conftest import Cli, make_bundle


def written(panel: Cli, tmp_path: Path, *more: str) -> None:
    ran = panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L", *more)
    assert ran.code == 0, ran.out + ran.err


def test_a_bundle_is_written_proven_and_logged_to_its_unit(panel: Cli, tmp_path: Path) -> None:
    ran = panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L", "--json")
    assert ran.code == 0, ran.err
    receipt = ran.result["receipt"]
    assert receipt["readback"]["verdict"] == "verified"
    assert receipt["simulated"] is True
    assert receipt["bundles"][0]["name"] == "nav"
    assert {line["phase"] for line in ran.lines if line["type"] == "progress"} == {
        "copy",
        "flush",
        "readback",
        "record",
    }
    assert {line["result"] for line in ran.lines if line["type"] == "finding"} <= {"pass", "warn"}
    for path in (tmp_path / "nav").rglob("*.bin"):
        copy = tmp_path / "card" / "volume" / path.relative_to(tmp_path / "nav")
        assert copy.read_bytes() == path.read_bytes()

    loads = panel("install", "C-L", "--in", "LEFT", "--slot", "front", "--accepted", "--json").result["loads"]
    assert [(load["bundle"], load["state"], load["slot"]) for load in loads] == [("nav", "accepted", "front")]
    log = panel("log", "--json").result["entries"]
    assert [entry["kind"] for entry in log] == ["card-written", "installed", "accepted"]
    assert panel("log", "verify", "--json").result["entries"] == 3


def test_the_manifest_it_shows_is_what_sha256sum_checks(panel: Cli, tmp_path: Path) -> None:
    """Outside check: GNU coreutils reads the manifest and agrees about the card."""
    written(panel, tmp_path)
    sums = tmp_path / "sums"
    sums.write_text(panel("bundle", "show", "nav").out)
    done = subprocess.run(
        ["sha256sum", "--strict", "-c", str(sums)],
        cwd=tmp_path / "card" / "volume",
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count(": OK") == 6


def test_two_bundles_share_a_card_and_a_new_one_replaces_only_its_kind(panel: Cli, tmp_path: Path) -> None:
    written(panel, tmp_path)
    assert panel("write", "map", "--on", tmp_path / "card", "--for", "LEFT").code == 0
    newer = make_bundle(tmp_path / "newer", seed=99)
    assert panel("bundle", "add", newer, "--kind", "navigation", "--effective", "2026-02-19", "--name", "n2").code == 0
    ran = panel("write", "n2", "--on", tmp_path / "card", "--for", "LEFT", "--json")
    assert ran.code == 0, ran.err
    assert [one["name"] for one in ran.result["receipt"]["bundles"]] == ["map", "n2"]
    on_card = {path.name for path in (tmp_path / "card" / "volume").iterdir()}
    assert on_card == {"map-region-0", "map-region-1", "newer-region-0", "newer-region-1"}


def test_writing_again_keeps_every_file_and_proves_it_anew(panel: Cli, tmp_path: Path) -> None:
    written(panel, tmp_path)
    again = panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--json").result["receipt"]
    assert again["written_bytes"] == 0
    assert again["readback"]["files"] == 6


def test_verify_names_the_file_whose_byte_flipped_and_a_write_mends_it(panel: Cli, tmp_path: Path) -> None:
    written(panel, tmp_path)
    victim = tmp_path / "card" / "volume" / "nav-region-1" / "part-3.bin"
    data = bytearray(victim.read_bytes())
    data[5000] ^= 1
    victim.write_bytes(data)

    ran = panel("verify", tmp_path / "card")
    assert ran.code == 31
    assert "nav-region-1/part-3.bin" in ran.err
    assert panel("verify", tmp_path / "card", "--json").result["paths"][0].startswith("nav-region-1/part-3.bin")
    assert panel("install", "C-L", "--in", "LEFT").code == 12, "an unfit card is not carried to a unit"
    assert panel("cards", "--json").result["cards"][0]["fitness"] == "unfit"

    receipt = panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--json").result["receipt"]
    assert receipt["rewritten"] == ["nav-region-1/part-3.bin"]
    assert panel("verify", tmp_path / "card").code == 0


def test_a_host_short_of_disk_is_refused_before_anything_is_written(
    panel: Cli, tmp_path: Path, host: SimulatedHost
) -> None:
    host.free_bytes = {"records": 9_000_000}
    ran = panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--json")
    assert ran.code == 10
    refused = [line for line in ran.lines if line["type"] == "finding" and line["result"] == "refuse"]
    assert [finding["check"] for finding in refused] == ["host.room"]
    assert "9 MB" in refused[0]["evidence"]
    assert refused[0]["remedy"]
    assert not list((tmp_path / "card" / "volume").iterdir())


@pytest.mark.parametrize(
    ("options", "check"),
    [
        (["--capacity", "64GB"], "card.capacity"),
        (["--capacity", "8GB", "--file-system", "exfat"], "card.file-system"),
    ],
)
def test_a_card_that_the_rule_forbids_is_refused(panel: Cli, tmp_path: Path, options: list[str], check: str) -> None:
    assert panel("cards", "simulate", tmp_path / "bad", *options).code == 0
    ran = panel("check", "nav", "--on", tmp_path / "bad", "--for", "LEFT", "--json")
    assert ran.code == 10
    refused = {line["check"] for line in ran.lines if line["type"] == "finding" and line["result"] == "refuse"}
    assert check in refused


def test_an_unknown_fact_stops_the_write_until_it_is_accepted_by_name(panel: Cli, tmp_path: Path) -> None:
    (tmp_path / "plain").mkdir()
    ran = panel("write", "nav", "--on", tmp_path / "plain", "--for", "LEFT", "--json")
    assert ran.code == 11
    unknown = [line["check"] for line in ran.lines if line["type"] == "finding" and line["result"] == "unknown"]
    assert "card.capacity" in unknown
    assert all(f"--accept {name}" in ran.result["remedy"] for name in unknown)
    accepted = [word for name in unknown for word in ("--accept", name)]
    ran = panel("write", "nav", "--on", tmp_path / "plain", "--for", "LEFT", *accepted, "--json")
    assert ran.code == 0, ran.err
    assert ran.result["receipt"]["accepted"] == sorted(unknown)


def test_a_foreign_file_is_never_touched(panel: Cli, tmp_path: Path) -> None:
    written(panel, tmp_path)
    letter = tmp_path / "card" / "volume" / "letter.txt"
    letter.write_text("mine")
    in_the_way = tmp_path / "other" / "volume" / "nav-region-0" / "part-0.bin"
    in_the_way.parent.mkdir()
    in_the_way.write_text("someone else's")

    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT").code == 0
    assert letter.read_text() == "mine"
    ran = panel("write", "nav", "--on", tmp_path / "other", "--for", "LEFT")
    assert ran.code == 10
    assert "card.files-in-the-way" in ran.out
    assert in_the_way.read_text() == "someone else's"


def test_a_foreign_file_of_the_same_size_is_found_out_by_reading_it(panel: Cli, tmp_path: Path) -> None:
    original = tmp_path / "nav" / "nav-region-0" / "part-0.bin"
    stranger = tmp_path / "card" / "volume" / "nav-region-0" / "part-0.bin"
    stranger.parent.mkdir()
    stranger.write_bytes(bytes(original.stat().st_size))
    ran = panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L")
    assert ran.code == 37
    assert stranger.read_bytes() == bytes(original.stat().st_size)
    stranger.write_bytes(original.read_bytes())
    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT").code == 0


def test_a_bundle_that_changed_since_it_was_taken_in_is_refused_by_name(panel: Cli, tmp_path: Path) -> None:
    (tmp_path / "nav" / "nav-region-0" / "part-2.bin").write_bytes(b"changed")
    ran = panel("check", "nav", "--on", tmp_path / "card", "--for", "LEFT")
    assert ran.code == 10
    assert "bundle.changed" in ran.out
    assert "nav-region-0/part-2.bin" in ran.out


def test_a_change_that_hides_behind_size_and_time_is_caught_while_copying(panel: Cli, tmp_path: Path) -> None:
    import os

    path = tmp_path / "nav" / "nav-region-0" / "part-2.bin"
    stamp = path.stat()
    data = bytearray(path.read_bytes())
    data[17] ^= 8
    path.write_bytes(data)
    os.utime(path, ns=(stamp.st_atime_ns, stamp.st_mtime_ns))
    ran = panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L")
    assert ran.code == 23
    assert "nav-region-0/part-2.bin" in ran.err
    assert panel("install", "C-L", "--in", "LEFT").code == 12


def test_a_rejected_card_is_logged_with_what_the_unit_showed(panel: Cli, tmp_path: Path) -> None:
    written(panel, tmp_path)
    ran = panel("install", "C-L", "--in", "RIGHT", "--rejected", "unit showed: no card", "--json")
    assert [load["state"] for load in ran.result["loads"]] == ["rejected"]
    assert "no card" in panel("log").out
    assert panel("install", "C-L", "--in", "RIGHT", "--slot", "cellar").code == 2
    assert panel("install", "C-L", "--in", "NAVIGATOR", "--accepted").code == 44


def test_status_shows_what_is_held_and_that_two_displays_differ(panel: Cli, tmp_path: Path) -> None:
    written(panel, tmp_path)
    assert panel("install", "C-L", "--in", "LEFT", "--accepted").code == 0
    ran = panel("status", "--at", "2050-01-30")
    assert "LEFT" in ran.out
    assert "lapsed" in ran.out
    assert "Different cycles" in ran.out
    assert "nothing loaded" in ran.out
    assert "authority's rules govern" in ran.out
    status = panel("status", "--at", "2050-01-30", "--json").result["status"]
    assert status["split_kinds"] == [["navigation", [["LEFT", "2601"], ["RIGHT", "nothing loaded"]]]]
    due = panel("due", "--within", "0", "--json").result["due"]
    assert {(one["unit"], one["kind"]) for one in due} >= {("RIGHT", "navigation"), ("NAVIGATOR", "terrain")}


def test_the_bench_itself_is_no_card(panel: Cli, tmp_path: Path) -> None:
    for target in ("/", str(Path.home())):
        ran = panel("write", "nav", "--on", target, "--for", "LEFT")
        assert ran.code == 13, ran.out + ran.err
        assert target in ran.err
    assert panel("cards", "--json").result["cards"] == []


@pytest.mark.parametrize("columns", [80, 100, 140])
def test_the_picture_of_a_panel_fits_the_terminal(panel: Cli, monkeypatch: pytest.MonkeyPatch, columns: int) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    ran = panel("status", "--at", "2050-01-30")
    drawn = [line for line in ran.out.splitlines() if "·" in line or "nothing loaded" in line]
    assert drawn
    assert max(map(len, drawn)) <= columns
