"""Time of a panel's status and of what is due over a whole fleet: `python -m tests.bench.status_speed`.

The records are filled in bulk: units by the thousand, six data kinds each, three years of loads, every one prepared,
installed and accepted. At each of a few sizes the same questions are asked as `mediaprep status` and `mediaprep due`
ask, so that the curve shows how the time grows. Processor time counts, the system's share included, and the best of
several runs: other programs at work only add to the time on the clock, and with none at work the two are the same.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from sqlalchemy import insert

from mediaprep.clock import FixedClock
from mediaprep.config import Settings
from mediaprep.cycles import cycles_between
from mediaprep.model import LoadState, Validity
from mediaprep.records import Store, open_records
from mediaprep.records import tables as t
from mediaprep.status import due, panel_status
from mediaprep.tracking import fleet_at, panel_at

NOW = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)
YEARS = timedelta(days=3 * 365)
UNITS_PER_AIRCRAFT = 5
LATE_EVERY = 17  # of so many units one did not load the last set of each kind, though it is prepared
PANEL_BOUND_SECONDS, FLEET_BOUND_SECONDS = 0.05, 2.0


def validities(store: Store) -> dict[str, list[Validity]]:
    """Return three years of sets of six kinds: three of 28 days, one of 56, a quarterly one and one without an end."""
    found = {
        name: list(cycles_between(store.kinds()[name].cycle_rule, NOW - YEARS, NOW + timedelta(days=14)))
        for name in ("navigation", "airport-directory", "charts", "obstacle")
    }
    quarter = timedelta(days=91)
    starts = [NOW - YEARS + number * quarter for number in range(YEARS // quarter + 1)]
    found["terrain"] = [Validity(None, start, start + quarter) for start in starts]
    found["base-map"] = [Validity(None, start, None) for start in starts[::4]]
    return found


class Fleet:
    """Records that are filled by whole aircraft."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._bundles: list[tuple[int, Validity, list[Validity]]] = []
        self.units = self.loads = 0
        self._kinds = validities(store)
        self._insert(t.bundles, self._bundle_rows())
        self._insert(t.cards, [card_row()])
        self._insert(t.receipts, [{"number": "R-1", "card_id": 1, "issued_at": NOW, "body": "{}"}])

    def grow(self, units: int) -> None:
        """Add units, each with its whole history, until there are so many."""
        while self.units < units:
            first = self.units + 1
            aircraft = first // UNITS_PER_AIRCRAFT + 1
            self._insert(t.aircraft, [{"id": aircraft, "name": f"TEST-{aircraft:05}", "title": ""}])
            numbers = range(first, first + UNITS_PER_AIRCRAFT)
            self._insert(t.units, [unit_row(number, aircraft) for number in numbers])
            kinds = [
                {"unit_id": number, "kind": kind, "position": place}
                for number in numbers
                for place, kind in enumerate(self._kinds)
            ]
            self._insert(t.unit_kinds, kinds)
            loads = [load for number in numbers for load in self._load_rows(number)]
            self._insert(t.loads, loads)
            self._insert(t.load_events, [event for load in loads for event in event_rows(load)])
            self.units += UNITS_PER_AIRCRAFT
            self.loads += len(loads)

    def _bundle_rows(self) -> list[dict[str, Any]]:
        rows = []
        for kind, sets in self._kinds.items():
            for place, validity in enumerate(sets):
                self._bundles.append((len(rows) + 1, validity, sets[place + 1 :]))
                rows.append(bundle_row(len(rows) + 1, kind, validity))
        return rows

    def _load_rows(self, unit: int) -> Iterator[dict[str, Any]]:
        """Yield the loads of a unit, each accepted five days ahead, with what the records work out of that."""
        number = self.loads + (unit - self.units - 1) * len(self._bundles)
        for bundle, validity, following in self._bundles:
            number += 1
            late = unit % LATE_EVERY == 0
            accepted_later = following[:-1] if late else following
            yield {
                "number": number, "unit_id": unit, "card_id": 1, "bundle_id": bundle, "receipt": "R-1", "slot": None,
                "simulated": False, "matters_until": accepted_later[0].effective_at if accepted_later else None,
                "accepted_at": None if late and not following else validity.effective_at - timedelta(days=5),
            }  # fmt: skip

    def _insert(self, table: Any, rows: list[dict[str, Any]]) -> None:
        columns = {column.name for column in table.columns}
        with self._store._database.writing() as connection:
            connection.execute(insert(table), [{key: row[key] for key in row if key in columns} for row in rows])


def bundle_row(key: int, kind: str, validity: Validity) -> dict[str, Any]:
    return {
        "id": key, "name": f"{kind}-{key}", "kind": kind, "cycle": validity.cycle, "source": "/none",
        "effective_at": validity.effective_at, "lapses_at": validity.lapses_at, "source_form": "folder",
        "manifest_sha256": "0" * 64, "file_count": 1, "total_bytes": 1, "taken_in_at": NOW,
    }  # fmt: skip


def card_row() -> dict[str, Any]:
    return {
        "id": 1,
        "name": "C-1",
        "identity": "made up",
        "simulated": False,
        "capacity_bytes": 1,
        "first_seen_at": NOW,
    }


def unit_row(number: int, aircraft: int) -> dict[str, Any]:
    return {
        "id": number, "aircraft_id": aircraft, "name": f"UNIT-{number}", "title": "", "rule": "example-any-card",
        "software": None, "position": number,
    }  # fmt: skip


def event_rows(load: dict[str, Any]) -> Iterator[dict[str, Any]]:
    accepted = load["accepted_at"]
    steps = [LoadState.PREPARED] if accepted is None else [LoadState.PREPARED, LoadState.INSTALLED, LoadState.ACCEPTED]
    for position, state in enumerate(steps):
        at = (accepted or NOW) - timedelta(hours=len(steps) - position - 1)
        yield {"load": load["number"], "position": position, "state": state.value, "at": at, "reason": ""}


def best(runs: int, work: Callable[[], object]) -> float:
    """Return the seconds of processor time that the fastest of several runs took."""
    taken = []
    for _ in range(runs):
        start = time.process_time()
        work()
        taken.append(time.process_time() - start)
    return min(taken)


def assert_exact(store: Store, aircraft: str) -> None:
    """Fail where the status from the few loads that are read is not the one from the whole history."""
    history = store.loads(aircraft)
    assert panel_at(store, aircraft, NOW) == panel_status(aircraft, store.units(aircraft), store.kinds(), history, NOW)


def due_over_all(store: Store) -> int:
    """Count what is due within 28 days, over all aircraft."""
    panels = fleet_at(store, NOW)
    return sum(len(due(panel.kinds, NOW + timedelta(days=28))) for panel in panels)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--units", type=int, default=10_000)
    wanted = parser.parse_args()
    slow = []
    with tempfile.TemporaryDirectory() as name:
        store = open_records(Settings(data_dir=Path(name)), clock=FixedClock(NOW))
        fleet = Fleet(store)
        print(f"{'units':>7}{'loads':>11}{'file':>9}{'one panel':>12}{'due over all':>14}{'per unit':>11}{'due':>8}")
        for units in (wanted.units // 8, wanted.units // 4, wanted.units // 2, wanted.units):
            fleet.grow(units)
            middle = f"TEST-{fleet.units // UNITS_PER_AIRCRAFT // 2:05}"
            assert_exact(store, middle)
            panel = best(9, lambda aircraft=middle: panel_at(store, aircraft, NOW))  # type: ignore[misc]
            over_all = best(3, lambda: due_over_all(store))
            size = sum(path.stat().st_size for path in Path(name).iterdir())
            print(
                f"{fleet.units:>7}{fleet.loads:>11}{size / 1e6:>6.0f} MB{panel * 1e3:>9.1f} ms{over_all:>12.2f} s"
                f"{over_all / fleet.units * 1e6:>8.0f} us{due_over_all(store):>8}",
                flush=True,
            )
            slow += [units] if panel > PANEL_BOUND_SECONDS or over_all > FLEET_BOUND_SECONDS else []
        store.close()
    print(f"\nbounds: one panel {PANEL_BOUND_SECONDS * 1e3:.0f} ms, due over all {FLEET_BOUND_SECONDS:.0f} s")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
