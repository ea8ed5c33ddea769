"""Stations: who was seen when, by the database's own clock, and whose jobs are free because nobody saw them for long.

A station is seen while it has a job at work and while it serves. Its clock does not matter to that: the database says
when. What it may be wrong about is the time in receipts and logbooks, so its clock is compared with the database's.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from sqlalchemy import Connection, Dialect, Table, select, tuple_
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.functions import FunctionElement

from mediaprep import __version__
from mediaprep.model import LOST_AFTER_SECONDS, ClockOffset, Station
from mediaprep.ports import Clock
from mediaprep.records import tables as t
from mediaprep.records.database import Worker

HEARTBEAT_SECONDS = 20.0
"""How often a station at work says that it is there: many times within `LOST_AFTER_SECONDS`."""

_QUESTIONS = 3


class DatabaseNow(FunctionElement[datetime]):
    """The instant by the clock of the database: the server's, or that of the computer which has the file."""

    type = t.UtcText()
    inherit_cache = True


@compiles(DatabaseNow, "postgresql")
def _postgresql_now(element: DatabaseNow, compiler: SQLCompiler, **_: Any) -> str:
    del element, compiler
    # clock_timestamp() goes on within a transaction, unlike now().
    return """to_char(clock_timestamp() AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"')"""


@compiles(DatabaseNow, "sqlite")
def _sqlite_now(element: DatabaseNow, compiler: SQLCompiler, **_: Any) -> str:
    del element, compiler
    return "strftime('%Y-%m-%dT%H:%M:%f000Z', 'now')"  # SQLite counts milliseconds


def database_now(connection: Connection) -> datetime:
    """Return the instant by the database's clock, aware, in UTC."""
    now: datetime = connection.execute(select(DatabaseNow())).scalar_one()
    return now


def measure_clock(connection: Connection, clock: Clock) -> ClockOffset:
    """Compare this computer's clock with the database's, by the quickest of a few answers."""
    found = []
    for _ in range(_QUESTIONS):
        asked_at, started = clock.now(), clock.monotonic()
        there = database_now(connection)
        within = (clock.monotonic() - started) / 2
        found.append(ClockOffset((asked_at - there).total_seconds() + within, within))
    return min(found, key=lambda offset: offset.within_seconds)


def see_station(connection: Connection, worker: Worker, clock: ClockOffset) -> None:
    """Write down that a station is there now."""
    row = {
        "name": worker.station,
        "computer": worker.computer,
        "tool_version": __version__,
        "first_seen_at": DatabaseNow(),
        "last_seen_at": DatabaseNow(),
        "clock_ahead_seconds": clock.ahead_seconds,
        "clock_within_seconds": clock.within_seconds,
    }
    statement = _insert(connection.dialect, t.stations).values(row)
    keys = [column.name for column in t.stations.primary_key]
    fresh = {name: statement.excluded[name] for name in row if name not in {*keys, "first_seen_at"}}
    connection.execute(statement.on_conflict_do_update(index_elements=keys, set_=fresh))


def silent_stations(connection: Connection, *, lock: bool = False) -> list[tuple[str, str]]:
    """Return (name, computer) of the stations that were silent for too long.

    With `lock`, they stay so until the transaction ends, and one that is about to say that it is there is left out.
    """
    since = database_now(connection) - timedelta(seconds=LOST_AFTER_SECONDS)
    silent = select(t.stations.c.name, t.stations.c.computer).where(t.stations.c.last_seen_at < since)
    # In one order everywhere, so that two that look at once never wait for each other.
    silent = silent.order_by(t.stations.c.name, t.stations.c.computer)
    if lock:
        silent = silent.with_for_update(skip_locked=True)
    return [(row.name, row.computer) for row in connection.execute(silent)]


def read_stations(connection: Connection) -> tuple[Station, ...]:
    """Return all stations that were ever at work, by name."""
    now = database_now(connection)
    working: dict[tuple[str, str], list[int]] = {}
    jobs = t.jobs.c
    # Put in order here: asked for an order, SQLite reads all jobs there ever were.
    running = connection.execute(select(jobs.station, jobs.computer, jobs.number).where(t.JOB_IS_RUNNING))
    for row in sorted(running, key=lambda row: row.number):
        working.setdefault((row.station, row.computer), []).append(row.number)
    rows = connection.execute(select(t.stations).order_by(t.stations.c.name, t.stations.c.computer))
    return tuple(
        Station(
            name=row.name,
            computer=row.computer,
            tool_version=row.tool_version,
            first_seen_at=row.first_seen_at,
            last_seen_at=row.last_seen_at,
            silent_seconds=max(0.0, (now - row.last_seen_at).total_seconds()),
            clock=ClockOffset(row.clock_ahead_seconds, row.clock_within_seconds),
            jobs=tuple(working.get((row.name, row.computer), ())),
        )
        for row in rows
    )


def of_stations(stations: list[tuple[str, str]]) -> Any:
    """Return the condition that a job is one of these stations'."""
    return tuple_(t.jobs.c.station, t.jobs.c.computer).in_(stations)


def _insert(dialect: Dialect, table: Table) -> Any:
    return (postgresql.insert if dialect.name == "postgresql" else sqlite.insert)(table)
