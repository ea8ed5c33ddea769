"""`mediaprep demo`: the whole job on an invented aircraft, played with the real commands.

Everything here is made up: aircraft, units, rules, files. Cards are folders that play cards. Each step prints the
command it runs, so that the owner can repeat it, and stops the demonstration if it does not end as it should.
"""

from __future__ import annotations

import random
import shlex
import shutil
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.cli.output import Output
from mediaprep.cli.running import run_command
from mediaprep.errors import MediaPrepError, PreflightRefused, ReadbackMismatch, Usage
from mediaprep.model import CycleRule, CycleScheme

if TYPE_CHECKING:
    from mediaprep.config import Settings
    from mediaprep.ports import HostAccess

MARKER = "this-folder-belongs-to-the-mediaprep-demo.txt"
AIRCRAFT = "LARKSPUR"
MANUAL = "invented installation manual of the demonstration, section 3"


@click.command(short_help="Play the whole job on an invented aircraft.")
@click.option("--data-dir", "folder", default="demo-data", show_default=True, help="Where the demonstration lives.")
@click.option("--fresh", is_flag=True, help="Begin again if it was played there before.")
@json_option
@pass_desk
def demo(desk: Desk, folder: str, fresh: bool) -> None:
    """Play the whole job on an invented aircraft: checks, write, readback, install, status, a flipped byte."""
    root = existing_path(folder)
    _clear(root, fresh=fresh)
    Demonstration(root, folder, desk, click.get_current_context().find_root().command).play()
    desk.out.result(data_dir=str(root))


class Demonstration:
    """One playing of the story, in `root`, which the printed commands call `shown`, with the real `mediaprep`."""

    def __init__(self, root: Path, shown: str, desk: Desk, mediaprep: click.Command) -> None:
        self._mediaprep = mediaprep
        self._root, self._shown, self._out = root, shown, desk.out
        self._settings: Settings = replace(desk.settings, data_dir=root, database_url=None)
        now = desk.clock.now()
        self._previous, self._current = _last_two_cycles(now)
        self._terrain_from = f"{now - timedelta(days=40):%Y-%m-%d}"
        self._terrain_until = f"{now + timedelta(days=120):%Y-%m-%d}"

    def play(self) -> None:
        """Tell the story from the empty bench to the flipped byte, and say how to go on."""
        self._title("An invented aircraft: two displays that share their sets, and a navigator with a set of its own")
        self._panel()
        self._title("Bundles: folders of files you have. Here they are made up (about 50 MB)")
        self._bundles()
        self._title("1. Three preflights that are refused, each with the evidence and the way out")
        self._refusals()
        self._title("2. A preflight that passes, a write, an uncached readback, a receipt")
        self._main_job()
        self._title("3. Cards carried to their units: accepted, and one rejected")
        self._installs()
        self._title("4. The panel: what is current, what lapses when, two displays on different cycles")
        self._run("status")
        self._run("due --within 60")
        self._run("log")
        self._run("log verify")
        self._title("5. One byte on a card flips, and verify names the file")
        self._flip()
        self._farewell()

    def _panel(self) -> None:
        self._run(f"aircraft add {AIRCRAFT} --title 'Invented two-seater of the demonstration'")
        self._run(
            "unit rule demo-displays --max 32GB --family SDHC --file-system fat32 --cluster 32KiB "
            f"--partition-table mbr --no-software-with-data --source '{MANUAL}.1'"
        )
        self._run(
            "unit rule demo-navigator --min 2GB --max 8GB --family SDHC --file-system fat32 --no-foreign-files "
            f"--source '{MANUAL}.2'"
        )
        self._run("unit kind navigator-set --title 'Set of the navigator' --scheme airac-28 --time 09:01")
        for name, side in (("DISPLAY-L", "Left"), ("DISPLAY-R", "Right")):
            self._run(
                f"unit add {AIRCRAFT}/{name} --title '{side} display' --kind navigation --kind terrain "
                "--rule demo-displays --slot front --software 4.2"
            )
        self._run(
            f"unit add {AIRCRAFT}/NAVIGATOR --title 'IFR navigator' --kind navigator-set --rule demo-navigator "
            "--slot data --software 1.10"
        )

    def _bundles(self) -> None:
        displays = f"--for {AIRCRAFT}/DISPLAY-L --for {AIRCRAFT}/DISPLAY-R"
        for cycle, seed in ((self._previous, 1), (self._current, 2)):
            folder = self._make_files(f"navigation-{cycle}", seed=seed, files=60, total_bytes=12_000_000)
            self._run(f"bundle add {folder} --kind navigation --cycle {cycle} {displays} --least-software 4.0")
        folder = self._make_files("terrain", seed=3, files=12, total_bytes=20_000_000)
        self._run(
            f"bundle add {folder} --kind terrain --name terrain-west --effective {self._terrain_from} "
            f"--lapses {self._terrain_until} {displays}"
        )
        folder = self._make_files(f"navigator-{self._current}", seed=4, files=25, total_bytes=6_000_000)
        self._run(f"bundle add {folder} --kind navigator-set --cycle {self._current} --for {AIRCRAFT}/NAVIGATOR")

    def _refusals(self) -> None:
        from mediaprep.host import SimulatedHost

        navigation, navigator = f"navigation-{self._current}", f"navigator-set-{self._current}"
        self._card("left", "8GB")
        self._say("The computer is short of disk (played: the disk of the records says that 9 MB are left).")
        self._run(
            f"check {navigation} --on {self._shown}/cards/left --for DISPLAY-L",
            expect=PreflightRefused.exit_code,
            host=SimulatedHost({"records": 9_000_000}),
        )
        self._card("large", "64GB")
        self._say("The card is larger than the rule of the display's manual allows.")
        self._run(
            f"check {navigation} --on {self._shown}/cards/large --for DISPLAY-L", expect=PreflightRefused.exit_code
        )
        self._card("exfat", "8GB", "--file-system exfat")
        self._say("The card has another file system than the navigator reads.")
        self._run(
            f"check {navigator} --on {self._shown}/cards/exfat --for NAVIGATOR", expect=PreflightRefused.exit_code
        )

    def _main_job(self) -> None:
        navigation = f"navigation-{self._current}"
        self._run(f"check {navigation} --on {self._shown}/cards/left --for DISPLAY-L --all")
        self._run(f"write {navigation} --on {self._shown}/cards/left --for DISPLAY-L --card LEFT")
        self._run(f"write terrain-west --on {self._shown}/cards/left --for DISPLAY-L")
        self._say("The right display's card still gets the cycle before, to show what happens when one is forgotten.")
        self._card("right", "8GB")
        self._run(f"write navigation-{self._previous} --on {self._shown}/cards/right --for DISPLAY-R --card RIGHT")
        self._card("navigator", "4GB")
        self._run(f"write navigator-set-{self._current} --on {self._shown}/cards/navigator --for NAVIGATOR --card NAV")
        self._run("cards")

    def _installs(self) -> None:
        self._run("install LEFT --in DISPLAY-L --slot front --accepted --note 'dates on the display compared'")
        self._run("install RIGHT --in DISPLAY-R --slot front --accepted")
        self._run("install NAV --in NAVIGATOR --slot data --rejected 'unit showed: card not readable'")

    def _flip(self) -> None:
        victim = sorted((self._root / "cards" / "left" / "volume").rglob("part-*.bin"))[7]
        with victim.open("r+b") as stream:
            stream.seek(1000)
            byte = stream.read(1)
            stream.seek(1000)
            stream.write(bytes([byte[0] ^ 1]))
        self._say(f"Flipped one bit of byte 1000 of {victim.name} on card LEFT, behind mediaprep's back.")
        self._run(f"verify {self._shown}/cards/left", expect=ReadbackMismatch.exit_code)
        self._run("cards")

    def _farewell(self) -> None:
        self._title("Go on by hand")
        navigation = f"navigation-{self._current}"
        self._out.text(
            "The records, bundles and cards of this demonstration stay where they are. In this shell:",
            "",
            "  source .venv/bin/activate",
            f"  export MEDIAPREP_DATA_DIR={shlex.quote(str(self._root))}",
            "  # mends the card whose byte flipped, and brings the right display's card up to the current cycle:",
            f"  mediaprep write {navigation} --on {self._shown}/cards/left --for DISPLAY-L",
            f"  mediaprep write {navigation} --on {self._shown}/cards/right --for DISPLAY-R",
            "  mediaprep status",
            "  # the same records over REST, for this computer only:",
            "  mediaprep serve",
            "",
            "With your own: mediaprep aircraft add, unit add, bundle add FOLDER, then write --on your card.",
        )

    # --- how a step is played -----------------------------------------------------------------------------------

    def _run(self, line: str, *, expect: int = 0, host: HostAccess | None = None) -> None:
        self._out.text("", click.style(f"$ mediaprep {line}", fg="cyan", bold=True))
        arguments = shlex.split(line)
        out = Output(silent=self._out.json_lines)
        code = run_command(self._mediaprep, arguments, Desk(settings=self._settings, host=host, out=out))
        if code != expect:
            message = f"The demonstration stopped: '{line}' ended with {code}, not {expect}"
            raise MediaPrepError(message)
        if expect:
            self._out.text(click.style(f"(exit code {code}, as it should be)", dim=True))

    def _title(self, line: str) -> None:
        self._out.text("", click.style("=" * 100, dim=True), click.style(line, bold=True))

    def _say(self, line: str) -> None:
        self._out.text("", line)

    def _card(self, name: str, capacity: str, more: str = "") -> None:
        self._run(f"cards simulate {self._shown}/cards/{name} --capacity {capacity} {more}".rstrip())

    def _make_files(self, name: str, *, seed: int, files: int, total_bytes: int) -> str:
        """Make a bundle's files, the same for the same seed, and return the folder as the commands show it."""
        folder = self._root / "bundles" / name
        source = random.Random(seed)  # noqa: S311 - filler for files, no secret
        sizes = [source.randint(1, 100) for _ in range(files)]
        for number, share in enumerate(sizes):
            path = folder / name / f"region-{number % 4}" / f"part-{number:03}.bin"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(source.randbytes(total_bytes * share // sum(sizes)))
        (folder / name / "index.txt").write_text("\n".join(f"part-{number:03}.bin" for number in range(files)) + "\n")
        return f"{self._shown}/bundles/{name}"


def _last_two_cycles(now: datetime) -> tuple[str, str]:
    from mediaprep.cycles import cycles_between

    started = cycles_between(CycleRule(CycleScheme.AIRAC_28), now - timedelta(days=2 * 28), now)
    previous, current = (str(one.cycle) for one in list(started)[-2:])
    return previous, current


def _clear(root: Path, *, fresh: bool) -> None:
    """Make the demonstration's folder; remove an old one only if it bears the mark of a demonstration."""
    if root.exists() and any(root.iterdir()):
        if not (root / MARKER).is_file():
            message = f"{root} is not empty and was not made by a demonstration"
            raise Usage(message, remedy="Name a new folder with --data-dir.")
        if not fresh:
            message = f"A demonstration was played in {root} before"
            raise Usage(message, remedy="Begin again with --fresh, or name another folder with --data-dir.")
        shutil.rmtree(root)
    root.mkdir(mode=0o700, parents=True, exist_ok=True)
    (root / MARKER).write_text("Made by 'mediaprep demo'. It may be deleted whole.\n")
