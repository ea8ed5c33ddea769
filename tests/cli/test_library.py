"""The library on the command line: publishers' checksums, bags, guesses, looking again, removing and tidying."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from mediaprep.bundles.bag import write_bag
from mediaprep.cycles import cycle_at
from mediaprep.model import CycleRule, CycleScheme
from tests.cli.conftest import Cli, make_bundle


def sums(folder: Path, to: Path, algorithm: str) -> Path:
    lines = [
        f"{hashlib.new(algorithm, path.read_bytes()).hexdigest()}  {path.relative_to(folder).as_posix()}\n"
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    ]
    to.write_text("".join(lines))
    return to


def cycle_now() -> str:
    validity = cycle_at(CycleRule(CycleScheme.AIRAC_28), datetime.now(UTC))
    assert validity is not None
    assert validity.cycle is not None
    return validity.cycle


# --- checksums and bags ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("algorithm", "weak"), [("sha512", False), ("md5", True)])
def test_checksums_are_checked_kept_and_shown(panel: Cli, tmp_path: Path, algorithm: str, weak: bool) -> None:
    folder = make_bundle(tmp_path / "set", seed=5)
    listed = sums(folder, tmp_path / "SUMS", algorithm)
    add = ("bundle", "add", folder, "--kind", "base-map", "--name", "set", "--checksums", listed)
    ran = panel(*add)
    assert ran.code == 0, ran.err
    assert f"Checked: {algorithm}{' (weak)' if weak else ''} of SUMS, 6 files." in ran.out
    assert ("Caution" in ran.out) is weak
    checks = [{"listed_in": "SUMS", "algorithm": algorithm, "file_count": 6, "weak": weak}]
    shown = panel("bundle", "show", "set", "--json").result
    assert shown["bundle"]["checks"] == checks
    assert f"# Checked: {algorithm}" in panel("bundle", "show", "set").out
    assert f"{algorithm} (weak)" in panel("bundle").out if weak else algorithm in panel("bundle").out


def test_a_file_that_differs_is_named_and_nothing_is_taken_in(panel: Cli, tmp_path: Path) -> None:
    folder = make_bundle(tmp_path / "set", seed=5)
    listed = sums(folder, tmp_path / "SUMS", "sha1")
    (folder / "set-region-0/part-2.bin").write_bytes(b"other")
    ran = panel("bundle", "add", folder, "--kind", "base-map", "--checksums", listed, "--json")
    assert ran.code == 26
    assert ran.result["code"] == "checksums-disagree"
    assert ran.result["paths"] == ["set-region-0/part-2.bin (differs)"]
    assert len(panel("bundle", "--json").result["bundles"]) == 2


def test_a_bag_is_taken_in_and_written_without_its_wrapping(panel: Cli, tmp_path: Path) -> None:
    files = {"maps/a 100%.bin": b"a" * 5000, "b.bin": b"b"}
    write_bag(tmp_path / "bag", ((path, [data]) for path, data in files.items()), bagged_on=date(2026, 1, 1))
    ran = panel("bundle", "add", tmp_path / "bag", "--kind", "base-map", "--name", "bagged", "--json")
    assert ran.code == 0, ran.err
    assert ran.result["bundle"]["source_form"] == "bag"
    assert [check["algorithm"] for check in ran.result["bundle"]["checks"]] == ["sha256", "sha512"]
    assert panel("write", "bagged", "--on", tmp_path / "card", "--for", "LEFT").code == 0
    volume = tmp_path / "card/volume"
    assert {
        path.relative_to(volume).as_posix(): path.read_bytes() for path in volume.rglob("*") if path.is_file()
    } == files


def test_a_bag_with_a_fault_of_form_needs_a_word(panel: Cli, tmp_path: Path) -> None:
    write_bag(tmp_path / "bag", [("a.bin", [b"a"])], bagged_on=date(2026, 1, 1))
    for name in ("tagmanifest-sha256.txt", "tagmanifest-sha512.txt"):
        (tmp_path / "bag" / name).unlink()
    with (tmp_path / "bag/bag-info.txt").open("a") as file:
        file.write("Payload-Oxum: 1.1\n")
    add = ("bundle", "add", tmp_path / "bag", "--kind", "base-map", "--name", "bagged")
    refused = panel(*add)
    assert refused.code == 27
    assert "Payload-Oxum more than once" in refused.err
    assert "--lenient" in refused.err
    lenient = panel(*add, "--lenient")
    assert lenient.code == 0
    assert "Payload-Oxum more than once" in lenient.err
    assert panel("bundle", "check", "bagged").code == 0
    (tmp_path / "bag/data/a.bin").write_bytes(b"b")
    assert panel("bundle", "check", "bagged").code == 26


# --- guesses ---------------------------------------------------------------------------------------------------------


def test_a_cycle_in_the_name_is_offered_and_not_taken(panel: Cli, tmp_path: Path) -> None:
    cycle = cycle_now()
    folder = make_bundle(tmp_path / f"nav-{cycle}", seed=7)
    ran = panel("bundle", "add", folder, "--kind", "navigation")
    assert ran.code == 2
    assert f"The cycle of {folder} is not stated" in ran.err
    assert f"the name nav-{cycle} suggests cycle {cycle}: give --cycle {cycle} if that is right." in ran.err.replace(
        "Way out: T", "Way out: t"
    )
    assert len(panel("bundle", "--json").result["bundles"]) == 2
    assert panel("bundle", "add", folder, "--kind", "navigation", "--cycle", cycle).code == 0


def test_without_a_hint_the_option_is_explained(panel: Cli, tmp_path: Path) -> None:
    folder = make_bundle(tmp_path / "set", seed=7)
    ran = panel("bundle", "add", folder, "--kind", "navigation", "--json")
    assert (ran.code, ran.result["code"]) == (2, "usage")
    assert "--cycle" in ran.result["remedy"]
    ran = panel("bundle", "add", folder, "--kind", "terrain", "--json")
    assert ran.code == 2
    assert "--effective" in ran.result["remedy"]


def test_a_name_that_suggests_another_cycle_is_pointed_out(panel: Cli, tmp_path: Path) -> None:
    folder = make_bundle(tmp_path / f"nav-{cycle_now()}", seed=7)
    ran = panel("bundle", "add", folder, "--kind", "navigation", "--cycle", "2503")
    assert ran.code == 0
    assert f"suggests cycle {cycle_now()}, and you stated 2503" in ran.err


# --- the library -----------------------------------------------------------------------------------------------------


def test_the_list_says_where_each_bundle_is(panel: Cli, tmp_path: Path) -> None:
    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L").code == 0
    assert panel("install", "C-L", "--in", "LEFT", "--accepted").code == 0
    places = panel("bundle", "--json").result["whereabouts"]
    assert places == [
        {"bundle": "nav", "cards": ["C-L"], "units": [["TEST-1", "LEFT"]]},
        {"bundle": "map", "cards": [], "units": []},
    ]
    line = next(line for line in panel("bundle").out.splitlines() if line.startswith("nav "))
    assert "C-L" in line
    assert "TEST-1/LEFT" in line


def test_the_same_files_are_recognised_under_another_name(panel: Cli, tmp_path: Path) -> None:
    add = ("bundle", "add", tmp_path / "map", "--kind", "base-map", "--name", "twin")
    refused = panel(*add)
    assert refused.code == 42
    assert "the same files as bundle map" in refused.err
    assert panel(*add, "--again", "--json").result["same_as"] == ["map"]


def test_check_reads_every_byte_again(panel: Cli, tmp_path: Path) -> None:
    assert panel("bundle", "check", "nav").code == 0
    assert panel("bundle", "check").code == 2
    assert panel("bundle", "check", "nav", "--all").code == 2
    victim = tmp_path / "nav/nav-region-0/part-2.bin"
    victim.rename(victim.with_name("new.bin"))
    ran = panel("bundle", "check", "nav", "--json")
    assert (ran.code, ran.result["code"]) == (23, "source-changed")
    (answer,) = ran.result["checked"]
    assert answer["changes"] == {
        "differing": [],
        "missing": ["nav-region-0/part-2.bin"],
        "new": ["nav-region-0/new.bin"],
    }
    (tmp_path / "map").rename(tmp_path / "elsewhere")
    ran = panel("bundle", "check", "--all", "--json")
    assert ran.code == 23
    assert [answer["code"] for answer in ran.result["checked"]] == ["source-changed", "bundle-unreadable"]
    said = panel("bundle", "check", "--all")
    assert "missing  nav-region-0/part-2.bin" in said.out
    assert "nav, map" in said.err
    assert panel("bundle", "check", "map").code == 20


def test_what_is_in_use_is_removed_only_by_a_word_and_records_stay(panel: Cli, tmp_path: Path) -> None:
    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L").code == 0
    assert panel("install", "C-L", "--in", "LEFT", "--accepted").code == 0
    refused = panel("bundle", "remove", "nav")
    assert refused.code == 28
    assert "card C-L, unit TEST-1/LEFT" in refused.err
    before = {path: path.read_bytes() for path in (tmp_path / "nav").rglob("*.bin")}
    log = panel("log", "--json").result["entries"]
    ran = panel("bundle", "remove", "nav", "--even-in-use")
    assert ran.code == 0
    assert str(tmp_path / "nav") in ran.out
    assert {path: path.read_bytes() for path in (tmp_path / "nav").rglob("*.bin")} == before
    assert panel("log", "--json").result["entries"] == log
    assert "nav" not in [one["name"] for one in panel("bundle", "--json").result["bundles"]]
    assert panel("verify", tmp_path / "card").code == 0, "the card is verified as before"
    assert panel("status").code == 0
    assert "Removed from the library" in panel("bundle", "show", "nav").out
    for command in (("bundle", "remove", "nav"), ("bundle", "check", "nav")):
        assert panel(*command).code == 45
    ran = panel("write", "nav", "--on", tmp_path / "other", "--for", "LEFT")
    assert ran.code == 45
    assert "was removed from the library" in ran.err


def test_tidy_keeps_the_newest_and_what_is_in_use(panel: Cli, tmp_path: Path) -> None:
    for number, day in enumerate(("2026-02-19", "2026-03-19", "2026-04-16")):
        folder = make_bundle(tmp_path / f"newer-{number}", seed=20 + number)
        assert (
            panel("bundle", "add", folder, "--kind", "navigation", "--effective", day, "--name", f"n{number}").code == 0
        )
    assert panel("write", "n0", "--on", tmp_path / "card", "--for", "LEFT").code == 0

    dry = panel("bundle", "tidy", "--keep", "1", "--dry-run", "--json").result
    assert (dry["removed"], dry["kept_in_use"]) == (["nav", "n1"], ["n0"])
    assert dry["sources"] == [str(tmp_path / "nav"), str(tmp_path / "newer-1")]
    assert len(panel("bundle", "--json").result["bundles"]) == 5, "a dry run removes nothing"

    ran = panel("bundle", "tidy", "--keep", "1")
    assert "Gone: nav." in ran.out
    assert "Stays, as it is in use: n0." in ran.out
    assert {one["name"] for one in panel("bundle", "--json").result["bundles"]} == {"map", "n0", "n2"}
    assert (tmp_path / "newer-1").is_dir()
    assert "Nothing to remove" in panel("bundle", "tidy", "--keep", "1").out
    assert panel("bundle", "tidy", "--keep", "1", "--even-in-use", "--json").result["removed"] == ["n0"]
    assert panel("bundle", "tidy", "--keep", "0").code == 2
