"""No step of the daily work reads a table from end to end that grows with the years."""

from __future__ import annotations

from typing import Any

from sqlalchemy import event

from mediaprep.model import JobKind
from mediaprep.records import Store
from tests.records.builders import NOON, card, panel, receipt, taken_in, touched, written

# Those with a row for each file, job, load or entry. Aircraft, units, cards, kinds and rules are few.
GROWING = {"bundle_files", "card_files", "jobs", "job_findings", "receipts", "loads", "load_events", "logbook"}


def test_the_daily_steps_look_rows_up(file_store: Store) -> None:
    store = file_store
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav)
    asked: dict[str, Any] = {}

    def heard(_connection: object, _cursor: object, statement: str, parameters: Any, *_: object) -> None:
        if statement.startswith(("SELECT", "UPDATE", "DELETE")):
            asked[statement] = parameters[0] if isinstance(parameters, list) else parameters

    event.listen(store._database.engine, "before_cursor_execute", heard)
    store.settle_dead_jobs()
    store.stations()
    job = touched(store, made, what, nav)
    store.files_flushed(job.number, [], ["data/00000.bin"])
    store.end_job_proven(job.number, receipt(store, made, what), nav)
    store.accept(store.install("C-001", nav, None, at=NOON), at=NOON)
    store.begin_job(JobKind.VERIFY, made, None, None, at=NOON)
    store.settle_dead_jobs(lambda *_: False)
    for look in (store.fitness, store.recorded_files, store.card_bundles, store.last_write, store.latest_receipt):
        look("C-001")
    store.jobs("C-001", limit=10)
    store.loads("D-TEST")
    store.log("D-TEST", after=1, limit=10)
    store.log_head("D-TEST")
    store.verify_log("D-TEST")
    event.remove(store._database.engine, "before_cursor_execute", heard)

    assert len(asked) > 30
    read_whole = []
    with store._database.reading() as connection:
        for statement, parameters in asked.items():
            plan = connection.exec_driver_sql("EXPLAIN QUERY PLAN " + statement, parameters).all()
            # "SCAN t" is the whole table; "SEARCH t USING ..." and a scan of a partial index are not.
            read_whole += [
                (row.detail, statement)
                for row in plan
                if row.detail.split()[0] == "SCAN"
                and row.detail.split()[1] in GROWING
                and "uq_jobs_card_running" not in row.detail
            ]
    assert not read_whole
