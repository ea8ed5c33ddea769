"""Memory, host disk and time of an archive on its way to a card: `python -m tests.bench.archive_size`.

A zip of 2 GB (`--bytes` for more: the target is 20 GB) is taken in and written to a simulated card. What is measured:
the largest resident memory of each command, and what the computer's disk holds more than before, at its highest while
the write runs, apart from the archive itself and the folder that plays the card. The room needed is that of the
archive and of the card's folder; the readback reads the card's folder as it would a card.
"""

from __future__ import annotations

import argparse
import os
import random
import sys
import tempfile
import threading
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from tests.bench.job_size import make_panel
from tests.bench.measure import Taken, mediaprep

# A block that packs to about a fifth: far from the limit on what is out of proportion, and quick to make.
_NOISE_BYTES = 200_000
_BLOCK_BYTES = 2**20


@dataclass(frozen=True)
class Result:
    """What taking in and writing took. `host_bytes` is the most that lay on the host beside archive and card."""

    archive_bytes: int
    intake: Taken
    write: Taken
    host_bytes: int


def make_zip(path: Path, *, total_bytes: int, files: int) -> None:
    """Write a deflated zip, block by block, that unpacks to `total_bytes`."""
    source = random.Random(11)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for number in range(files):
            left = total_bytes // files
            with archive.open(f"terrain/tile-{number:04}.bin", "w", force_zip64=True) as member:
                while left:
                    block = source.randbytes(_NOISE_BYTES) + bytes(_BLOCK_BYTES - _NOISE_BYTES)
                    left -= member.write(block[:left])


def measure(folder: Path, *, total_bytes: int, files: int) -> Result:
    """Do the whole job in a folder. Raise AssertionError where a command fails."""
    archive, card, host = folder / "set.zip", folder / "card", folder / "host"
    make_zip(archive, total_bytes=total_bytes, files=files)
    (host / "tmp").mkdir(parents=True)
    environment = {
        **os.environ,
        "MEDIAPREP_DATA_DIR": str(host / "data"),
        "MEDIAPREP_STATION": "bench",
        # All that a program may leave on a computer goes here, so that it can be counted.
        "TMPDIR": str(host / "tmp"),
        "HOME": str(host),
    }
    make_panel(card, environment, capacity=f"{max(16, total_bytes * 2 // 10**9)}GB")
    with _highest(host) as highest:
        intake = mediaprep(["bundle", "add", str(archive), "--name", "big", "--kind", "base-map"], environment)
        assert intake.exit_code == 0, intake.stdout
        write = mediaprep(["write", "big", "--on", str(card), "--for", "TESTBED/UNIT"], environment)
        assert write.exit_code == 0, write.stdout
    written = sum(path.stat().st_size for path in card.rglob("tile-*"))
    assert written == total_bytes // files * files
    return Result(archive.stat().st_size, intake, write, highest[0])


@contextmanager
def _highest(folder: Path) -> Iterator[list[int]]:
    """Look ten times a second at how much lies below a folder; the one number yielded is the most that was seen."""
    seen = [0]
    done = threading.Event()

    def look() -> None:
        while True:
            seen[0] = max(seen[0], _below(folder))
            if done.wait(0.1):
                return

    looking = threading.Thread(target=look)
    looking.start()
    try:
        yield seen
    finally:
        done.set()
        looking.join()
    seen[0] = max(seen[0], _below(folder))


def _below(folder: Path) -> int:
    total = 0
    for root, _, names in os.walk(folder):
        for name in names:
            try:
                total += (Path(root) / name).stat().st_size
            except FileNotFoundError:
                continue
    return total


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=40)
    parser.add_argument("--bytes", type=int, default=2_000_000_000)
    parser.add_argument("--folder", type=Path, help="Where to work, for example on a larger disk.")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=wanted.folder) as name:
        result = measure(Path(name), total_bytes=wanted.bytes, files=wanted.files)
    print(f"{wanted.bytes / 1e9:g} GB in {wanted.files} files, as a zip of {result.archive_bytes / 1e9:.2f} GB\n")
    for title, taken in (("bundle add", result.intake), ("write and readback", result.write)):
        speed = wanted.bytes / taken.seconds / 1e6
        print(f"{title:<20}{taken.seconds:>8.1f} s{speed:>8.0f} MB/s{taken.peak_bytes / 1e6:>8.0f} MB of memory")
    print(f"\non the host beside archive and card: at most {result.host_bytes / 1e6:.1f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
