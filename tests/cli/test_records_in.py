"""Records into the house: lists, whole aircraft, backups."""

from __future__ import annotations

from pathlib import Path

import pytest

from mediaprep.cli.desk import Desk
from mediaprep.cli.main import main
from mediaprep.config import Settings
from tests.cli.conftest import Cli


def listed(folder: Path, text: str) -> Path:
    path = folder / "list.csv"
    path.write_text(text)
    return path


UNITS = "aircraft,unit,kinds,rule\nOE-NEW,NAV,navigation;terrain,small\nTEST-1,EXTRA,terrain,strict\n"


def test_a_dry_run_tells_all_and_writes_nothing(panel: Cli, tmp_path: Path) -> None:
    file = listed(tmp_path, UNITS)
    before = panel("unit", "--json").result["units"]
    ran = panel("import", "units", file, "--dry-run")
    assert ran.code == 0
    assert "2 units could be taken in; nothing was written." in ran.out
    assert panel("unit", "--json").result["units"] == before
    assert panel("import", "units", file, "--json").result == {
        "v": 1, "type": "result", "ok": True, "code": None, "exit_code": 0, "rows": 2, "written": True,
    }  # fmt: skip
    assert len(panel("unit", "--json").result["units"]) == len(before) + 2
    assert panel("import", "units", file).code == 47, "they are there now"


def test_faults_are_told_by_line_and_column_and_nothing_is_written(panel: Cli, tmp_path: Path) -> None:
    file = listed(tmp_path, UNITS + "TEST-1,LEFT,navigation,small\nTEST-1,X Y,charts2,small\n")
    ran = panel("import", "units", file)
    assert ran.code == 47
    for told in (
        "list.csv, line 4, column unit",
        "TEST-1/LEFT is in the records already",
        "list.csv, line 5, column unit",
        "list.csv, line 5, column kinds",
    ):
        assert told in ran.out
    assert "2 rows cannot be taken in (3 problems); nothing was written" in ran.err
    assert "OE-NEW" not in panel("unit").out
    found = panel("import", "units", file, "--json")
    assert [line["subject"] for line in found.lines if line["type"] == "finding"] == [
        "list.csv, line 4, column unit",
        "list.csv, line 5, column unit",
        "list.csv, line 5, column kinds",
    ]
    assert found.result["code"] == "import-invalid"


def test_cards_and_past_loads_make_the_panel_current_before_anything_is_written(panel: Cli, tmp_path: Path) -> None:
    assert panel("import", "cards", listed(tmp_path, "card,capacity\nOLD-1,8GB\n")).code == 0
    loads = (
        "aircraft,unit,card,kind,accepted,cycle,slot,hours,note\n"
        'TEST-1,LEFT,OLD-1,navigation,2026-01-23,2601,front,1234.5,"as in the paper log, page 12"\n'
    )
    ran = panel("import", "loads", listed(tmp_path, loads))
    assert ran.code == 0, ran.err
    assert "imported: navigation-2601-past on card OLD-1 for unit LEFT" in panel("log").out
    status = panel("status", "--at", "2026-02-01", "--json").result["status"]
    held = next(one for one in status["kinds"] if (one["unit"], one["kind"]) == ("LEFT", "navigation"))
    assert held["load"]["validity"]["cycle"] == "2601"
    assert held["load"]["receipt"] is None
    assert panel("log", "verify").code == 0
    # The card of that name is then the first one that is written under it.
    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "OLD-1").code == 0
    assert "OLD-1" in panel("cards").out


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", None])
def test_a_list_that_cannot_be_read_is_told(panel: Cli, tmp_path: Path, content: bytes | None) -> None:
    file = tmp_path / "list.csv"
    if content is not None:
        file.write_bytes(content)
    assert panel("import", "cards", file).code == 47


# --- a whole aircraft ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["moved.zip", "moved"])
def test_an_aircraft_moves_to_another_computer_and_back_to_the_byte(
    panel: Cli, tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str
) -> None:
    def elsewhere(*arguments: object) -> int:
        settings = Settings(data_dir=tmp_path / "other-data", station="hangar", operator="tester")
        return main([str(one) for one in arguments], Desk(settings=settings))

    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L").code == 0
    assert panel("install", "C-L", "--in", "LEFT", "--accepted").code == 0
    assert panel("aircraft", "export", "TEST-1", "--out", tmp_path / name).code == 0
    assert elsewhere("aircraft", "import", tmp_path / name) == 0
    (tmp_path / "back").mkdir()
    assert elsewhere("aircraft", "export", "TEST-1", "--out", tmp_path / "back" / name) == 0
    for path in [tmp_path / name, *(tmp_path / name).rglob("*")]:
        if path.is_file():
            assert (tmp_path / "back" / path.relative_to(tmp_path)).read_bytes() == path.read_bytes()
    # The card is proven there by a readback, and can then be carried.
    assert elsewhere("install", "C-L", "--in", "LEFT") == 12
    assert elsewhere("verify", tmp_path / "card") == 0
    assert elsewhere("install", "C-L", "--in", "LEFT") == 0
    assert elsewhere("log", "verify") == 0
    capsys.readouterr()
    assert panel("aircraft", "import", tmp_path / name).code == 47
    assert panel("aircraft", "export", "TEST-1", "--out", tmp_path / name).code == 46
    assert panel("aircraft", "export", "NONE", "--out", tmp_path / "none.zip").code == 45


# --- backups ---------------------------------------------------------------------------------------------------------


def test_records_are_backed_up_lost_and_restored(panel: Cli, tmp_path: Path) -> None:
    ran = panel("backup", tmp_path / "safe.sqlite", "--json")
    assert ran.code == 0
    assert ran.result["logbooks"] == {"TEST-1": 0}
    assert panel("backup", tmp_path / "safe.sqlite").code == 46
    before = panel("unit", "--json").result
    records = tmp_path / "data" / "records.sqlite"
    damaged = b"no database any more " * 1000
    records.write_bytes(damaged)
    ran = panel("unit")
    assert ran.code == 40
    assert "mediaprep restore" in ran.err
    assert records.read_bytes() == damaged
    ran = panel("restore", tmp_path / "safe.sqlite", "--json")
    assert ran.code == 0, ran.err
    assert Path(ran.result["aside"]).read_bytes() == damaged
    assert panel("unit", "--json").result == before


def test_records_are_moved_aside_only_by_an_own_word(panel: Cli, tmp_path: Path) -> None:
    assert panel("restore").code == 2
    assert panel("restore", tmp_path / "safe.sqlite", "--aside").code == 2
    assert panel("restore", tmp_path / "none.sqlite").code == 40
    assert panel("aircraft", "--json").result["aircraft"]
    ran = panel("restore", "--aside", "--json")
    assert Path(ran.result["aside"]).exists()
    assert panel("aircraft", "--json").result["aircraft"] == []
