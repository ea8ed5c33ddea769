from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from mediaprep.errors import BundleUnsafe, NotFound, RecordExists, Usage
from mediaprep.model import CycleRule, CycleScheme, DataKind, Manifest, ManifestEntry, Validity
from mediaprep.records import Store
from tests.records.builders import NOON, bundle, entry, manifest, panel, taken_in, unit

# A name of Latin-1 bytes, as Python reads it where names are UTF-8 (PEP 383).
LATIN_1 = Manifest((entry("cafe.bin"), ManifestEntry("caf\udce9.bin", 1, "0" * 64)))


def test_a_bundle_and_its_manifest_come_back_as_they_were_given(store: Store) -> None:
    panel(store, unit("NAV-1"), unit("NAV-2", position=1))
    given = bundle(units=(("D-TEST", "NAV-1"), ("D-TEST", "NAV-2")), least_software="3.0", total_bytes=2**41)
    # Path order is Python's: by code point, capitals first, and the same on every database.
    files = Manifest((entry("A.bin", 2**40), entry("Z.bin", 0), ManifestEntry("a/Ä ' %.bin", 7, "0" * 64, None)))
    store.add_bundle(given, files)
    assert store.bundle("nav-2607") == given
    assert store.manifest("nav-2607") == files


def test_a_bundle_may_have_no_dates(store: Store) -> None:
    given = bundle("map", kind=store.kinds()["base-map"], validity=Validity(None, None, None))
    store.add_bundle(given, manifest())
    assert store.bundle("map") == given


def test_bundles_stand_in_the_order_they_were_taken_in(store: Store) -> None:
    later = taken_in(store, bundle("a", taken_in_at=NOON + timedelta(microseconds=1)))
    first = taken_in(store, bundle("b", taken_in_at=NOON))
    assert store.bundles() == (first, later)


def test_a_large_bundle_is_kept_whole(store: Store) -> None:
    taken_in(store, bundle(files=5000))
    assert store.manifest("nav-2607") == manifest(5000)


def test_a_bundle_has_its_kind_as_it_is_now_and_its_dates_as_they_were(store: Store) -> None:
    given = taken_in(store)
    changed = DataKind("navigation", "Mine", CycleRule(CycleScheme.DATES))
    store.save_kind(changed)
    assert store.bundle("nav-2607") == replace(given, kind=changed)


def test_what_is_wrong_with_a_bundle_is_said_and_nothing_is_kept(store: Store) -> None:
    taken_in(store)
    with pytest.raises(RecordExists, match="nav-2607"):
        taken_in(store)
    tides = DataKind("tides", "Tides", CycleRule(CycleScheme.NONE))
    for wrong, files, error, match in (
        (bundle("new", kind=tides), manifest(), NotFound, "no data kind tides.*new"),
        (bundle("new", units=(("D-TEST", "NAV-1"),)), manifest(), NotFound, "D-TEST"),
        (bundle("a/b"), manifest(), Usage, "a/b"),
        (bundle("new"), LATIN_1, BundleUnsafe, r"new .*caf\\udce9"),
    ):
        with pytest.raises(error, match=match):
            store.add_bundle(wrong, files)
    assert [each.name for each in store.bundles()] == ["nav-2607"]
    for asked in (store.bundle, store.manifest):
        with pytest.raises(NotFound, match="no bundle new"):
            asked("new")
