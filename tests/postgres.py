"""A PostgreSQL server of the tests' own: in a temporary folder, on a socket there, gone when the tests are.

It sorts text as people do, not by code point, as a shop's server may. Nothing it holds outlasts a power loss: that is
for speed, and no test here is about it.
"""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import subprocess
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import psycopg
import pytest
from psycopg import sql
from sqlalchemy import make_url

from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.records import open_records
from tests.tools import need, where

USER = "mediaprep"
# For tests of what is written, not of how safely: the server's own settings, in its own words.
CARELESS = {"fsync": "off", "synchronous_commit": "off", "full_page_writes": "off", "deadlock_timeout": "50ms"}

_MADE = "made_records"


class Server:
    """A running server. `psql` and other programs reach it with `-h FOLDER -U mediaprep`."""

    def __init__(self, folder: Path, process: subprocess.Popen[bytes]) -> None:
        self.folder = folder
        self.process = process
        self._numbers = itertools.count(1)

    def url(self, database: str) -> str:
        """Return what MEDIAPREP_DATABASE_URL holds for a database of this server."""
        return f"postgresql+psycopg://{USER}@/{database}?host={self.folder}"

    def connect(self, database: str = "postgres") -> psycopg.Connection[tuple[object, ...]]:
        """Connect past mediaprep, each statement a transaction of its own."""
        return psycopg.connect(host=str(self.folder), user=USER, dbname=database, autocommit=True)

    def connect_to(self, settings: Settings) -> psycopg.Connection[tuple[object, ...]]:
        """Connect past mediaprep to the database that a station's settings name."""
        return self.connect(str(make_url(str(settings.database_url)).database))

    def new_database(self, *, like: str = "template0") -> str:
        """Make a database that nobody uses yet, empty unless it is to be like another, and return its name."""
        name = f"records_{next(self._numbers)}"
        made = sql.SQL("CREATE DATABASE {} TEMPLATE {}").format(sql.Identifier(name), sql.Identifier(like))
        with self.connect() as connection:
            connection.execute(made)
        return name

    def new_records(self) -> str:
        """Make a database that holds new records, and return its name. They are made once, then copied."""
        with self.connect() as connection:
            known = connection.execute("SELECT 1 FROM pg_database WHERE datname = %s", [_MADE]).fetchone()
            if known is None:
                connection.execute(sql.SQL("CREATE DATABASE {}").format(sql.Identifier(_MADE)))
        if known is None:
            open_records(Settings(self.folder / "made", self.url(_MADE)), clock=SystemClock()).close()
        return self.new_database(like=_MADE)

    def drop(self, name: str) -> None:
        """Drop a database, whoever is still connected."""
        with self.connect() as connection:
            connection.execute(sql.SQL("DROP DATABASE {} WITH (FORCE)").format(sql.Identifier(name)))


@contextmanager
def running_server(settings: Mapping[str, str]) -> Iterator[Server]:
    """Give a new server with these settings. `initdb` and `postgres` must be there: see `need`."""
    folder = Path(tempfile.mkdtemp(prefix="mediaprep-pg-"))  # a socket's path has at most 107 bytes, so not pytest's
    as_user = _someone_else()
    try:
        if as_user:
            shutil.chown(folder, as_user["user"])
        data = folder / "data"
        locale = ["--encoding=UTF8", "--locale=C.UTF-8", "--locale-provider=icu", "--icu-locale=en"]
        subprocess.run(
            [str(where("initdb")), "-D", data, "-U", USER, "--auth=trust", "--no-sync", *locale],
            check=True, capture_output=True, cwd=folder, **as_user,
        )  # fmt: skip
        given = {"listen_addresses": "", "unix_socket_directories": str(folder), **settings}
        with (folder / "log").open("wb") as log:
            process = subprocess.Popen(
                [str(where("postgres")), "-D", data, *(f"--{name}={value}" for name, value in given.items())],
                stdout=subprocess.DEVNULL, stderr=log, cwd=folder, **as_user,
            )  # fmt: skip
        try:
            server = Server(folder, process)
            _wait_for(server)
            yield server
        finally:
            process.send_signal(signal.SIGINT)  # the server then ends all sessions and stops in good order
            process.wait(60)
    finally:
        shutil.rmtree(folder)


def _someone_else() -> dict[str, Any]:
    """Return whom to run the server as, for subprocess: nobody where we are root, which it refuses; else ourselves."""
    if os.geteuid() != 0:
        return {}
    import pwd  # not on Windows, where nobody is root either

    nobody = pwd.getpwnam("nobody")
    return {"user": nobody.pw_uid, "group": nobody.pw_gid, "extra_groups": []}


def _wait_for(server: Server) -> None:
    deadline = time.monotonic() + 60
    while True:
        try:
            server.connect().close()
        except psycopg.OperationalError as error:
            if server.process.poll() is not None or time.monotonic() > deadline:
                said = (server.folder / "log").read_text(errors="replace")
                message = f"PostgreSQL does not start: {error}\n{said}"
                raise AssertionError(message) from error
            time.sleep(0.05)
        else:
            return


@pytest.fixture(scope="session")
def postgres() -> Iterator[Server]:
    """One server for all tests of a run (with xdist: of a worker). Skips, or fails on CI, where there is none."""
    need("initdb", "postgres")
    with running_server(CARELESS) as server:
        yield server
