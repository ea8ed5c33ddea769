"""The docs say what the program does: pages made from the code are fresh, the tutorial's commands run as written."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tools.reference import FOLDER, PAGES

ROOT = Path(__file__).resolve().parent.parent
DOCS = sorted([*ROOT.glob("*.md"), *(ROOT / "docs").rglob("*.md")])


@pytest.mark.parametrize("name", sorted(PAGES))
def test_a_page_made_from_the_code_is_fresh(name: str) -> None:
    assert (FOLDER / name).read_text() == PAGES[name](), f"docs/reference/{name} is old: run `make docs`"


@pytest.mark.parametrize("page", DOCS, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_between_pages_lead_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text()):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name} links to {target}"


def test_the_readme_opens_with_one_paragraph_that_states_the_job() -> None:
    first = (ROOT / "README.md").read_text().split("\n\n")[1]
    for word in ("checks", "writes", "reads every byte back", "logs", "lapses"):
        assert word in first


def steps(page: Path) -> list[tuple[str, list[str]]]:
    """Return a page's console commands, each with the lines that the page says it prints."""
    found: list[tuple[str, list[str]]] = []
    for block in re.findall(r"```console\n(.*?)```", page.read_text(), re.DOTALL):
        for line in block.splitlines():
            if line.startswith("$ "):
                found.append((line[2:], []))
            else:
                found[-1][1].append(line)
    return found


def plain(text: str) -> str:
    """Leave out what differs from run to run: numbers and the breadth of blanks."""
    return re.sub(r"\s+", " ", re.sub(r"\d+", "#", text)).strip()


def test_the_tutorial_runs_as_written_and_prints_what_it_says(tmp_path: Path) -> None:
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}
    for command, printed in steps(ROOT / "docs" / "tutorial" / "first-card.md"):
        if command.startswith("export "):
            name, _, value = command.removeprefix("export ").partition("=")
            environment[name] = value.replace("$PWD", str(tmp_path))
            continue
        expected = re.search(r"# exit code (\d+)$", command)
        done = subprocess.run(
            ["bash", "-c", command], cwd=tmp_path, env=environment, capture_output=True, text=True, check=False
        )
        output = plain(done.stdout + done.stderr)
        assert done.returncode == (int(expected[1]) if expected else 0), f"{command}\n{done.stdout}{done.stderr}"
        for line in printed:
            assert plain(line) in output, f"{command} does not print '{line}' but\n{done.stdout}{done.stderr}"
