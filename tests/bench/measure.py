"""A mediaprep command as its own process, and what it took: wall time and peak memory."""

from __future__ import annotations

import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

# The process tells its own peak. What wait4 tells of a child counts the parent's memory from before the exec, too.
TELLING = """
import sys
from pathlib import Path
from mediaprep.cli.main import main
code = main(sys.argv[2:])
status = Path("/proc/self/status").read_text()
Path(sys.argv[1]).write_text(next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM")))
sys.exit(code)
"""


@dataclass(frozen=True)
class Taken:
    """What a command took. `peak_bytes` is the largest resident set, file pages that it mapped included."""

    exit_code: int
    seconds: float
    peak_bytes: int
    stdout: str


def mediaprep(arguments: Sequence[str], environment: Mapping[str, str]) -> Taken:
    """Run a mediaprep command as its own process, on Linux."""
    with tempfile.TemporaryDirectory() as folder:
        peak = Path(folder) / "peak"
        start = time.monotonic()
        done = subprocess.run(
            [sys.executable, "-c", TELLING, str(peak), *arguments],
            env=dict(environment), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True,
        )  # fmt: skip
        # Linux counts VmHWM in KiB.
        return Taken(done.returncode, time.monotonic() - start, int(peak.read_text()) * 1024, done.stdout)
