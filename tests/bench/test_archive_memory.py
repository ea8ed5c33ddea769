"""An archive goes to the card through little memory and nearly no disk. Times are no matter here."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

from tests.bench.archive_size import measure


@pytest.mark.slow
@pytest.mark.skipif(sys.platform != "linux", reason="peak memory is counted in the kernel's own units")
def test_a_zip_is_written_with_under_100_mb_of_memory_and_50_mb_of_host_disk(tmp_path: Path) -> None:
    result = measure(tmp_path, total_bytes=200_000_000, files=10)
    assert result.intake.peak_bytes < 100_000_000
    assert result.write.peak_bytes < 100_000_000
    assert result.host_bytes < 50_000_000
