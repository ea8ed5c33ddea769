"""A child process and what it took: wall time and peak memory."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Taken:
    """What a command took. `peak_bytes` is the largest resident set the kernel saw, file pages it mapped included."""

    exit_code: int
    seconds: float
    peak_bytes: int
    stdout: str


def mediaprep(arguments: Sequence[str], environment: Mapping[str, str]) -> Taken:
    """Run a mediaprep command as its own process."""
    start = time.monotonic()
    process = subprocess.Popen(
        [sys.executable, "-m", "mediaprep", *arguments],
        env=dict(environment), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
    )  # fmt: skip
    assert process.stdout is not None
    output = process.stdout.read()
    _, status, usage = os.wait4(process.pid, 0)
    process.stdout.close()
    process.returncode = os.waitstatus_to_exitcode(status)
    # Linux counts ru_maxrss in KiB.
    return Taken(process.returncode, time.monotonic() - start, usage.ru_maxrss * 1024, output)
