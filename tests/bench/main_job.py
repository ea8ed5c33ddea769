"""Time and memory of the main job: `python -m tests.bench.main_job`.

A bundle of 2 GB in 5,000 files is taken in, checked, written to a simulated card on this computer's disk and read
back. Times are compared with copying, flushing and hashing by hand in the same run; a folder on the host's own disk
stands in for the card, so they say what mediaprep costs, not how fast a card is.
"""

from __future__ import annotations

import argparse
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.job_size import set_up
from tests.bench.measure import Taken, mediaprep


def by_hand(folder: Path) -> float:
    """Copy, flush, drop the copy from memory and check it with coreutils; return the seconds it took."""
    start = time.monotonic()
    shutil.copytree(folder / "bundle", folder / "by-hand")
    os.sync()
    files = sorted(path for path in (folder / "by-hand").rglob("*") if path.is_file())
    for path in files:
        descriptor = os.open(path, os.O_RDONLY)
        os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(descriptor)
    sums = folder / "sums"
    with sums.open("w") as stream:
        source = [str(path.relative_to(folder / "by-hand")) for path in files]
        subprocess.run(["sha256sum", *source], cwd=folder / "bundle", stdout=stream, check=True)
    subprocess.run(["sha256sum", "--quiet", "-c", str(sums)], cwd=folder / "by-hand", check=True)
    taken = time.monotonic() - start
    shutil.rmtree(folder / "by-hand")
    return taken


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--files", type=int, default=5000)
    parser.add_argument("--bytes", type=int, default=2_000_000_000)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        environment, job, intake = set_up(folder, files=wanted.files, total_bytes=wanted.bytes)
        start = mediaprep(["--version"], environment)
        check = mediaprep(["check", *job], environment)
        hand = by_hand(folder)
        write = mediaprep(["write", *job], environment)
        verify = mediaprep(["verify", job[2]], environment)
    assert (check.exit_code, write.exit_code, verify.exit_code) == (0, 0, 0), write.stdout
    print(f"{wanted.bytes / 1e9:g} GB in {wanted.files} files; by hand (copy, sync, drop, sha256sum): {hand:.1f} s\n")
    print(f"{'step':<24}{'seconds':>9}{'of by hand':>12}{'peak memory':>14}")
    rows: list[tuple[str, Taken]] = [
        ("start of the program", start),
        ("bundle add", intake),
        ("check", check),
        ("write and readback", write),
        ("verify", verify),
    ]
    for title, taken in rows:
        print(f"{title:<24}{taken.seconds:>9.2f}{taken.seconds / hand:>11.2f}x{taken.peak_bytes / 1e6:>11.0f} MB")
    print(f"\npreflight without the program's start: {check.seconds - start.seconds:.2f} s")
    return 0


if __name__ == "__main__":
    sys.exit(main())
