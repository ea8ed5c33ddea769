"""A furnished service for whoever looks at its pages: an invented aircraft, cards that folders play, and a browser.

Used by the tests of the pages and by `tools.screenshots`. Everything is made up, and nothing leaves this computer.
"""

from __future__ import annotations

import os
import random
import re
import shlex
import signal
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from mediaprep.cli.desk import Desk
from mediaprep.cli.main import cli
from mediaprep.cli.output import Output
from mediaprep.cli.running import run_command
from mediaprep.config import Settings
from mediaprep.cycles import cycles_between
from mediaprep.model import CycleRule, CycleScheme

if TYPE_CHECKING:
    from playwright.sync_api import Browser

CHROMIUM = "/usr/bin/chromium"
AIRCRAFT = "LARKSPUR"
# Nothing that a browser does of its own accord: what is left of its traffic is the pages'.
BROWSER_ARGUMENTS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
)
_RULES = (
    "unit rule stage-displays --max 32GB --family SDHC --file-system fat32 --cluster 32KiB --source 'invented, 3.1'",
    "unit rule stage-navigator --max 8GB --family SDHC --file-system fat32 --no-foreign-files --source 'invented, 3.2'",
)
_CARDS = {"left": "8GB", "right": "8GB", "navigator": "4GB", "blank": "8GB", "large": "64GB"}


@dataclass(frozen=True)
class Stage:
    """Records with an invented panel, and cards beside them."""

    root: Path
    previous: str
    current: str

    @property
    def settings(self) -> Settings:
        """The settings of the service that shows it."""
        return Settings(data_dir=self.root / "data", station="workbench", operator="owner")

    def card(self, name: str) -> Path:
        """Return the folder that plays a card."""
        return self.root / "cards" / name

    def run(self, line: str) -> None:
        """Run one command of mediaprep. Raise RuntimeError where it does not end well."""
        out = Output(silent=True)
        if run_command(cli, shlex.split(line), Desk(settings=self.settings, out=out)):
            message = f"The stage cannot be set: {line}"
            raise RuntimeError(message)


@dataclass(frozen=True)
class Serving:
    """A service at work in another process."""

    process: subprocess.Popen[str]
    address: str
    link: str


def set_stage(root: Path, *, megabytes: int = 6) -> Stage:
    """Make records, bundles and cards in an empty folder.

    The left display is up to date, the right one holds the cycle before, the navigator's card waits to be carried;
    cards `blank` and `large` (too large for any unit) were never written.
    """
    rule = CycleRule(CycleScheme.AIRAC_28)
    now = datetime.now(UTC)
    previous, current = (str(one.cycle) for one in list(cycles_between(rule, now - timedelta(days=56), now))[-2:])
    stage = Stage(root, previous, current)
    stage.settings.data_dir.mkdir(parents=True)
    stage.run(f"aircraft add {AIRCRAFT} --title 'Invented two-seater'")
    for line in _RULES:
        stage.run(line)
    stage.run("unit kind navigator-set --title 'Set of the navigator' --scheme airac-28 --time 09:01")
    for name, side in (("DISPLAY-L", "Left"), ("DISPLAY-R", "Right")):
        stage.run(
            f"unit add {AIRCRAFT}/{name} --title '{side} display' --kind navigation --kind terrain "
            "--rule stage-displays --slot front --software 4.2"
        )
    stage.run(
        f"unit add {AIRCRAFT}/NAVIGATOR --title 'IFR navigator' --kind navigator-set --rule stage-navigator "
        "--slot data --slot spare --software 1.10"
    )
    _take_in_bundles(stage, megabytes)
    for name, capacity in (
        ("left", "8GB"),
        ("right", "8GB"),
        ("navigator", "4GB"),
        ("blank", "8GB"),
        ("large", "64GB"),
    ):
        stage.run(f"cards simulate {shlex.quote(str(stage.card(name)))} --capacity {capacity}")
    for bundle, card, unit, name in (
        (f"navigation-{current}", "left", "DISPLAY-L", "LEFT"),
        ("terrain-west", "left", "DISPLAY-L", "LEFT"),
        (f"navigation-{previous}", "right", "DISPLAY-R", "RIGHT"),
        (f"navigator-set-{current}", "navigator", "NAVIGATOR", "NAV"),
    ):
        stage.run(f"write {bundle} --on {shlex.quote(str(stage.card(card)))} --for {unit} --card {name}")
    stage.run("install LEFT --in DISPLAY-L --slot front --accepted --note 'dates on the display compared'")
    stage.run("install RIGHT --in DISPLAY-R --slot front --accepted")
    return stage


def _take_in_bundles(stage: Stage, megabytes: int) -> None:
    now = datetime.now(UTC)
    source = random.Random(7)  # noqa: S311 - filler for files, no secret
    displays = f"--for {AIRCRAFT}/DISPLAY-L --for {AIRCRAFT}/DISPLAY-R"
    terrain = f"--effective {now - timedelta(days=40):%Y-%m-%d} --lapses {now + timedelta(days=120):%Y-%m-%d}"
    for name, facts in (
        (f"navigation-{stage.previous}", f"--kind navigation --cycle {stage.previous} {displays}"),
        (f"navigation-{stage.current}", f"--kind navigation --cycle {stage.current} {displays}"),
        ("terrain-west", f"--kind terrain --name terrain-west {terrain} {displays}"),
        (f"navigator-set-{stage.current}", f"--kind navigator-set --cycle {stage.current} --for {AIRCRAFT}/NAVIGATOR"),
    ):
        folder = stage.root / "bundles" / name
        (folder / name).mkdir(parents=True)
        for number in range(12):
            (folder / name / f"part-{number:02}.bin").write_bytes(source.randbytes(megabytes * 10**6 // 12))
        stage.run(f"bundle add {shlex.quote(str(folder))} {facts}")


@contextmanager
def serving(stage: Stage, port: int = 0) -> Iterator[Serving]:
    """Run `mediaprep serve` on the stage's records while the block runs; port 0 takes a free one."""
    here = {
        "MEDIAPREP_DATA_DIR": str(stage.settings.data_dir),
        "MEDIAPREP_STATION": stage.settings.station,
        "MEDIAPREP_OPERATOR": stage.settings.operator,
        "PYTHONUNBUFFERED": "1",
    }
    process = subprocess.Popen(
        [sys.executable, "-m", "mediaprep", "serve", "--port", str(port)],
        env=os.environ | here,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        for line in process.stdout or ():
            if found := re.search(r"(http://127\.0\.0\.1:\d+)/start/\S+", line):
                yield Serving(process, found[1], found[0])
                break
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=60)


@contextmanager
def chromium(arguments: Sequence[str] = BROWSER_ARGUMENTS) -> Iterator[Browser]:
    """Give Debian's Chromium, without a window."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=list(arguments))
        try:
            yield browser
        finally:
            browser.close()
