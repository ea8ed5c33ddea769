"""The door to the database: transactions that are whole or not at all, and its faults told in our own words."""

from __future__ import annotations

import functools
import random
import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, ParamSpec, TypeVar

from sqlalchemy import Connection, Engine, Table, event, insert
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.engine import URL
from sqlalchemy.exc import DBAPIError, IntegrityError, OperationalError
from sqlalchemy.exc import TimeoutError as PoolTimeout

from mediaprep.errors import RecordsUnusable

P = ParamSpec("P")
T = TypeVar("T")

_BEGIN = "mediaprep_begin"

# How often a step is tried that the server keeps breaking off in favour of others, and the longest first pause.
_TRIES = 10
_PAUSE_SECONDS = 0.02

# SQLite's primary result codes (sqlite.org/rescode.html) and PostgreSQL's SQLSTATE codes (its manual, appendix A).
_SQLITE_BUSY = {"SQLITE_BUSY", "SQLITE_LOCKED"}
_SQLITE_DAMAGED = {"SQLITE_CORRUPT", "SQLITE_NOTADB"}
_POSTGRESQL_BUSY = {"55P03", "57014"}  # lock not available, query cancelled (timeout)
_POSTGRESQL_BROKEN_OFF = {"40001", "40P01"}  # serialization failure, deadlock detected: nothing was kept
_POSTGRESQL_FULL = "53100"


@dataclass(frozen=True)
class Worker:
    """Who writes into the records: a person, on a station, through one process of it.

    `process_started` is in seconds since 1970: a process number alone comes round again. `computer` tells this one
    from others of the same name.
    """

    station: str
    operator: str
    process_id: int
    process_started: float
    computer: str


class Database:
    """One engine, and transactions for reading and for writing. `name` is what messages call the records."""

    def __init__(self, engine: Engine, name: str, busy_seconds: float) -> None:
        self.engine = engine
        self.name = name
        self.busy_seconds = busy_seconds
        # On SQLite the lock is taken before the first read, so that nobody writes between our reading and writing.
        self._writer = engine.execution_options(**{_BEGIN: "BEGIN IMMEDIATE"})
        self._reader = engine
        if engine.dialect.name == "postgresql":
            # Said here, whatever the server's own habit is. A writer sees, once it has a lock, what was written before;
            # a reader sees one moment, as it does on SQLite.
            self._writer = engine.execution_options(isolation_level="READ COMMITTED")
            self._reader = engine.execution_options(isolation_level="REPEATABLE READ", postgresql_readonly=True)

    @contextmanager
    def reading(self) -> Iterator[Connection]:
        """Give a transaction that only reads. Raise RecordsUnusable."""
        with self.told_plainly(), self._reader.connect() as connection:
            yield connection

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a transaction that is kept whole when the block ends, and dropped when it raises.

        Raise RecordsUnusable when another program holds the records for too long, or their volume is full.
        """
        with self.told_plainly(), self._writer.begin() as connection:
            yield connection

    @contextmanager
    def told_plainly(self) -> Iterator[None]:
        """Turn what a database says about its own state into RecordsUnusable; let faults of ours through."""
        try:
            yield
        except PoolTimeout as error:
            message = f"The records in {self.name} gave no free connection within 30 seconds"
            raise RecordsUnusable(
                message, remedy="Wait for the work that is going on to end, then try again."
            ) from error
        except DBAPIError as error:
            told = self._explained(error)
            if told is None:
                raise
            raise told from error

    def _explained(self, error: DBAPIError) -> RecordsUnusable | None:
        code = _code_of(error)
        said = " ".join(str(error.orig).split())  # a server's complaint may run over several lines
        primary = "_".join(code.split("_")[:2])  # SQLITE_BUSY_SNAPSHOT and its like are kinds of SQLITE_BUSY
        if code in _POSTGRESQL_BROKEN_OFF:
            message = f"The records in {self.name} broke this step off in favour of another station's, and kept nothing"
            return RecordsUnusable(message, remedy="Try again in a moment.")
        if primary in _SQLITE_BUSY or code in _POSTGRESQL_BUSY:
            message = f"Another program has held the records in {self.name} for more than {self.busy_seconds:g} seconds"
            return RecordsUnusable(
                message, remedy="Close other programs that have the records open, or wait for them, then try again."
            )
        if primary == "SQLITE_FULL" or code == _POSTGRESQL_FULL:
            message = f"The volume that holds the records in {self.name} is full; nothing of this step was kept"
            return RecordsUnusable(message, remedy="Free some room on that volume, then run the command again.")
        if primary in _SQLITE_DAMAGED:
            message = f"The records in {self.name} are damaged or are not a database: {said}"
            return RecordsUnusable(message)
        if primary in {"SQLITE_READONLY", "SQLITE_PERM", "SQLITE_CANTOPEN", "SQLITE_AUTH"}:
            message = f"The records in {self.name} cannot be opened for writing: {said}"
            return RecordsUnusable(
                message, remedy="Make the file and its folder writable, or name another with MEDIAPREP_DATA_DIR."
            )
        if isinstance(error, OperationalError) and code != "SQLITE_ERROR":  # that one is a fault in a statement of ours
            message = f"The records in {self.name} cannot be reached: {said}"
            return RecordsUnusable(message, remedy="See that the disk or the database server is there, then try again.")
        return None


def retried(step: Callable[P, T]) -> Callable[P, T]:
    """Make a step of the store, one transaction, run again where the server broke it off in favour of another one.

    A server does so where two steps wait for each other's rows. Nothing of the step was kept then, so running it anew
    is safe; after a lost connection it would not be. Raise what the last attempt raised.
    """

    @functools.wraps(step)
    def persistent(*args: P.args, **kwargs: P.kwargs) -> T:
        for attempt in range(1, _TRIES):
            try:
                return step(*args, **kwargs)
            except RecordsUnusable as error:
                if not _broken_off(error.__cause__):
                    raise
                # Not in step with whoever else tries again.
                time.sleep(random.uniform(0, _PAUSE_SECONDS * attempt))  # noqa: S311 - no secret hangs on it
        return step(*args, **kwargs)

    return persistent


def _broken_off(cause: BaseException | None) -> bool:
    return isinstance(cause, DBAPIError) and _code_of(cause) in _POSTGRESQL_BROKEN_OFF


def _code_of(error: DBAPIError) -> str:
    """Return SQLite's result code by name, or PostgreSQL's SQLSTATE, or nothing."""
    if isinstance(error.orig, sqlite3.Error):
        return getattr(error.orig, "sqlite_errorname", "")
    return getattr(error.orig, "sqlstate", None) or ""


def prepare_sqlite(engine: Engine) -> None:
    """Make every connection of a SQLite engine safe, and leave the beginning of transactions to us.

    The driver's own habit is to begin only before the first write, which lets another program write between a read
    and the write that depends on it.
    """

    @event.listens_for(engine, "connect")
    def _on_connect(connection: sqlite3.Connection, _: object) -> None:
        connection.isolation_level = None
        connection.execute("PRAGMA foreign_keys = ON")
        # In WAL mode, FULL is what makes a finished transaction outlast a power loss.
        connection.execute("PRAGMA synchronous = FULL")

    @event.listens_for(engine, "begin")
    def _on_begin(connection: Connection) -> None:
        connection.exec_driver_sql(connection.get_execution_options().get(_BEGIN, "BEGIN"))


def safe_name(url: URL) -> str:
    """Return a database's URL without its password, for messages."""
    return url.render_as_string(hide_password=True)


def violates_unique(error: IntegrityError) -> bool:
    """Return whether a row was refused because one like it is there, not for another reason."""
    return _code_of(error) in {"SQLITE_CONSTRAINT_UNIQUE", "SQLITE_CONSTRAINT_PRIMARYKEY", "23505"}


def upsert(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows into a table, replacing those with the same primary key. One statement, sent in bulk."""
    if not rows:
        return
    keys = [column.name for column in table.primary_key]
    dialect: Callable[[Table], Any] = postgresql.insert if connection.dialect.name == "postgresql" else sqlite.insert
    statement = dialect(table)
    values = {name: statement.excluded[name] for name in rows[0] if name not in keys}
    connection.execute(statement.on_conflict_do_update(index_elements=keys, set_=values), rows)


def insert_rows(connection: Connection, table: Table, rows: Sequence[Mapping[str, Any]]) -> None:
    """Insert rows into a table in bulk; none is no error."""
    if rows:
        connection.execute(insert(table), rows)


class Subject:
    """What each part of the store stands on: the database, and who is at work."""

    def __init__(self, database: Database, worker: Worker) -> None:
        self._database = database
        self._worker = worker
        self.station = worker.station
