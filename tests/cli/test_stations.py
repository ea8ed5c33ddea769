"""Several stations on one PostgreSQL, as those at the benches see it; the whole of the main job is played there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from mediaprep.cli.desk import Desk
from mediaprep.cli.main import main
from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.model import LOST_AFTER_SECONDS, JobKind
from mediaprep.records import open_records
from tests.cli.conftest import Cli, Ran
from tests.postgres import Server


@pytest.fixture
def settings(postgres: Server, tmp_path: Path) -> Iterator[Settings]:
    name = postgres.new_database()  # empty: the first command makes the records
    yield Settings(tmp_path / "first", postgres.url(name), station="bench-1", operator="tester")
    postgres.drop(name)


@pytest.fixture
def second(settings: Settings, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Cli:
    """The command line of another computer."""

    def run(*arguments: object) -> Ran:
        capsys.readouterr()
        elsewhere = replace(settings, data_dir=tmp_path / "second", station="bench-2")
        code = main([str(argument) for argument in arguments], Desk(settings=elsewhere))
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return run


def test_the_main_job_from_the_first_bench_to_the_unit_with_two_stations(
    panel: Cli, second: Cli, tmp_path: Path
) -> None:
    card, other = tmp_path / "card", tmp_path / "other"
    assert panel("check", "nav", "--on", card, "--for", "LEFT").code == 0
    written = panel("write", "nav", "--on", card, "--for", "LEFT", "--card", "C-L", "--json")
    assert written.result["receipt"]["station"] == "bench-1"
    # The second station takes the card from the first, proves it again, and carries it to the unit.
    proven = second("verify", card, "--json")
    assert proven.result["receipt"]["station"] == "bench-2"
    assert second("write", "nav", "--on", other, "--for", "RIGHT", "--card", "C-R").code == 0
    assert second("install", "C-L", "--in", "LEFT", "--accepted").code == 0
    assert panel("install", "C-R", "--in", "RIGHT", "--accepted").code == 0
    entries = second("log", "--json").result["entries"]
    assert [(entry["kind"], entry["station"]) for entry in entries] == [
        ("card-written", "bench-1"),
        ("verified", "bench-2"),
        ("superseded", "bench-2"),  # the load that the first receipt had prepared
        ("card-written", "bench-2"),
        ("installed", "bench-2"),
        ("accepted", "bench-2"),
        ("installed", "bench-1"),
        ("accepted", "bench-1"),
    ]
    assert panel("log", "verify", "--json").result["entries"] == len(entries)
    assert "nav" in panel("status").out

    stations = panel("stations", "--json").result
    assert [station["name"] for station in stations["stations"]] == ["bench-1", "bench-2"]
    assert stations["here"]["computer"] == stations["stations"][0]["computer"]
    assert not any(station["lost"] or station["clock"]["off"] for station in stations["stations"])


def test_a_bundle_that_another_station_does_not_see_is_named_with_the_way_to_share_it(
    panel: Cli, second: Cli, tmp_path: Path
) -> None:
    (tmp_path / "nav").rename(tmp_path / "not here")
    ran = second("write", "nav", "--on", tmp_path / "card", "--for", "LEFT")
    assert ran.code == 20
    assert f"Bundle nav cannot be read on station bench-2: There is nothing at {tmp_path / 'nav'}" in ran.err
    assert "every station must see it at this same path" in ran.err


def test_a_station_that_died_is_told_of_by_the_next_command_anywhere(
    panel: Cli, second: Cli, settings: Settings, postgres: Server, tmp_path: Path
) -> None:
    assert panel("write", "nav", "--on", tmp_path / "card", "--for", "LEFT", "--card", "C-L").code == 0
    dying = open_records(settings, clock=SystemClock())
    job = dying.begin_job(JobKind.WRITE, dying.card("C-L"), None, None, at=SystemClock().now())
    dying.begin_touching(job.number, [], None, ())
    ran = second("write", "nav", "--on", tmp_path / "card", "--for", "LEFT")
    assert ran.code == 14
    assert f"Card C-L is being worked on by job {job.number} on bench-1" in ran.err
    dying.close()
    long_ago = SystemClock().now() - timedelta(seconds=LOST_AFTER_SECONDS + 60)
    with postgres.connect_to(settings) as connection:
        connection.execute("UPDATE stations SET last_seen_at = %s WHERE name = 'bench-1'", [_text(long_ago)])
    ran = second("stations")
    assert "bench-1" in ran.out
    assert "6 min ago" in ran.out
    assert f"Job {job.number} on card C-L: its station was not seen for 5 minutes, while writing" in ran.err
    assert "UNFIT" in second("cards").out.upper()
    assert second("write", "nav", "--on", tmp_path / "card", "--for", "LEFT").code == 0


def test_two_computers_of_one_name_and_a_wrong_clock_are_warned_of(
    panel: Cli, second: Cli, settings: Settings, postgres: Server, tmp_path: Path
) -> None:
    for run in (panel, second):
        assert run("write", "nav", "--on", tmp_path / "card", "--for", "LEFT").code == 0
    with postgres.connect_to(settings) as connection:
        connection.execute("UPDATE stations SET name = 'laptop', clock_ahead_seconds = -90 WHERE name = 'bench-2'")
        connection.execute("UPDATE stations SET name = 'laptop' WHERE name = 'bench-1'")
    shown = " ".join(panel("stations").out.split())
    assert "2 computers at work are called laptop" in shown
    assert "The clock of laptop was 90.0 s behind that of the records" in shown


def test_a_computer_whose_clock_is_wrong_is_told_so_at_every_command(
    settings: Settings, capsys: pytest.CaptureFixture[str]
) -> None:
    class Ahead(SystemClock):
        def now(self) -> datetime:
            return super().now() + timedelta(seconds=90)

    desk = Desk(settings=settings)
    desk.clock = Ahead()
    assert main(["aircraft"], desk) == 0
    assert "This computer's clock is 90.0 s ahead of that of the records" in capsys.readouterr().err


def _text(instant: datetime) -> str:
    return instant.isoformat(timespec="microseconds").replace("+00:00", "Z")
