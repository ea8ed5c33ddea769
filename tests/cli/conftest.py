"""The command line as a user meets it, in this process: `cli("write", ...)` returns exit code, text and JSON lines."""

from __future__ import annotations

import json
import random
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from mediaprep.cli.desk import Desk
from mediaprep.cli.main import main
from mediaprep.config import Settings
from mediaprep.host import SimulatedHost


@dataclass(frozen=True)
class Ran:
    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[dict[str, Any]]:
        return [json.loads(line) for line in self.out.splitlines()]

    @property
    def result(self) -> dict[str, Any]:
        results = [line for line in self.lines if line["type"] == "result"]
        assert len(results) == 1
        assert self.lines[-1] is not None
        assert self.lines[-1]["type"] == "result", "the result comes last"
        return results[0]


Cli = Callable[..., Ran]


@pytest.fixture
def host() -> SimulatedHost:
    return SimulatedHost()


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    return Settings(data_dir=tmp_path / "data", station="test bench", operator="tester")


@pytest.fixture
def cli(settings: Settings, capsys: pytest.CaptureFixture[str], host: SimulatedHost) -> Iterator[Cli]:
    def run(*arguments: str) -> Ran:
        capsys.readouterr()
        code = main([str(argument) for argument in arguments], Desk(settings=settings, host=host))
        captured = capsys.readouterr()
        return Ran(code, captured.out, captured.err)

    return run


@pytest.fixture
def panel(cli: Cli, tmp_path: Path) -> Cli:
    """A panel of two displays and a navigator, two bundles taken in, one simulated card each at card/ and other/."""
    for line in (
        "aircraft add TEST-1",
        "unit rule small --max 32GB --family SDHC --file-system fat32 --source invented",
        "unit rule strict --max 8GB --file-system fat32 --no-foreign-files --source invented",
        "unit add TEST-1/LEFT --kind navigation --kind base-map --rule small --slot front --software 4.2",
        "unit add TEST-1/RIGHT --kind navigation --rule small",
        "unit add TEST-1/NAVIGATOR --kind terrain --rule strict",
    ):
        assert cli(*line.split()).code == 0, line
    for name, kind, more in (
        ("nav", "navigation", ("--effective", "2026-01-22")),
        ("map", "base-map", ()),
    ):
        folder = make_bundle(tmp_path / name, seed=len(name) + ord(name[0]))
        ran = cli("bundle", "add", folder, "--kind", kind, "--name", name, *more)
        assert ran.code == 0, ran.err
    for name in ("card", "other"):
        assert cli("cards", "simulate", tmp_path / name, "--capacity", "8GB").code == 0
    return cli


def make_bundle(folder: Path, *, seed: int, files: int = 6) -> Path:
    source = random.Random(seed)
    for number in range(files):
        path = folder / f"{folder.name}-region-{number % 2}" / f"part-{number}.bin"
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(source.randbytes(10_000 + number))
    return folder
