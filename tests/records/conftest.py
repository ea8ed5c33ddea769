"""Records for each test. Whatever a test asks of `store`, it asks of SQLite and of PostgreSQL.

`file_store` is for what only a SQLite file can show or suffer: damage, a full volume, SQLite's own locks.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from mediaprep.clock import FixedClock
from mediaprep.records import Store, open_records
from tests.postgres import Server
from tests.records.builders import NOON, URL_NOTE, settings

DATABASES = ["sqlite", "postgresql"]


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(NOON)


@pytest.fixture(params=DATABASES)
def database(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[str]:
    """Where `settings(tmp_path)` keeps its records; those on PostgreSQL are there already, new ones."""
    if request.param == "sqlite":
        yield "sqlite"
        return
    server: Server = request.getfixturevalue("postgres")
    name = server.new_records()
    (tmp_path / URL_NOTE).write_text(server.url(name))
    yield "postgresql"
    server.drop(name)


@pytest.fixture
def store(database: str, tmp_path: Path, clock: FixedClock) -> Iterator[Store]:
    opened = open_records(settings(tmp_path), clock=clock)
    yield opened
    opened.close()


@pytest.fixture
def file_store(tmp_path: Path, clock: FixedClock) -> Iterator[Store]:
    opened = open_records(settings(tmp_path), clock=clock)
    yield opened
    opened.close()
