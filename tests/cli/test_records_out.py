"""Records out of the house: exports, printouts, receipts, corrections, what the unit showed."""

from __future__ import annotations

import csv
import json
import subprocess
from pathlib import Path

import pytest

from tests.cli.conftest import Cli
from tests.tools import need, run


@pytest.fixture
def bench(panel: Cli, tmp_path: Path) -> Cli:
    """The panel with one card written for LEFT, navigation and base map on it."""
    for bundle in ("nav", "map"):
        ran = panel("write", bundle, "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L")
        assert ran.code == 0, ran.err
    return panel


def install(bench: Cli, *more: str) -> None:
    ran = bench("install", "C-L", "--in", "LEFT", "--accepted", *more)
    assert ran.code == 0, ran.err


# --- the logbook -----------------------------------------------------------------------------------------------------


def test_what_the_unit_showed_and_the_hours_go_into_the_logbook(bench: Cli) -> None:
    # 2026-01-22 is the first day of cycle 2601, which lapses on 2026-02-19: the AIRAC grid
    install(bench, "--shown-until", "navigation=2026-02-18", "--shown-until", "base-map=2030-01-01", "--hours", "12.5")
    accepted = [one for one in bench("log", "--json").result["entries"] if one["kind"] == "accepted"]
    assert {one["data_kind"]: one["shown_until"] for one in accepted} == {
        "navigation": "2026-02-18",
        "base-map": "2030-01-01",
    }
    assert {one["aircraft_hours"] for one in accepted} == {"12.5"}


def test_another_date_on_the_unit_than_in_the_records_is_told(bench: Cli) -> None:
    ran = bench("install", "C-L", "--in", "LEFT", "--accepted", "--shown-until", "navigation=2026-03-18")
    assert ran.code == 0
    assert "shows 2026-03-18 for nav, and by the records it lapses 2026-02-19" in ran.err


@pytest.mark.parametrize(
    ("more", "told"),
    [
        (["--accepted", "--shown-until", "2026-02-18"], "does not say which of these it is of: base-map, navigation"),
        (["--accepted", "--shown-until", "terrain=2026-02-18"], "does not say which of these"),
        (["--accepted", "--shown-until", "navigation=soon"], "not a date"),
        (["--accepted", "--shown-until", "navigation=2026-02-18T00:00:00Z"], "units show days"),
        (["--accepted", "--hours", "12:30"], "not a number of hours"),
        (["--hours", "12.5"], "go with --accepted"),
        (["--rejected", "no", "--shown-until", "2026-02-18"], "go with --accepted"),
    ],
)
def test_what_was_shown_must_be_plain_and_else_nothing_is_logged(bench: Cli, more: list[str], told: str) -> None:
    before = bench("log", "--json").result["entries"]
    ran = bench("install", "C-L", "--in", "LEFT", *more)
    assert ran.code == 2
    assert told in ran.err
    assert bench("log", "--json").result["entries"] == before


def test_an_entry_is_corrected_by_another(bench: Cli) -> None:
    ran = bench("log", "correct", "1", "it was at the other bench", "--json")
    assert (ran.result["entry"]["corrects"], ran.result["entry"]["sequence"]) == (1, 4)
    assert "corrected: entry 1 (it was at the other bench)" in bench("log").out
    assert bench("log", "correct", "99", "no").code == 45
    assert bench("log", "verify").code == 0


def test_a_retired_card_is_in_the_logbook(bench: Cli) -> None:
    assert bench("cards", "retire", "C-L", "--reason", "corner broken").code == 0
    assert "retired: card C-L (corner broken)" in bench("log").out
    assert bench("cards", "retire", "C-404").code == 45


@pytest.mark.parametrize("form", ["csv", "jsonl", "html", "pdf"])
def test_the_logbook_is_exported_in_each_form_and_nothing_is_overwritten(bench: Cli, tmp_path: Path, form: str) -> None:
    install(bench)
    out = tmp_path / "logbook.out"
    assert bench("log", "export", "--format", form, "--out", out).code == 0
    content = out.read_bytes()
    entries = bench("log", "--json").result["entries"]
    if form == "csv":
        with out.open(newline="") as file:
            assert [row["sha256"] for row in csv.DictReader(file)] == [one["sha256"] for one in entries]
    elif form == "jsonl":
        assert [json.loads(line)["sha256"] for line in content.splitlines()] == [one["sha256"] for one in entries]
    elif form == "html":
        assert entries[-1]["sha256"] in content.decode()
    else:
        need("pdftotext")
        assert entries[-1]["sha256"] in run("pdftotext", out, "-")
    ran = bench("log", "export", "--format", form, "--out", out)
    assert ran.code == 46
    assert out.read_bytes() == content


# --- printouts -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("what", ["logbook", "packing", "entry 1", "label", "slip C-L --letter"])
@pytest.mark.parametrize("form", ["pdf", "html"])
def test_each_printout_is_made_in_both_forms(bench: Cli, tmp_path: Path, what: str, form: str) -> None:
    out = tmp_path / f"printout.{form}"
    ran = bench("print", *what.split(), "--out", out, "--json")
    assert ran.code == 0, ran.out
    assert ran.result["bytes"] == out.stat().st_size
    if form == "html":
        text = out.read_text()
    else:
        need("pdftotext")
        text = run("pdftotext", out, "-")
    assert "C-L" in text


def test_a_code_opens_the_cards_page_where_an_address_is_given(bench: Cli, tmp_path: Path) -> None:
    """Outside check: zbar reads the code."""
    need("pdftoppm", "zbarimg")
    for address, held in (
        ([], "mediaprep card C-L receipt R-000002"),
        (["--address", "http://127.0.0.1:8765/"], "http://127.0.0.1:8765/cards#C-L"),
    ):
        out = tmp_path / f"{len(address)}.pdf"
        assert bench("print", "label", "--out", out, *address).code == 0
        run("pdftoppm", "-r", "150", "-png", out, tmp_path / "sheet")
        assert run("zbarimg", "-q", "--raw", "--nodbus", tmp_path / "sheet-1.png").strip() == held


@pytest.mark.parametrize(
    ("arguments", "code", "told"),
    [
        ("label C-404 --out x.pdf", 45, "no card C-404"),
        ("label --out x.txt", 2, "neither .pdf nor .html"),
        ("label --out x.pdf --address bench", 2, "not the address of a service"),
        ("entry 99 --out x.pdf", 45, "has no entry 99"),
        ("logbook --aircraft NONE --out x.pdf", 45, "NONE"),
        ("logbook --out none/x.pdf", 46, "no folder"),
    ],
)
def test_what_cannot_be_printed_is_told(  # noqa: PLR0917 - fixtures and parameters
    bench: Cli, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, arguments: str, code: int, told: str
) -> None:
    monkeypatch.chdir(tmp_path)
    ran = bench("print", *arguments.split())
    assert (ran.code, told in ran.err) == (code, True), ran.err
    assert not list(tmp_path.glob("x.*"))


def test_nothing_is_printed_for_a_card_that_is_not_proven(bench: Cli, tmp_path: Path) -> None:
    victim = next((tmp_path / "card" / "volume").rglob("part-0.bin"))
    victim.write_bytes(b"\x00" + victim.read_bytes()[1:])
    assert bench("verify", tmp_path / "card").code == 31
    for what in ("label C-L", "slip C-L", "label"):
        ran = bench("print", *what.split(), "--out", tmp_path / "x.pdf")
        assert ran.code == 12
    ran = bench("print", "packing", "--out", tmp_path / "packing.html")
    assert ran.code == 0
    assert "Card C-L: unfit." in (tmp_path / "packing.html").read_text()


def test_a_logbook_that_was_edited_is_not_printed(bench: Cli, tmp_path: Path) -> None:
    import sqlite3

    connection = sqlite3.connect(tmp_path / "data" / "records.sqlite")
    connection.execute("UPDATE logbook SET body = replace(body, 'C-L', 'C-R') WHERE sequence = 1")
    connection.commit()
    connection.close()
    for command in ("print logbook", "print entry 2", "log export --format csv"):
        ran = bench(*command.split(), "--out", tmp_path / "x.pdf")
        assert ran.code == 43
        assert "entry 1" in ran.err
    assert not (tmp_path / "x.pdf").exists()


# --- receipts --------------------------------------------------------------------------------------------------------


def test_an_exported_receipt_is_checked_with_sha256sum_alone(bench: Cli, tmp_path: Path) -> None:
    """Outside check: GNU coreutils, from the digest in the logbook down to every byte on the card."""
    need("sha256sum")
    ran = bench("receipt", "export", "R-000002", "--out", tmp_path / "handed" / "on", "--json")
    assert ran.code == 0, ran.out
    folder = tmp_path / "handed" / "on"
    told = json.loads((folder / "R-000002.json").read_text())
    assert sorted(ran.result["files"]) == sorted(path.name for path in folder.iterdir())
    assert told["receipt"]["readback"]["verdict"] == "verified"
    logged = {
        one["bundle"]: one["manifest_sha256"]
        for entry in bench("log", "--json").result["entries"]
        for one in entry.get("bundles", [])
    }
    checked = 0
    for listed in told["checksum_files"]:
        sums = folder / listed["file"]
        assert run("sha256sum", sums).split()[0] == listed["sha256"] == logged[listed["bundle"]]
        done = subprocess.run(
            ["sha256sum", "--strict", "-c", sums], cwd=tmp_path / "card" / "volume", capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout + done.stderr
        checked += done.stdout.count(": OK")
    assert checked == 12

    victim = next((tmp_path / "card" / "volume").rglob("part-3.bin"))
    victim.write_bytes(victim.read_bytes()[:-1] + b"\x00")
    failed = [
        subprocess.run(["sha256sum", "-c", folder / one["file"]], cwd=tmp_path / "card" / "volume", capture_output=True)
        for one in told["checksum_files"]
    ]
    assert sorted(one.returncode for one in failed) == [0, 1]


def test_a_receipt_is_shown_and_its_export_overwrites_nothing(bench: Cli, tmp_path: Path) -> None:
    shown = bench("receipt", "show", "R-000001")
    assert shown.code == 0
    assert "card C-L VERIFIED" in shown.out
    assert bench("receipt", "show", "R-000001", "--json").result["receipt"]["number"] == "R-000001"
    assert bench("receipt", "show", "R-404404").code == 45
    assert bench("receipt", "export", "R-000001", "--out", tmp_path / "out").code == 0
    before = {path: path.read_bytes() for path in (tmp_path / "out").iterdir()}
    assert bench("receipt", "export", "R-000001", "--out", tmp_path / "out").code == 46
    assert {path: path.read_bytes() for path in (tmp_path / "out").iterdir()} == before
    (tmp_path / "file").write_text("")
    assert bench("receipt", "export", "R-000001", "--out", tmp_path / "file").code == 46
