"""The systemd units that are shipped: whole, and calling a command that is there."""

from __future__ import annotations

import configparser
from pathlib import Path

from mediaprep.cli.main import cli
from tests.tools import need, run

UNITS = Path(__file__).resolve().parents[2] / "packaging" / "systemd"


def read(name: str) -> configparser.ConfigParser:
    parser = configparser.ConfigParser(interpolation=None)
    parser.optionxform = str  # type: ignore[assignment,method-assign]
    parser.read(UNITS / name)
    return parser


def test_systemd_finds_nothing_wrong_with_them(tmp_path: Path) -> None:
    need("systemd-analyze")
    program = tmp_path / ".local" / "bin" / "mediaprep"
    program.parent.mkdir(parents=True)
    program.write_text("#!/bin/sh\n")
    program.chmod(0o755)
    home = {"HOME": str(tmp_path), "XDG_RUNTIME_DIR": str(tmp_path)}
    for name in ("mediaprep-remind.service", "mediaprep-remind.timer"):
        (tmp_path / name).write_text((UNITS / name).read_text().replace("%h", str(tmp_path)))
    said = run("systemd-analyze", "--user", "verify", tmp_path / "mediaprep-remind.timer", env=home)
    assert "mediaprep" not in said
    assert "Next elapse" in run("systemd-analyze", "calendar", read("mediaprep-remind.timer")["Timer"]["OnCalendar"])


def test_the_service_runs_a_command_that_is_there() -> None:
    program, command = read("mediaprep-remind.service")["Service"]["ExecStart"].split()
    assert program == "%h/.local/bin/mediaprep"
    assert command in cli.commands


def test_the_timer_makes_up_for_what_it_missed() -> None:
    assert read("mediaprep-remind.timer")["Timer"]["Persistent"] == "true"
