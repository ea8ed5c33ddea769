from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from mediaprep.errors import NotFound, RecordExists, Usage
from mediaprep.model import Card, Fitness, JobKind
from mediaprep.records import Store
from tests.records.builders import (
    NOON,
    OBSTACLE,
    bundle,
    card,
    entry,
    manifest,
    owned,
    taken_in,
    touched,
    written,
)


def test_a_card_is_recognised_by_its_identity(store: Store) -> None:
    assert store.recognise("sd:0001") is None
    made = card(store)
    assert made == Card("C-001", "sd:0001", True, 8_000_000_000, NOON)
    assert store.recognise("sd:0001") == store.card("C-001") == made


def test_cards_get_the_next_free_name(store: Store) -> None:
    card(store, "Spare", "sd:a")
    card(store, "C-041", "sd:b")
    card(store, "C-7x", "sd:c")
    assert store.next_card_name() == "C-042"
    assert card(store, None, "sd:d").name == "C-042"
    assert [each.name for each in store.cards()] == ["C-041", "C-042", "C-7x", "Spare"]


def test_a_name_or_an_identity_is_used_once(store: Store) -> None:
    card(store, "Spare", "sd:a")
    with pytest.raises(RecordExists, match="a card Spare already"):
        card(store, "Spare", "sd:b")
    with pytest.raises(RecordExists, match="in the records as Spare"):
        card(store, "Other", "sd:a")
    with pytest.raises(Usage):
        card(store, "a/b", "sd:c")


def test_a_card_keeps_its_history_under_a_new_name(store: Store) -> None:
    made, what = card(store), taken_in(store)
    proof, _ = written(store, made, what)
    renamed = store.rename_card("C-001", "Left display")
    assert renamed == replace(made, name="Left display")
    assert store.fitness("Left display") is Fitness.VERIFIED
    assert store.jobs("Left display")[0].card == "Left display"
    assert store.receipt(proof.number).card == "C-001", "a receipt says what was on the case then"
    with pytest.raises(NotFound):
        store.card("C-001")
    card(store, "Other", "sd:b")
    with pytest.raises(RecordExists, match="Other"):
        store.rename_card("Left display", "Other")


def test_a_retired_card_is_no_longer_recognised_and_may_come_back_as_a_new_one(store: Store) -> None:
    card(store)
    retired = store.retire_card("C-001", at=NOON + timedelta(days=1))
    assert retired.retired_at == NOON + timedelta(days=1)
    assert store.retire_card("C-001", at=NOON + timedelta(days=2)) == retired
    assert store.recognise("sd:0001") is None
    assert card(store).name == "C-002"
    with pytest.raises(RecordExists):
        card(store, "C-001", "sd:0002")


def test_files_are_ours_from_before_they_are_written_until_they_are_removed(store: Store) -> None:
    made, what = card(store), taken_in(store)
    files = owned(what, manifest(3))
    job = touched(store, made, what)
    assert store.recorded_files("C-001") == tuple(files)
    assert not any(file.flushed for file in store.recorded_files("C-001"))

    store.files_flushed(job.number, files[:2], [])
    assert store.recorded_files("C-001") == (*(replace(file, flushed=True) for file in files[:2]), files[2])

    store.files_flushed(job.number, [], [files[0].path, "not/ours"])
    assert [file.path for file in store.recorded_files("C-001")] == [files[1].path, files[2].path]

    rewritten = replace(files[1], size_bytes=2**33, sha256="f" * 64)
    store.begin_touching(job.number, [rewritten], None, ())
    assert store.recorded_files("C-001")[0] == rewritten


def test_a_card_with_thousands_of_files_is_kept_whole(store: Store) -> None:
    what = taken_in(store, bundle(files=5000))
    written(store, card(store), what)
    assert store.recorded_files("C-001") == tuple(owned(what, manifest(5000), flushed=True))


def test_the_bundles_on_a_card_are_those_with_files_on_it(store: Store) -> None:
    made = card(store)
    assert store.card_bundles("C-001") == ()
    nav, obstacle = taken_in(store), taken_in(store, bundle("obstacle", kind=OBSTACLE))
    written(store, made, nav)
    job = touched(store, made, nav)
    extra = [replace(file, path="obstacle/" + file.path) for file in owned(obstacle, manifest())]
    store.files_flushed(job.number, extra, [])
    assert store.card_bundles("C-001") == ("nav-2607", "obstacle")


def test_a_file_belongs_to_one_bundle_of_its_kind_the_one_it_was_last_recorded_for(store: Store) -> None:
    made, old, new = card(store), taken_in(store), taken_in(store, bundle("nav-2608"))
    written(store, made, old)
    job = store.begin_job(JobKind.WRITE, made, new, None, at=NOON)
    changed = owned(new, manifest())[:1]
    store.begin_touching(job.number, changed, None, ())
    store.files_flushed(job.number, changed, [])
    assert store.card_bundles("C-001") == ("nav-2607", "nav-2608")
    store.files_flushed(job.number, owned(new, manifest()), [])
    assert store.card_bundles("C-001") == ("nav-2608",)
    assert store.recorded_files("C-001") == tuple(owned(new, manifest(), flushed=True))


def test_the_insertion_of_the_last_write_is_remembered(store: Store) -> None:
    made, what = card(store), taken_in(store)
    assert store.written_insertion("C-001") is None
    touched(store, made, what)
    assert store.written_insertion("C-001") == "insertion-1"


def test_an_insertion_that_is_not_known_is_not_the_one_before(store: Store) -> None:
    made, what = card(store), taken_in(store)
    written(store, made, what)
    job = store.begin_job(JobKind.WRITE, made, what, None, at=NOON)
    store.begin_touching(job.number, [], None, ())
    assert store.written_insertion("C-001") is None


def test_a_card_that_is_not_there_is_named(store: Store) -> None:
    for asked in (
        store.card,
        store.card_bundles,
        store.recorded_files,
        store.written_insertion,
        store.fitness,
        store.jobs,
        store.last_write,
        store.latest_receipt,
    ):
        with pytest.raises(NotFound, match="no card C-404"):
            asked("C-404")
    with pytest.raises(NotFound):
        store.retire_card("C-404", at=NOON)
    with pytest.raises(NotFound):
        store.rename_card("C-404", "C-405")


def test_a_file_of_a_bundle_that_is_not_there_is_refused(store: Store) -> None:
    made, what = card(store), taken_in(store)
    job = touched(store, made, what)
    stray = owned(bundle("stray"), manifest(1))
    with pytest.raises(NotFound, match="stray"):
        store.files_flushed(job.number, stray, [entry("data/00000.bin").path])
    assert len(store.recorded_files("C-001")) == 3, "nothing of a refused step is kept"
