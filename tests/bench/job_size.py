"""What the size tests and the benchmark share: files of a given number and size, a card, the records for them."""

from __future__ import annotations

import os
import random
from collections.abc import Mapping
from pathlib import Path

from tests.bench.measure import Taken, mediaprep


def make_files(folder: Path, *, files: int, total_bytes: int) -> None:
    """Write files of equal size, all different, without holding more than one of them."""
    block = bytearray(random.Random(5).randbytes(total_bytes // files))
    for number in range(files):
        path = folder / f"part-{number % 50:02}" / f"file-{number:05}.bin"
        path.parent.mkdir(parents=True, exist_ok=True)
        block[:8] = number.to_bytes(8, "big")
        path.write_bytes(block)


def make_panel(card: Path, environment: Mapping[str, str], *, capacity: str) -> None:
    """Make records with one unit that takes any card, and a card."""
    for line in (
        ["aircraft", "add", "TESTBED"],
        ["unit", "rule", "any", "--source", "made for this measurement"],
        ["unit", "add", "TESTBED/UNIT", "--kind", "terrain", "--kind", "base-map", "--rule", "any"],
        ["cards", "simulate", str(card), "--capacity", capacity],
    ):
        taken = mediaprep(line, environment)
        assert taken.exit_code == 0, taken.stdout


def set_up(folder: Path, *, files: int, total_bytes: int) -> tuple[Mapping[str, str], list[str], Taken]:
    """Make everything for one write; return the environment, the arguments that name the job, and what intake took."""
    make_files(folder / "bundle", files=files, total_bytes=total_bytes)
    environment = {**os.environ, "MEDIAPREP_DATA_DIR": str(folder / "data"), "MEDIAPREP_STATION": "bench"}
    card = str(folder / "card")
    make_panel(Path(card), environment, capacity="16GB")
    intake = mediaprep(["bundle", "add", str(folder / "bundle"), "--name", "big", "--kind", "base-map"], environment)
    assert intake.exit_code == 0, intake.stdout
    return environment, ["big", "--on", card, "--for", "TESTBED/UNIT"], intake
