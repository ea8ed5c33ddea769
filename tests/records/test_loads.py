from __future__ import annotations

import json
from dataclasses import replace
from datetime import timedelta

import pytest
from sqlalchemy import event

from mediaprep.errors import BundleFactsInvalid, CardNotReady, LoadStateInvalid, NotFound, Usage
from mediaprep.model import (
    Aircraft,
    DataEvidence,
    JobKind,
    JobState,
    LoadEvent,
    LoadState,
    StructureEvidence,
)
from mediaprep.records import Store
from tests.records.builders import (
    CYCLE,
    NOON,
    OBSTACLE,
    bundle,
    card,
    panel,
    receipt,
    report,
    taken_in,
    touched,
    unit,
    written,
)

INSTALLED_AT = NOON + timedelta(hours=1)
ACCEPTED_AT = NOON + timedelta(hours=2)
NOT_REMOUNTED = report(structure=StructureEvidence.ASSUMED)


def kinds_logged(store: Store) -> list[str]:
    return [json.loads(entry.body)["kind"] for entry in store.log("D-TEST")]


def states(store: Store) -> list[LoadState]:
    return [load.state for load in store.loads("D-TEST")]


def test_a_receipt_for_a_unit_prepares_a_load(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    proof, (load,) = written(store, made, what, nav)
    assert (load.aircraft, load.unit, load.card, load.bundle, load.kind, load.receipt, load.slot) == (
        "D-TEST",
        "NAV-1",
        "C-001",
        "nav-2607",
        "navigation",
        proof.number,
        None,
    )
    assert load.validity == CYCLE
    assert load.simulated
    assert load.events == (LoadEvent(LoadState.PREPARED, proof.issued_at),)
    assert store.load(load.number) == load
    assert store.loads("D-TEST") == store.loads("D-TEST", "NAV-1") == (load,)


def test_only_what_the_unit_takes_and_may_have_is_prepared(store: Store) -> None:
    nav, display = panel(store, unit(), unit("DISPLAY-1", kinds=("charts",)))
    made = card(store)
    fits, charts = taken_in(store), taken_in(store, bundle("charts", kind=store.kinds()["charts"]))
    theirs = taken_in(store, bundle("obstacle", kind=OBSTACLE, units=(("D-TEST", "DISPLAY-1"),)))
    job = touched(store, made, fits, nav)
    loads = store.end_job_proven(job.number, receipt(store, made, fits, charts, theirs), nav)
    assert [load.bundle for load in loads] == ["nav-2607"]
    assert store.loads("D-TEST", display.name) == ()


def test_a_receipt_without_a_unit_prepares_nothing_and_logs_nothing(store: Store) -> None:
    panel(store)
    assert written(store, card(store), taken_in(store))[1] == ()
    assert store.loads("D-TEST") == ()
    assert store.log("D-TEST") == ()


def test_a_load_goes_from_the_bench_into_the_unit(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    proof, (prepared,) = written(store, made, what, nav)
    (installed,) = store.install("C-001", nav, "left", at=INSTALLED_AT, reason="before flight")
    assert installed == replace(
        prepared,
        slot="left",
        events=(
            LoadEvent(LoadState.PREPARED, proof.issued_at),
            LoadEvent(LoadState.INSTALLED, INSTALLED_AT, "before flight"),
        ),
    )
    (accepted,) = store.accept([installed], at=ACCEPTED_AT, reason="dates agree")
    assert accepted.events[-1] == LoadEvent(LoadState.ACCEPTED, ACCEPTED_AT, "dates agree")
    assert store.loads("D-TEST") == (accepted,)
    assert kinds_logged(store) == ["card-written", "installed", "accepted"]


def test_a_unit_may_reject_a_load_and_is_asked_why(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav)
    loads = store.install("C-001", nav, None, at=INSTALLED_AT)
    with pytest.raises(Usage, match="load 1"):
        store.reject(loads, at=ACCEPTED_AT, reason="  ")
    (rejected,) = store.reject(loads, at=ACCEPTED_AT, reason="DATABASE INVALID")
    assert rejected.events[-1] == LoadEvent(LoadState.REJECTED, ACCEPTED_AT, "DATABASE INVALID")
    assert rejected.slot is None
    assert kinds_logged(store) == ["card-written", "installed", "rejected"]


def test_a_card_written_for_one_unit_may_be_carried_to_another(store: Store) -> None:
    first, second = panel(store, unit("NAV-1"), unit("NAV-2"))
    made, what = card(store), taken_in(store)
    proof, _ = written(store, made, what, first)
    (load,) = store.install("C-001", second, "right", at=INSTALLED_AT)
    assert load.number == 2
    assert load.receipt == proof.number
    assert [event.state for event in load.events] == [LoadState.PREPARED, LoadState.INSTALLED]
    assert states(store) == [LoadState.PREPARED, LoadState.INSTALLED]


def test_saying_twice_that_a_card_is_in_changes_nothing(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav)
    first = store.install("C-001", nav, "left", at=INSTALLED_AT)
    assert store.install("C-001", nav, "left", at=ACCEPTED_AT) == first
    assert store.install("C-001", nav, None, at=ACCEPTED_AT) == first
    assert kinds_logged(store) == ["card-written", "installed"]
    (other_slot,) = store.install("C-001", nav, "right", at=ACCEPTED_AT)
    assert (other_slot.number, other_slot.slot) == (2, "right")


def test_a_card_that_was_rejected_may_be_tried_again(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav)
    store.reject(store.install("C-001", nav, None, at=INSTALLED_AT), at=INSTALLED_AT, reason="NO CARD")
    store.accept(store.install("C-001", nav, None, at=ACCEPTED_AT), at=ACCEPTED_AT)
    assert states(store) == [LoadState.REJECTED, LoadState.ACCEPTED]


def test_every_bundle_on_the_card_that_the_unit_takes_is_a_load(store: Store) -> None:
    (nav,), made = panel(store), card(store)
    what, obstacle = taken_in(store), taken_in(store, bundle("obstacle", kind=OBSTACLE))
    job = touched(store, made, what, nav)
    store.end_job_proven(job.number, receipt(store, made, what, obstacle), nav)
    loads = store.accept(store.install("C-001", nav, None, at=INSTALLED_AT), at=ACCEPTED_AT)
    assert [(load.bundle, load.state) for load in loads] == [
        ("nav-2607", LoadState.ACCEPTED),
        ("obstacle", LoadState.ACCEPTED),
    ]
    with pytest.raises(LoadStateInvalid):
        store.accept(loads, at=ACCEPTED_AT)


def test_accepting_a_load_supersedes_older_ones_on_their_way_but_not_accepted_ones(store: Store) -> None:
    (nav,) = panel(store)
    what = taken_in(store)
    obstacle = taken_in(store, bundle("obstacle", kind=OBSTACLE))
    for number in range(4):
        made = card(store, None, f"sd:{number}")
        written(store, made, obstacle if number == 3 else what, nav)
    store.accept(store.install("C-001", nav, None, at=INSTALLED_AT), at=INSTALLED_AT)
    store.install("C-002", nav, None, at=INSTALLED_AT)
    newest = card(store, None, "sd:9")
    written(store, newest, what, nav)
    assert states(store) == ["accepted", "installed", "prepared", "prepared", "prepared"]
    store.accept(store.install(newest.name, nav, None, at=ACCEPTED_AT), at=ACCEPTED_AT)
    assert states(store) == ["accepted", "superseded", "superseded", "prepared", "accepted"]
    assert store.load(2).events[-1] == LoadEvent(LoadState.SUPERSEDED, ACCEPTED_AT, "load 5 was accepted")
    assert kinds_logged(store)[-4:] == ["installed", "accepted", "superseded", "superseded"]


def test_accepting_an_older_load_leaves_newer_ones_on_their_way(store: Store) -> None:
    (nav,) = panel(store)
    what = taken_in(store)
    for number in range(2):
        written(store, card(store, None, f"sd:{number}"), what, nav)
    store.accept(store.install("C-001", nav, None, at=INSTALLED_AT), at=ACCEPTED_AT)
    assert states(store) == ["accepted", "prepared"]


def test_writing_a_card_again_takes_the_place_of_what_was_prepared_on_it(store: Store) -> None:
    first, second = panel(store, unit("NAV-1"), unit("NAV-2"))
    made, what = card(store), taken_in(store)
    written(store, made, what, first)
    written(store, made, what, second)
    written(store, made, what, first)
    assert states(store) == ["superseded", "prepared", "prepared"]
    assert "R-000003" in store.load(1).events[-1].reason
    assert kinds_logged(store) == ["card-written", "card-written", "card-written", "superseded"]


def test_a_verify_for_a_unit_is_logged_as_one(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav, readback=NOT_REMOUNTED)
    job = store.begin_job(JobKind.VERIFY, made, None, nav, at=NOON)
    proof = receipt(store, made, what)
    (load,) = store.end_job_proven(job.number, proof, nav)
    assert load.receipt == proof.number
    assert kinds_logged(store) == ["card-written", "verified"]


def test_a_card_that_is_not_proven_whole_is_prepared_for_no_unit(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav, readback=NOT_REMOUNTED)
    assert store.loads(nav.aircraft) == ()
    assert kinds_logged(store) == ["card-written"]


def test_a_verify_of_a_card_that_is_in_the_unit_already_prepares_nothing_new(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav)
    store.accept(store.install(made.name, nav, None, at=NOON), at=NOON)
    job = store.begin_job(JobKind.VERIFY, made, None, nav, at=NOON)
    assert store.end_job_proven(job.number, receipt(store, made, what), nav) == ()
    assert states(store) == ["accepted"]


# --- what is refused -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("readback", "said"),
    [(NOT_REMOUNTED, "put the card in again"), (report(data=DataEvidence.CACHED), "unfit")],
)
def test_a_card_that_is_not_verified_is_not_carried(store: Store, readback: object, said: str) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav, readback=readback)  # type: ignore[arg-type]
    with pytest.raises(CardNotReady, match=f"C-001 .*{said}"):
        store.install("C-001", nav, None, at=INSTALLED_AT)


def test_a_card_that_was_touched_since_or_never_is_not_carried(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    with pytest.raises(CardNotReady, match="nothing written"):
        store.install("C-001", nav, None, at=INSTALLED_AT)
    written(store, made, what, nav)
    job = touched(store, made, what, nav)
    store.end_job(job.number, JobState.FAILED, at=NOON, code="write-failed", detail="")
    with pytest.raises(CardNotReady, match="unfit"):
        store.install("C-001", nav, None, at=INSTALLED_AT)
    assert states(store) == [LoadState.PREPARED]


def test_a_card_is_not_carried_to_a_unit_its_bundle_was_not_bought_for(store: Store) -> None:
    first, second = panel(store, unit("NAV-1"), unit("NAV-2"))
    made, what = card(store), taken_in(store, bundle(units=(("D-TEST", "NAV-1"),)))
    written(store, made, what, first)
    with pytest.raises(BundleFactsInvalid, match="nav-2607 on card C-001 is for D-TEST/NAV-1, not for D-TEST/NAV-2"):
        store.install("C-001", second, None, at=INSTALLED_AT)
    assert states(store) == [LoadState.PREPARED]


def test_a_card_is_not_carried_to_a_unit_that_takes_nothing_from_it(store: Store) -> None:
    (display,) = panel(store, unit("DISPLAY-1", kinds=("charts",)))
    written(store, card(store), taken_in(store))
    with pytest.raises(
        LoadStateInvalid, match=r"nothing that unit D-TEST/DISPLAY-1 takes, but nav-2607 \(navigation\)"
    ):
        store.install("C-001", display, None, at=INSTALLED_AT)


def test_a_slot_the_unit_does_not_have_is_refused(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    written(store, made, what, nav)
    with pytest.raises(NotFound, match="no slot top") as caught:
        store.install("C-001", nav, "top", at=INSTALLED_AT)
    assert "left, right" in caught.value.remedy


def test_a_load_takes_no_step_out_of_order(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    _, prepared = written(store, made, what, nav)
    for step in (store.accept, store.reject):
        with pytest.raises(LoadStateInvalid, match="Load 1 of unit D-TEST/NAV-1 is prepared"):
            step(prepared, at=ACCEPTED_AT, reason="no")
    installed = store.install("C-001", nav, None, at=INSTALLED_AT)
    store.reject(installed, at=ACCEPTED_AT, reason="no")
    with pytest.raises(LoadStateInvalid, match="is rejected: it cannot become accepted"):
        store.accept(installed, at=ACCEPTED_AT)
    assert kinds_logged(store) == ["card-written", "installed", "rejected"], "a refused step is not logged"


def test_a_load_or_owner_that_is_not_there_is_named(store: Store) -> None:
    (nav,), made, what = panel(store), card(store), taken_in(store)
    _, (load,) = written(store, made, what, nav)
    for asked, match in (
        (lambda: store.load(9), "no load 9"),
        (lambda: store.accept([replace(load, number=9)], at=NOON), "no load 9"),
        (lambda: store.loads("D-NONE"), "no aircraft D-NONE"),
        (lambda: store.loads("D-TEST", "NAV-9"), "no unit NAV-9"),
        (lambda: store.install("C-404", nav, None, at=NOON), "no card C-404"),
    ):
        with pytest.raises(NotFound, match=match):
            asked()


def test_loads_of_one_aircraft_are_not_those_of_another(store: Store) -> None:
    (nav,), what = panel(store), taken_in(store)
    store.add_aircraft(Aircraft("OE-TST"))
    other = store.add_unit(unit(aircraft="OE-TST"))
    written(store, card(store), what, nav)
    written(store, card(store, None, "sd:0002"), what, other)
    assert [load.number for load in store.loads("D-TEST")] == [1]
    assert [load.number for load in store.loads("OE-TST")] == [2]


def test_what_was_written_down_is_never_changed(store: Store) -> None:
    statements: list[str] = []

    def heard(_connection: object, _cursor: object, statement: str, *_: object) -> None:
        statements.append(" ".join(statement.split()[:3]))

    event.listen(store._database.engine, "before_cursor_execute", heard)
    (nav,), made, what = panel(store), card(store), taken_in(store)
    for _ in range(2):
        written(store, made, what, nav)
    store.reject(store.install("C-001", nav, None, at=INSTALLED_AT), at=INSTALLED_AT, reason="no")
    store.accept(store.install("C-001", nav, None, at=INSTALLED_AT), at=INSTALLED_AT)
    kept = {"receipts", "load_events", "logbook", "job_findings"}
    changing = [words for words in statements if words.startswith(("UPDATE", "DELETE", "REPLACE"))]
    assert any("loads" in words for words in changing), "the listener hears statements"
    assert not [words for words in changing if kept & set(words.split())]
