"""Twenty stations at once on one PostgreSQL: no logbook loses an entry or forks, and no number is given out twice."""

from __future__ import annotations

import json
import threading
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing
from pathlib import Path

import pytest
from sqlalchemy import event, insert, select, update
from sqlalchemy.engine import ExceptionContext
from sqlalchemy.exc import OperationalError

from mediaprep.clock import FixedClock
from mediaprep.errors import CardBusy, RecordsUnusable
from mediaprep.model import Aircraft, JobKind, LoadState
from mediaprep.records import Store, open_records
from mediaprep.records import tables as t
from mediaprep.records.database import retried
from mediaprep.records.logbook import LogKind, append
from mediaprep.records.panel import aircraft_id
from tests.records.builders import NOON, card, panel, settings, taken_in, unit, written

STATIONS = 20
EACH = 10

pytestmark = pytest.mark.parametrize("database", ["postgresql"], indirect=True)


@pytest.fixture
def stations(store: Store, tmp_path: Path, clock: FixedClock) -> Iterator[list[Store]]:
    """Twenty stations, each with connections of its own."""
    with ExitStack() as opened:
        yield [
            opened.enter_context(closing(open_records(settings(tmp_path, station=f"bench-{number}"), clock=clock)))
            for number in range(STATIONS)
        ]


def all_at_once(stations: list[Store], work: Callable[[int, Store], None]) -> None:
    """Let every station do its work, all starting together; raise what one of them raised."""
    start = threading.Barrier(len(stations))
    raised: list[BaseException] = []

    def run(number: int, store: Store) -> None:
        start.wait()
        try:
            work(number, store)
        except BaseException as error:  # noqa: BLE001 - for the test's own thread to raise
            raised.append(error)

    threads = [threading.Thread(target=run, args=each) for each in enumerate(stations)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if raised:
        raise raised[0]


def add_entry(station: Store, aircraft: str) -> None:
    with station._database.writing() as connection:
        key = aircraft_id(connection, aircraft)
        append(connection, key, LogKind.RETIRED, at=NOON, worker=station._worker, facts={"card": "C-001"})


def test_one_logbook_holds_every_entry_of_every_station_in_one_chain(store: Store, stations: list[Store]) -> None:
    units = panel(store, *(unit(f"NAV-{number}") for number in range(STATIONS)))
    written(store, card(store), taken_in(store))

    def work(number: int, station: Store) -> None:
        for _ in range(EACH):
            station.reject(station.install("C-001", units[number], None, at=NOON), at=NOON, reason="again")

    all_at_once(stations, work)
    assert store.verify_log("D-TEST").entries == STATIONS * EACH * 2
    by_station = Counter(json.loads(entry.body)["station"] for entry in store.log("D-TEST"))
    assert by_station == {f"bench-{number}": EACH * 2 for number in range(STATIONS)}


def test_many_logbooks_hold_every_entry_each_in_a_chain_of_its_own(store: Store, stations: list[Store]) -> None:
    names = [f"D-{number:04}" for number in range(STATIONS)]
    for name in names:
        store.add_aircraft(Aircraft(name))

    def work(number: int, station: Store) -> None:
        for turn in range(STATIONS):  # from aircraft to aircraft, each station beginning with another
            add_entry(station, names[(number + turn) % STATIONS])

    all_at_once(stations, work)
    assert [store.verify_log(name).entries for name in names] == [STATIONS] * STATIONS


def test_steps_that_wait_for_each_other_are_tried_again_and_lose_nothing(store: Store, stations: list[Store]) -> None:
    """Two stations accept loads of two aircraft in opposite orders: the server must break one of the steps off."""
    written(store, card(store), taken_in(store))
    loads = []
    for name in ("D-A", "D-B"):
        store.add_aircraft(Aircraft(name))
        units = [store.add_unit(unit(f"NAV-{number}", aircraft=name)) for number in (1, 2)]
        loads.append([store.install("C-001", each, None, at=NOON)[0] for each in units])
    both_have_one = threading.Barrier(2)
    broken_off: list[str] = []

    def work(number: int, station: Store) -> None:
        waited: list[bool] = []

        def after(_connection: object, _cursor: object, statement: str, *_: object) -> None:
            if "FOR NO KEY UPDATE" in statement and not waited:
                waited.append(True)
                both_have_one.wait(60)

        def failed(context: ExceptionContext) -> None:
            broken_off.append(getattr(context.original_exception, "sqlstate", ""))

        event.listen(station._database.engine, "after_cursor_execute", after)
        event.listen(station._database.engine, "handle_error", failed)
        mine = [of_aircraft[number] for of_aircraft in loads]
        station.accept(mine if number else mine[::-1], at=NOON)

    all_at_once(stations[:2], work)
    assert broken_off == ["40P01"]  # PostgreSQL 15 manual, appendix A: deadlock_detected
    for name in ("D-A", "D-B"):
        assert store.verify_log(name).entries == 4
        assert {load.state for load in store.loads(name)} == {LoadState.ACCEPTED}


def test_a_step_that_is_broken_off_every_time_is_given_up_and_told(store: Store) -> None:
    tries = []

    class Deadlock(Exception):
        sqlstate = "40P01"

    @retried
    def step() -> None:
        tries.append(1)
        with store._database.told_plainly():
            raise OperationalError("SELECT 1", {}, Deadlock("deadlock detected"))

    with pytest.raises(RecordsUnusable, match="broke this step off"):
        step()
    assert len(tries) == 10


def test_a_step_that_failed_otherwise_is_not_tried_again(store: Store) -> None:
    tries = []

    class Gone(Exception):
        sqlstate = "57P01"  # admin shutdown: nobody knows what was kept

    @retried
    def step() -> None:
        tries.append(1)
        with store._database.told_plainly():
            raise OperationalError("SELECT 1", {}, Gone("terminating connection"))

    with pytest.raises(RecordsUnusable, match="cannot be reached"):
        step()
    assert len(tries) == 1


def test_a_servers_own_habit_of_isolation_forks_no_chain(store: Store, stations: list[Store]) -> None:
    """With snapshots older than the lock, two stations would write the same number."""
    panel(store)
    with store._database.engine.connect() as connection:
        name = connection.exec_driver_sql("SELECT current_database()").scalar_one()
        connection.exec_driver_sql(f"ALTER DATABASE {name} SET default_transaction_isolation = 'repeatable read'")
        connection.commit()
    for station in stations:
        station._database.engine.dispose()  # connect anew, under the new habit

    def work(_: int, station: Store) -> None:
        for _ in range(EACH):
            add_entry(station, "D-TEST")

    all_at_once(stations, work)
    assert store.verify_log("D-TEST").entries == STATIONS * EACH


def test_receipt_numbers_and_card_names_are_given_out_once(store: Store, stations: list[Store]) -> None:
    numbers: list[str] = []
    all_at_once(stations, lambda _, station: numbers.extend(station.next_receipt_number() for _ in range(EACH)))
    assert sorted(numbers) == [f"R-{number:06}" for number in range(1, STATIONS * EACH + 1)]


def test_one_station_of_many_gets_the_card(store: Store, stations: list[Store]) -> None:
    made = card(store)
    outcome: Counter[str] = Counter()

    def work(_: int, station: Store) -> None:
        try:
            station.begin_job(JobKind.VERIFY, made, None, None, at=NOON)
            outcome["begun"] += 1
        except CardBusy:
            outcome["busy"] += 1

    all_at_once(stations, work)
    assert outcome == {"begun": 1, "busy": STATIONS - 1}


def test_a_row_is_claimed_by_one_station_of_many(store: Store, stations: list[Store]) -> None:
    """The two patterns that a thing which may happen once is built on: a unique row, and a row locked and looked at."""
    with store._database.writing() as connection:
        connection.execute(insert(t.counters).values(name="claim", value=0))
    claimed: list[int] = []

    def work(number: int, station: Store) -> None:
        row = t.counters.c
        with station._database.writing() as connection:
            value = connection.scalar(select(row.value).where(row.name == "claim").with_for_update())
            if value == 0:
                connection.execute(update(t.counters).where(row.name == "claim").values(value=1))
                claimed.append(number)

    all_at_once(stations, work)
    assert len(claimed) == 1
