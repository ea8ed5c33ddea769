"""The machine contract: JSON lines only, one result last, stable exit codes, usage errors too."""

from __future__ import annotations

import json
from pathlib import Path

import click
import pytest

from mediaprep.cli.main import cli as root
from tests.cli.conftest import Cli


def commands() -> list[str]:
    found = []
    waiting: list[tuple[str, click.Command]] = [("", root)]
    while waiting:
        path, command = waiting.pop()
        if path:
            found.append(path)
        if isinstance(command, click.Group):
            waiting += [(f"{path} {name}".strip(), inner) for name, inner in command.commands.items()]
    return sorted(found)


@pytest.mark.parametrize("path", commands())
def test_every_command_takes_json_and_has_a_help_that_starts_with_a_sentence(cli: Cli, path: str) -> None:
    ran = cli(*path.split(), "--help")
    assert ran.code == 0
    assert "--json" in ran.out
    assert ran.out.splitlines()[2].strip()[0].isupper()


@pytest.mark.parametrize(
    "line",
    [
        "--json",
        "no-such-command --json",
        "write --json",
        "write x --on y --json",
        "cycles --count many --json",
        "check x --on y --for z --json",
        "unit add NOSLASH --kind navigation --rule example --json",
        "status --at yesterday --json",
    ],
)
def test_a_failure_of_any_sort_is_one_json_result(cli: Cli, line: str) -> None:
    ran = cli(*line.split())
    if line == "--json":
        assert ran.code == 2
        return
    assert ran.code in {2, 45}
    assert ran.result["ok"] is False
    assert ran.result["exit_code"] == ran.code
    assert ran.result["code"] in {"usage", "not-found"}
    assert ran.result["message"]
    assert ran.result["remedy"]
    assert len(ran.out.splitlines()) == 1


@pytest.mark.parametrize(
    "line",
    ["aircraft", "unit", "unit rules", "unit kinds", "bundle", "cards", "status", "due", "cycles", "cycles 2613", "log",
     "cards facts {card}", "bundle show nav"],
)  # fmt: skip
def test_what_is_listed_comes_as_one_json_result(panel: Cli, tmp_path: Path, line: str) -> None:
    ran = panel(*line.format(card=tmp_path / "card").split(), "--json")
    assert ran.code == 0, ran.out + ran.err
    assert ran.result["ok"] is True
    for text in ran.out.splitlines():
        assert json.loads(text)["v"] == 1
    assert panel(*line.format(card=tmp_path / "card").split()).out.strip(), "and people get something to read"


def test_a_bug_is_a_result_too_with_exit_code_1(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    from mediaprep.cli.desk import Desk

    monkeypatch.setattr(Desk, "aircraft", lambda *_: 1 / 0)
    ran = cli("status", "--json")
    assert ran.code == 1
    assert ran.result["code"] == "bug"
    assert "ZeroDivisionError" in ran.err


def test_ctrl_c_ends_with_130(cli: Cli, monkeypatch: pytest.MonkeyPatch) -> None:
    from mediaprep.cli.desk import Desk

    def interrupted(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(Desk, "aircraft", interrupted)
    ran = cli("status", "--json")
    assert ran.code == 130
    assert ran.result["code"] == "interrupted"


def test_text_for_people_carries_no_json_and_errors_say_the_way_out(cli: Cli) -> None:
    ran = cli("bundle", "show", "nothing")
    assert ran.code == 45
    assert ran.out == ""
    assert ran.err.startswith("Error: ")
    assert "Way out: " in ran.err
