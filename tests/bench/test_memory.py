"""Memory stays small whatever the bundle's size. Times are no matter here: see `make bench`."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.bench.job_size import set_up
from tests.bench.measure import mediaprep


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is counted in the kernel's own units")
def test_a_write_of_five_thousand_files_stays_under_100_mb_of_memory(tmp_path: Path) -> None:
    environment, job, intake = set_up(tmp_path, files=5000, total_bytes=250_000_000)
    write = mediaprep(["write", *job], environment)
    assert write.exit_code == 0, write.stdout
    assert intake.peak_bytes < 100_000_000
    assert write.peak_bytes < 100_000_000
