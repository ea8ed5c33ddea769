"""What one load costs the records, step by step: `python -m tests.bench.records_steps`.

On a PostgreSQL of its own, flushed as it comes from the package, one station alone: time, statements, and what each
table grows by for a bundle of so many files that is written, carried to a unit and accepted.
"""

from __future__ import annotations

import argparse
import statistics
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from sqlalchemy import event

from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.model import JobKind
from mediaprep.records import Store, open_records
from mediaprep.records.tables import metadata
from tests.postgres import running_server
from tests.records.builders import NOON, bundle, card, owned, panel, receipt, taken_in


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--loads", type=int, default=200)
    parser.add_argument("--files", type=int, default=100)
    wanted = parser.parse_args()
    with running_server({}) as server, tempfile.TemporaryDirectory() as name:
        settings = Settings(Path(name), server.url(server.new_records()), station="bench-1", operator="Robin")
        opening = []
        for _ in range(10):
            start = time.perf_counter()
            open_records(settings, clock=SystemClock()).close()
            opening.append(time.perf_counter() - start)
        store = open_records(settings, clock=SystemClock())
        times, statements = play(store, wanted.loads, wanted.files)
        print(f"{wanted.loads} loads of {wanted.files} files\n\n{'step':<24}{'median':>10}{'statements':>12}")
        print(f"{'open the records':<24}{1000 * statistics.median(opening):>7.1f} ms")
        for step, taken in times.items():
            print(f"{step:<24}{1000 * statistics.median(taken):>7.1f} ms{statements[step]:>12}")
        print(f"\n{'table':<24}{'bytes a load':>14}")
        for table, size in sizes(store).items():
            print(f"{table:<24}{size / wanted.loads:>14.0f}")
        store.close()
    return 0


def play(store: Store, loads: int, files: int) -> tuple[dict[str, list[float]], dict[str, int]]:
    """Take in, write, carry and accept one bundle after the other, each on a card of its own."""
    times: dict[str, list[float]] = defaultdict(list)
    statements: dict[str, int] = {}
    sent: list[str] = []
    event.listen(store._database.engine, "before_cursor_execute", lambda *heard: sent.append(heard[2]))

    @contextmanager
    def step(name: str) -> Iterator[None]:
        sent.clear()
        start = time.perf_counter()
        yield
        times[name].append(time.perf_counter() - start)
        statements[name] = len(sent)

    (unit,) = panel(store)
    for number in range(loads):
        what = bundle(f"nav-{number:05}", files)
        with step("take a bundle in"):
            taken_in(store, what)
        made = card(store, None, f"sd:{number:05}")
        mine = owned(what, store.manifest(what.name))
        with step("begin the job"):
            job = store.begin_job(JobKind.WRITE, made, what, unit, at=NOON)
        with step("say what changes"):
            store.begin_touching(job.number, mine, "insertion", ())
        with step("say what is flushed"):
            store.files_flushed(job.number, mine, ())
        proof = receipt(store, made, what)
        with step("receipt and load"):
            store.end_job_proven(job.number, proof, unit)
        with step("carry to the unit"):
            carried = store.install(made.name, unit, None, at=NOON)
        with step("accept"):
            store.accept(carried, at=NOON)
    looks: dict[str, Callable[[], object]] = {
        "see whose jobs are dead": store.settle_dead_jobs,
        "all loads of an aircraft": lambda: store.loads("D-TEST"),
        "stations": store.stations,
        "one beat of a station": store.stay_seen,
    }
    for name, look in looks.items():
        for _ in range(10):
            with step(name):
                look()
    return times, statements


def sizes(store: Store) -> dict[str, int]:
    """Return the bytes of each table that grew, its indexes included, largest first."""
    with store._database.engine.execution_options(isolation_level="AUTOCOMMIT").connect() as connection:
        connection.exec_driver_sql("VACUUM")
        found = {
            table.name: connection.exec_driver_sql(f"SELECT pg_total_relation_size('{table.name}')").scalar_one()
            for table in metadata.sorted_tables
        }
    return {name: size for name, size in sorted(found.items(), key=lambda item: -item[1]) if size > 32768}


if __name__ == "__main__":
    sys.exit(main())
