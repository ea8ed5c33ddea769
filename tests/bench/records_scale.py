"""What large records and many stations cost: `python -m tests.bench.records_scale`.

First on SQLite, as it is kept (WAL, flushed at the end of each transaction): logbooks that grow to a million entries,
each checked whole and added to. Then on a PostgreSQL of its own, flushed as it comes from the package: twenty stations,
each a process, that add to one logbook and to twenty. Every number is from this run and this disk; what one flush of
the disk costs is measured first, as no entry that outlasts a power loss can cost less.
"""

from __future__ import annotations

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

from sqlalchemy import insert

from mediaprep import __version__, logchain
from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.model import Aircraft
from mediaprep.quantities import format_utc
from mediaprep.records import Store, open_records
from mediaprep.records import tables as t
from mediaprep.records.logbook import LogKind, append
from mediaprep.records.panel import aircraft_id
from tests.bench.measure import mediaprep
from tests.postgres import Server, running_server
from tests.records.builders import NOON

ROOT = Path(__file__).resolve().parents[2]
AIRCRAFT = "LARKSPUR"
# As long as what an installed load says: 600 bytes, give or take.
FACTS = {
    "unit": "DISPLAY-LEFT",
    "slot": "front",
    "card": "C-014",
    "load": 123_456,
    "receipt": "R-123456",
    "reason": "dates agree with the display",
    "simulated": False,
    "bundle": "navigation-2613",
    "data_kind": "navigation",
    "cycle": "2613",
    "effective_at": "2026-12-24T00:00:00Z",
    "lapses_at": "2027-01-21T00:00:00Z",
}


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--entries", type=int, nargs="+", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--appends", type=int, default=500, help="by each station")
    parser.add_argument("--stations", type=int, default=20)
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        print(f"one flush of 4 KiB on this disk: {1000 * flush_seconds(Path(name)):.2f} ms (median)\n")
        on_sqlite(Path(name), wanted.entries, wanted.appends)
    # Autovacuum and the checkpointer are the package's; only what a shop would raise anyway is raised.
    with running_server({"max_connections": "200"}) as server, tempfile.TemporaryDirectory() as name:
        on_postgresql(server, Path(name), wanted.stations, wanted.appends)
    return 0


def flush_seconds(folder: Path) -> float:
    taken = []
    with (folder / "flushed").open("wb", buffering=0) as stream:
        for _ in range(200):
            stream.write(b"\0" * 4096)
            start = time.perf_counter()
            os.fsync(stream)
            taken.append(time.perf_counter() - start)
    return statistics.median(taken)


# --- one logbook that grows ------------------------------------------------------------------------------------------


def on_sqlite(folder: Path, sizes: list[int], appends: int) -> None:
    settings = Settings(folder / "data", station="bench-1", operator="Robin")
    environment = {**os.environ, "MEDIAPREP_DATA_DIR": str(settings.data_dir)}
    environment.pop("MEDIAPREP_DATABASE_URL", None)
    store = open_records(settings, clock=SystemClock())
    store.add_aircraft(Aircraft(AIRCRAFT))
    print("SQLite, one logbook")
    columns = {"entries": 10, "file": 10, "a step in it": 14, "verify": 9, "peak": 9, "per entry": 11, "append": 11}
    print("".join(title.rjust(width) for title, width in columns.items()), "p99".rjust(8))
    for size in sorted(sizes):
        fill(store, size)
        median, slow = appended(store, appends)
        store.close()
        step = mediaprep(["aircraft"], environment)
        verify = mediaprep(["log", "verify"], environment)
        assert verify.exit_code == 0, verify.stdout
        file = settings.data_dir / "records.sqlite"
        print(
            f"{size:>10}{file.stat().st_size / 1e6:>7.0f} MB{step.seconds:>12.2f} s{verify.seconds:>7.1f} s"
            f"{verify.peak_bytes / 1e6:>6.0f} MB{1e6 * verify.seconds / size:>8.1f} us"
            f"{1000 * median:>8.2f} ms{1000 * slow:>6.1f} ms"
        )
        store = open_records(settings, clock=SystemClock())
    store.close()


def fill(store: Store, size: int) -> None:
    """Bring the logbook to a size with entries such as `append` makes, in few transactions."""
    known = store.log_head(AIRCRAFT)
    rows = []
    with store._database.writing() as connection:
        key = aircraft_id(connection, AIRCRAFT)
        for row in chain(key, known.entries, known.sha256, size):
            rows.append(row)
            if len(rows) == 20_000:
                connection.execute(insert(t.logbook), rows)
                rows = []
        if rows:
            connection.execute(insert(t.logbook), rows)


def chain(key: int, length: int, last: str, size: int) -> Iterator[dict[str, object]]:
    for sequence in range(length + 1, size + 1):
        at = NOON + timedelta(seconds=sequence)
        body = logchain.canonical_json(
            {
                "aircraft": AIRCRAFT, "kind": "installed", "at": format_utc(at), "operator": "Robin",
                "station": "bench-1", "tool_version": __version__, **FACTS,
            }
        )  # fmt: skip
        digest = logchain.entry_digest(last, sequence, body)
        yield {
            "aircraft_id": key, "sequence": sequence, "at": at, "body": body,
            "previous_sha256": last, "sha256": digest,
        }  # fmt: skip
        last = digest


def appended(store: Store, count: int, aircraft: str = AIRCRAFT) -> tuple[float, float]:
    """Add entries, each a transaction; return the median time of one in seconds, and that of the slowest percent."""
    taken = []
    for _ in range(count):
        start = time.perf_counter()
        with store._database.writing() as connection:
            key = aircraft_id(connection, aircraft)
            append(connection, key, LogKind.INSTALLED, at=store._clock.now(), worker=store._worker, facts=FACTS)
        taken.append(time.perf_counter() - start)
    return statistics.median(taken), statistics.quantiles(taken, n=100)[-1]


# --- many stations ---------------------------------------------------------------------------------------------------

STATION = """
import sys
from pathlib import Path
from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.records import open_records
from tests.bench.records_scale import appended
folder, url, number, count, aircraft = sys.argv[1:]
settings = Settings(Path(folder) / number, url, station=f"bench-{number}", operator="Robin")
store = open_records(settings, clock=SystemClock())
print("ready", flush=True)
sys.stdin.readline()
print(*appended(store, int(count), aircraft), flush=True)
sys.stdin.readline()
store.close()
"""


def on_postgresql(server: Server, folder: Path, stations: int, appends: int) -> None:
    load = os.getloadavg()[0]
    print(
        f"\nPostgreSQL, {stations} stations x {appends} entries, each station a process; {os.cpu_count()} processors,"
    )
    print(f"are shared by all stations, the server and whatever else runs here (load before the start: {load:.1f})")
    print(
        f"{'logbooks':>10}{'seconds':>10}{'entries/s':>11}{'append':>11}{'p99':>10}{'lost':>6}{'memory/connection':>19}"
    )
    for logbooks in (1, stations):
        name = server.new_records()
        settings = Settings(folder / f"watch {logbooks}", server.url(name))
        store = open_records(settings, clock=SystemClock())
        names = [f"{AIRCRAFT}-{number:02}" for number in range(logbooks)]
        for aircraft in names:
            store.add_aircraft(Aircraft(aircraft))
        seconds, medians, slowest, memory = race(server, settings, stations=stations, appends=appends, names=names)
        found = sum(store.verify_log(aircraft).entries for aircraft in names)
        row_bytes = measured(store, "SELECT pg_total_relation_size('logbook')") / found
        store.close()
        print(
            f"{logbooks:>10}{seconds:>10.1f}{found / seconds:>11.0f}{1000 * statistics.median(medians):>8.1f} ms"
            f"{1000 * max(slowest):>7.1f} ms{stations * appends - found:>6}{memory / 1e6:>16.1f} MB"
        )
        assert found == stations * appends
    print(f"one entry takes {row_bytes:.0f} bytes with its index")


def race(
    server: Server, settings: Settings, *, stations: int, appends: int, names: list[str]
) -> tuple[float, list[float], list[float], float]:
    """Let all stations start together; return the time, each one's median and p99, and a connection's own memory."""
    programs = [
        subprocess.Popen(
            [
                *(sys.executable, "-c", STATION, str(settings.data_dir), str(settings.database_url)),
                *(str(number), str(appends), names[number % len(names)]),
            ],
            cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
        )
        for number in range(stations)
    ]  # fmt: skip
    for program in programs:
        assert told(program) == "ready\n"
    start = time.monotonic()
    for program in programs:
        go(program)
    times = [told(program).split() for program in programs]
    seconds = time.monotonic() - start
    memory = private_bytes(server)
    for program in programs:
        go(program)
        program.communicate(timeout=60)
        assert program.returncode == 0
    return seconds, [float(median) for median, _ in times], [float(slow) for _, slow in times], memory


def told(program: subprocess.Popen[str]) -> str:
    assert program.stdout is not None
    return program.stdout.readline()


def go(program: subprocess.Popen[str]) -> None:
    assert program.stdin is not None
    program.stdin.write("go\n")
    program.stdin.flush()


def private_bytes(server: Server) -> float:
    """Return what each of the server's processes that serve a station has in memory for itself alone, on average."""
    with server.connect() as connection:
        wanted = "SELECT pid FROM pg_stat_activity WHERE backend_type = 'client backend' AND pid <> pg_backend_pid()"
        found = [int(str(row[0])) for row in connection.execute(wanted)]
    private = []
    for process in found:
        lines = Path(f"/proc/{process}/smaps_rollup").read_text().splitlines()
        private.append(1024 * sum(int(line.split()[1]) for line in lines if line.startswith("Private_")))
    return statistics.mean(private)


def measured(store: Store, question: str) -> int:
    with store._database.reading() as connection:
        answer: int = connection.exec_driver_sql(question).scalar_one()
    return answer


if __name__ == "__main__":
    sys.exit(main())
