"""The library in the records: the same content is recognised, and what is removed leaves every other record whole."""

from __future__ import annotations

from datetime import timedelta

import pytest

from mediaprep.errors import NotFound, RecordExists
from mediaprep.model import Algorithm, BundleSignature, PublisherCheck
from mediaprep.records import Store
from tests.records.builders import NOON, bundle, card, manifest, panel, receipt, taken_in, touched, written

LATER = NOON + timedelta(days=1)


def test_what_a_publishers_checksums_proved_comes_back_in_order(store: Store) -> None:
    checks = (
        PublisherCheck("SHA512SUMS", Algorithm.SHA512, 3, weak=False),
        PublisherCheck("set.sfv", Algorithm.CRC32, 2, weak=True),
        PublisherCheck("SHA512SUMS", Algorithm.MD5, 1, weak=True),
    )
    given = taken_in(store, bundle(checks=checks))
    taken_in(store, bundle("other"))
    assert store.bundle("nav-2607") == given
    assert store.bundles()[1].checks == ()


def test_the_key_of_a_publishers_signature_comes_back(store: Store) -> None:
    given = taken_in(store, bundle(signature=BundleSignature("SHA512SUMS", "ab" * 20)))
    taken_in(store, bundle("other"))
    assert store.bundle("nav-2607") == given
    assert store.bundles()[1].signature is None


def test_the_same_content_is_recognised_in_the_library_only(store: Store) -> None:
    one = taken_in(store)
    two = taken_in(store, bundle("again", manifest_sha256=one.manifest_sha256))
    taken_in(store, bundle("other"))
    assert store.bundles_of_content(one.manifest_sha256) == (one, two)
    store.remove_bundles(["nav-2607"], at=LATER)
    assert store.bundles_of_content(one.manifest_sha256) == (two,)
    assert store.bundles_of_content("0" * 64) == ()


def test_the_cards_in_service_that_hold_a_bundle_are_named(store: Store) -> None:
    (unit,) = panel(store)
    one, two = taken_in(store), taken_in(store, bundle("other"))
    assert store.cards_of_bundles() == {}
    for name, what in (("C-2", one), ("C-1", one), ("C-3", two)):
        written(store, card(store, name, identity=name), what, unit)
    assert store.cards_of_bundles() == {"nav-2607": ("C-1", "C-2"), "other": ("C-3",)}
    store.retire_card("C-3", at=LATER)
    assert store.cards_of_bundles() == {"nav-2607": ("C-1", "C-2")}


def test_a_bundle_that_was_never_used_is_forgotten_whole(store: Store) -> None:
    (unit,) = panel(store)
    taken_in(store, bundle(units=(("D-TEST", unit.name),), checks=(PublisherCheck("a", Algorithm.MD5, 1, weak=True),)))
    store.remove_bundles(["nav-2607"], at=LATER)
    assert store.bundles() == ()
    with pytest.raises(NotFound, match="nav-2607"):
        store.bundle("nav-2607")
    assert taken_in(store) == store.bundle("nav-2607"), "and its name is free again"


def test_a_bundle_that_was_used_stays_known_to_what_came_of_it(store: Store) -> None:
    (unit,) = panel(store)
    given, on = taken_in(store), card(store)
    proof, loads = written(store, on, given, unit)
    store.remove_bundles(["nav-2607"], at=LATER)
    store.remove_bundles(["nav-2607"], at=LATER + timedelta(days=1))
    assert store.bundles() == ()
    assert store.bundle("nav-2607").removed_at == LATER, "the first removal counts"
    assert store.latest_receipt(on.name) == proof
    assert store.loads("D-TEST") == loads
    assert store.card_bundles(on.name) == ("nav-2607",)
    assert len(store.log("D-TEST")) == 1
    assert store.manifest("nav-2607") == manifest(), "the card is still verified against it"
    assert store.install(on.name, unit, None, at=LATER)[0].bundle == "nav-2607"
    with pytest.raises(RecordExists, match="or there was one"):
        taken_in(store)


def test_its_list_of_files_goes_once_no_card_in_service_holds_it(store: Store) -> None:
    (unit,) = panel(store)
    old, new, on = taken_in(store), taken_in(store, bundle("nav-2608")), card(store)
    written(store, on, old, unit)
    store.remove_bundles(["nav-2607"], at=LATER)
    written(store, on, new, unit)
    assert store.manifest("nav-2607") == manifest(), "not before someone tidies"
    taken_in(store, bundle("unused"))
    store.remove_bundles(["unused"], at=LATER)
    with pytest.raises(
        NotFound, match="nav-2607 was removed from the library on 2026-07-02, its list of files with it"
    ):
        store.manifest("nav-2607")
    assert [load.bundle for load in store.loads("D-TEST")] == ["nav-2607", "nav-2608"]


def test_the_files_of_a_retired_card_keep_no_list(store: Store) -> None:
    (unit,) = panel(store)
    written(store, card(store, "C-1"), taken_in(store), unit)
    store.retire_card("C-1", at=LATER)
    store.remove_bundles(["nav-2607"], at=LATER)
    with pytest.raises(NotFound, match="list of files"):
        store.manifest("nav-2607")


def test_a_bundle_on_its_way_to_a_card_keeps_its_list(store: Store) -> None:
    (unit,) = panel(store)
    given, on = taken_in(store), card(store)
    from mediaprep.model import JobKind

    job = store.begin_job(JobKind.WRITE, on, given, unit, at=NOON)
    store.remove_bundles(["nav-2607"], at=LATER)
    assert store.manifest("nav-2607") == manifest()
    proof = receipt(store, on, given)
    store.end_job_proven(job.number, proof, unit)
    assert store.latest_receipt(on.name) == proof


def test_one_unknown_name_keeps_all(store: Store) -> None:
    given, on = taken_in(store), card(store)
    touched(store, on, given)
    with pytest.raises(NotFound, match="nothing"):
        store.remove_bundles(["nav-2607", "nothing"], at=LATER)
    assert store.bundles() == (given,)
