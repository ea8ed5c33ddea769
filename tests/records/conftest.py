from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mediaprep.clock import FixedClock
from mediaprep.records import Store, open_records
from tests.records.builders import NOON, settings


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(NOON)


@pytest.fixture
def store(tmp_path: Path, clock: FixedClock) -> Iterator[Store]:
    opened = open_records(settings(tmp_path), clock=clock)
    yield opened
    opened.close()
