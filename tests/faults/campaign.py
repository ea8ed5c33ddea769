"""Kill a write at random moments, and look at what is left: `python -m tests.faults.campaign --kills 100`.

Each round starts a real `mediaprep write` as its own process and ends it with SIGKILL somewhere between the first
finding and the end. After that the records must open, the card must be unfit unless a whole readback was recorded, and
a second run of the same command must end verified with exactly the bundle's bytes on the card.

Two bundles of one kind take turns, so that files are written, replaced, kept and removed.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.model import Fitness, JobState
from mediaprep.records import open_records

FILES = 240
CARD = "KILLED"


@dataclass
class Tally:
    """What a campaign saw: how many kills met which phase and how the job stood afterwards."""

    phases: Counter[str] = field(default_factory=Counter)
    outcomes: Counter[str] = field(default_factory=Counter)

    def table(self) -> str:
        lines = ["phase at the kill        tries", *(f"{name:<24}{n:>6}" for name, n in sorted(self.phases.items()))]
        lines += ["", "job in the records       tries"]
        lines += [f"{name:<24}{n:>6}" for name, n in sorted(self.outcomes.items())]
        return "\n".join(lines)


class Campaign:
    def __init__(self, folder: Path, *, seed: int) -> None:
        self.folder = folder
        self.random = random.Random(seed)
        self.data = folder / "data"
        self.card = folder / "card"
        self.environment = {**os.environ, "MEDIAPREP_DATA_DIR": str(self.data), "MEDIAPREP_STATION": "campaign"}
        self.bundles = {"first": self._files("first", 1), "second": self._files("second", 2)}

    def set_up(self) -> None:
        self._mediaprep("aircraft", "add", "TESTBED")
        self._mediaprep("unit", "rule", "any", "--source", "made for this campaign")
        self._mediaprep("unit", "add", "TESTBED/UNIT", "--kind", "navigation", "--rule", "any")
        for name, folder in self.bundles.items():
            self._mediaprep("bundle", "add", str(folder), "--name", name, "--kind", "navigation", "--cycle", "2613")
        self._mediaprep("cards", "simulate", str(self.card), "--capacity", "4GB")
        self._mediaprep(*self._write("first"), "--card", CARD)
        self._mediaprep(*self._write("second"))

    def run(self, kills: int, tally: Tally) -> None:
        """Kill so many writes. Raise AssertionError at the first thing that is not as it must be."""
        duration_s = self._time_one("first")
        for number in range(kills):
            bundle = ("second", "first")[number % 2]
            tally.phases[self._kill(bundle, self.random.uniform(0, duration_s))] += 1
            tally.outcomes[self._inspect(bundle)] += 1
            self._mediaprep(*self._write(bundle))
            self._assert_whole(bundle)

    def _kill(self, bundle: str, after_s: float) -> str:
        """Start a write, kill it so long after its first line, and return the phase it was in."""
        process = subprocess.Popen(
            [sys.executable, "-m", "mediaprep", *self._write(bundle), "--json"],
            env=self.environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        first = process.stdout.readline()
        time.sleep(after_s)
        process.kill()
        lines = [json.loads(line) for line in [first, *process.stdout] if line.endswith("\n")]
        process.stdout.close()
        process.wait()
        if lines[-1]["type"] == "result":
            return "ended before the kill"
        return str(lines[-1].get("phase", "check"))

    def _inspect(self, bundle: str) -> str:
        """Open the records after a kill and hold them against what is on the card; return how the job stands."""
        with_records = Settings(data_dir=self.data, station="campaign")
        store = open_records(with_records, clock=SystemClock())
        try:
            store.settle_dead_jobs()
            job = store.jobs(CARD, limit=1)[0]
            fitness = store.fitness(CARD)
            store.verify_log("TESTBED")
        finally:
            store.close()
        if job.state is JobState.DONE:
            assert fitness is Fitness.VERIFIED
            self._assert_whole(bundle)
            return "done"
        assert job.state is JobState.INTERRUPTED, job
        if job.touched:
            assert fitness is Fitness.UNFIT, f"job {job.number} died while writing, yet the card is {fitness}"
            return "interrupted, unfit"
        other = "first" if bundle == "second" else "second"
        assert fitness is Fitness.VERIFIED
        self._assert_whole(other)
        return "interrupted, untouched"

    def _assert_whole(self, bundle: str) -> None:
        wanted, found = _digests(self.bundles[bundle]), _digests(self.card / "volume")
        assert found == wanted, f"card differs from {bundle}: {sorted(set(found.items()) ^ set(wanted.items()))[:5]}"

    def _time_one(self, bundle: str) -> float:
        """Return how long a write takes from its first line to its end, in seconds."""
        process = subprocess.Popen(
            [sys.executable, "-m", "mediaprep", *self._write(bundle), "--json"],
            env=self.environment, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
        )  # fmt: skip
        assert process.stdout is not None
        process.stdout.readline()
        start = time.monotonic()
        process.communicate()
        assert process.returncode == 0
        return time.monotonic() - start

    def _write(self, bundle: str) -> list[str]:
        # The made-up rule asks nothing, so no fact of the simulated card is missed; dates are not the matter here.
        return ["write", bundle, "--on", str(self.card), "--for", "TESTBED/UNIT"]

    def _mediaprep(self, *arguments: str) -> None:
        done = subprocess.run(
            [sys.executable, "-m", "mediaprep", *arguments],
            env=self.environment, capture_output=True, text=True,
        )  # fmt: skip
        assert done.returncode == 0, f"{arguments} ended with {done.returncode}:\n{done.stdout}\n{done.stderr}"

    def _files(self, name: str, seed: int) -> Path:
        """Make a folder of files: a third are alike in both bundles, a third differ, a third are its own."""
        folder = self.folder / name
        for number in range(FILES):
            source = random.Random(number if number % 3 == 0 else number * 10 + seed)
            own = f"only-{name}" if number % 3 == 2 else "common"
            path = folder / own / f"folder-{number % 7}" / f"file-{number:03}.bin"
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(source.randbytes(source.randrange(0, 120_000)))
        return folder


def _digests(folder: Path) -> dict[str, str]:
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in folder.rglob("*")
        if path.is_file()
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=100)
    parser.add_argument("--seed", type=int, default=None, help="Without: a new one, which is printed.")
    wanted = parser.parse_args()
    seed = wanted.seed if wanted.seed is not None else random.SystemRandom().randrange(10**6)
    print(f"{wanted.kills} kills, seed {seed}")
    tally = Tally()
    with tempfile.TemporaryDirectory() as folder:
        campaign = Campaign(Path(folder), seed=seed)
        campaign.set_up()
        campaign.run(wanted.kills, tally)
    print(tally.table())
    print("\nEvery kill left records that open and no false word of a verified card; every second run ended whole.")
    return 0


if __name__ == "__main__":
    sys.exit(main())
