"""A whole aircraft out of some records and into others, as a bag."""

from __future__ import annotations

import hashlib
import json
import zipfile
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from mediaprep.aircraftbag import from_bag, to_bag
from mediaprep.bagfile import read_bag, write_bag
from mediaprep.clock import FixedClock
from mediaprep.errors import ImportInvalid, LogbookBroken, MediaPrepError, NotFound, OutputFailed
from mediaprep.lists import ListedCard
from mediaprep.model import (
    Aircraft,
    Algorithm,
    BundleSignature,
    DataEvidence,
    Fitness,
    LoadState,
    MediaRule,
    PublisherCheck,
)
from mediaprep.records import Store, open_records
from mediaprep.records.tables import SCHEMA_REVISION
from mediaprep.records.transfer import TABLES
from tests.bundles.second_reader import bagit
from tests.records.builders import (
    NAVIGATION,
    NOON,
    OBSTACLE,
    bundle,
    card,
    panel,
    receipt,
    report,
    settings,
    taken_in,
    unit,
    written,
)
from tests.records.test_lists import past

LATER = NOON + timedelta(hours=1)
CHECKS = (
    PublisherCheck("SHA512SUMS", Algorithm.SHA512, 3, weak=False),
    PublisherCheck("set.sfv", Algorithm.CRC32, 2, weak=True),
)


@pytest.fixture
def full(tmp_path: Path, clock: FixedClock) -> Iterator[Store]:
    """Records with an aircraft that has everything, and another one that shares a card and a bundle with it."""
    opened = open_records(settings(tmp_path / "elsewhere"), clock=clock)
    fill(opened)
    yield opened
    opened.close()


@pytest.fixture
def empty(store: Store) -> Store:
    """New records, on either database."""
    return store


def fill(store: Store) -> None:
    store.save_rule(MediaRule("small", "manual, section 4", capacity_bytes_max=8_000_000_000))
    store.save_kind(replace(NAVIGATION, title="Changed by the owner"))
    nav, display = panel(store, unit(rule=MediaRule("small")), unit("DISPLAY", position=1, software="2.1"))
    store.add_aircraft(Aircraft("OE-TST"))
    other = store.add_unit(unit(aircraft="OE-TST"))
    what = taken_in(store, bundle(checks=CHECKS, signature=BundleSignature("SHA512SUMS", "ab" * 20)))
    theirs = taken_in(store, bundle("theirs", kind=OBSTACLE, units=(("OE-TST", "NAV-1"),)))
    ours = taken_in(store, bundle("ours", kind=OBSTACLE, units=(("D-TEST", "NAV-1"), ("OE-TST", "NAV-1"))))
    written(store, card(store, "SECOND", "sd:0003"), ours, nav)
    shared = card(store)
    written(store, shared, what, nav)
    store.accept(
        store.install("C-001", nav, "left", at=LATER), at=LATER, reason="2607 \u2192 shown", aircraft_hours="12.5"
    )
    written(store, shared, theirs, other)
    written(store, card(store, None, "sd:0002"), what, display, readback=report(DataEvidence.CACHED))
    store.import_cards([ListedCard("OLD", None, None)], at=NOON)
    store.import_loads([past(card="OLD")], at=NOON)
    store.correct_log("D-TEST", 1, "nothing wrong", at=LATER)
    store.remove_bundles(["ours"], at=LATER)


def bag_of(store: Store, aircraft: str = "D-TEST") -> dict[str, bytes]:
    return to_bag(store.export_aircraft(aircraft), aircraft=aircraft, form=SCHEMA_REVISION)


def arrive(store: Store, bag: dict[str, bytes]) -> Aircraft:
    return store.import_aircraft(from_bag(bag, list(TABLES), form=SCHEMA_REVISION, name="the bag"), "the bag")


def edited(bag: dict[str, bytes], table: str, edit: Callable[[list[dict[str, object]]], None]) -> dict[str, bytes]:
    """Return the bag as someone would make it who changes rows and brings its digests up to date."""
    rows = from_bag(bag, list(TABLES), form=SCHEMA_REVISION, name="x")
    edit(rows[table])
    return to_bag(rows, aircraft="D-TEST", form=SCHEMA_REVISION)


# --- there and back --------------------------------------------------------------------------------------------------


def test_a_round_trip_gives_the_same_bytes(full: Store, empty: Store) -> None:
    bag = bag_of(full)
    assert arrive(empty, bag) == Aircraft("D-TEST", "Our test aircraft")
    assert bag_of(empty) == bag


@pytest.mark.parametrize("name", ["out.zip", "folder"])
def test_the_file_itself_is_the_same_to_the_byte(full: Store, empty: Store, tmp_path: Path, name: str) -> None:
    def content(at: Path) -> dict[str, bytes]:
        files = [at] if at.is_file() else sorted(path for path in at.rglob("*") if path.is_file())
        return {path.relative_to(tmp_path).as_posix().partition(name)[2]: path.read_bytes() for path in files}

    (tmp_path / "there").mkdir()
    (tmp_path / "back").mkdir()
    write_bag(bag_of(full), tmp_path / "there" / name, name="D-TEST")
    arrive(empty, read_bag(tmp_path / "there" / name))
    write_bag(bag_of(empty), tmp_path / "back" / name, name="D-TEST")
    assert content(tmp_path / "there" / name) == content(tmp_path / "back" / name)


def test_what_arrives_is_what_left(full: Store, empty: Store) -> None:
    arrive(empty, bag_of(full))
    assert empty.units("D-TEST") == full.units("D-TEST")
    assert empty.loads("D-TEST") == full.loads("D-TEST")
    assert empty.log("D-TEST") == full.log("D-TEST")
    assert empty.bundle("nav-2607") == full.bundle("nav-2607")
    assert empty.bundle("nav-2607").checks == CHECKS
    assert empty.bundle("nav-2607").signature == BundleSignature("SHA512SUMS", "ab" * 20)
    assert empty.bundle("ours").removed_at == LATER
    assert empty.manifest("nav-2607") == full.manifest("nav-2607")
    assert empty.receipt("R-000001") == full.receipt("R-000001")
    assert empty.receipt("R-000004") == full.receipt("R-000004"), "named in the logbook alone"
    assert empty.kinds()["navigation"].title == "Changed by the owner"
    assert empty.verify_log("D-TEST") == full.verify_log("D-TEST")


def test_other_aircraft_and_what_is_theirs_alone_stay_behind(full: Store, empty: Store) -> None:
    arrive(empty, bag_of(full))
    assert [one.name for one in empty.aircraft_list()] == ["D-TEST"]
    assert sorted(one.name for one in empty.bundles()) == ["nav-2607", "navigation-2607-past"]
    assert {file.bundle for file in empty.recorded_files("SECOND")} == {"ours"}
    assert {file.bundle for file in empty.recorded_files("C-001")} <= {"nav-2607"}
    assert empty.bundle("ours").units == (("D-TEST", "NAV-1"),)


def test_a_card_counts_as_unproven_until_it_is_read_back_in_its_new_records(full: Store, empty: Store) -> None:
    arrive(empty, bag_of(full))
    assert empty.fitness("C-001") is Fitness.EMPTY
    assert full.fitness("C-001") is Fitness.VERIFIED


def test_the_new_records_go_on_counting_after_what_arrived(full: Store, empty: Store) -> None:
    arrive(empty, bag_of(full))
    assert empty.next_receipt_number() == "R-000005"
    nav = empty.unit("D-TEST", "NAV-1")
    made = card(empty, None, "sd:0009")
    _, (load,) = written(empty, made, empty.bundle("nav-2607"), nav)
    assert load.number == max(one.number for one in full.loads("D-TEST")) + 1
    assert load.state is LoadState.PREPARED
    empty.verify_log("D-TEST")


def test_two_aircraft_that_share_a_card_and_a_bundle_arrive_one_after_the_other(full: Store, empty: Store) -> None:
    arrive(empty, bag_of(full))
    arrive(empty, bag_of(full, "OE-TST"))
    assert [one.name for one in empty.aircraft_list()] == ["D-TEST", "OE-TST"]
    assert empty.log("OE-TST") == full.log("OE-TST")


def test_a_bundle_that_is_there_keeps_what_was_checked_of_it_there(full: Store, empty: Store) -> None:
    """The same files, had from another place: checked otherwise, without a signature, and still in the library."""
    taken_in(empty, bundle(checks=CHECKS[1:], source="/mine"))
    taken_in(empty, bundle("ours", kind=OBSTACLE))
    arrive(empty, bag_of(full))
    found = empty.bundle("nav-2607")
    assert (found.checks, found.signature, found.source) == (CHECKS[1:], None, "/mine")
    assert empty.bundle("ours").removed_at is None
    assert full.bundle("ours").removed_at == LATER


# --- the bag ---------------------------------------------------------------------------------------------------------


def test_another_program_finds_the_bag_valid(full: Store, tmp_path: Path) -> None:
    """Outside check: bagit-python reads the bag and proves every file of it."""
    write_bag(bag_of(full), tmp_path / "bag", name="D-TEST")
    found = bagit.Bag(str(tmp_path / "bag"))
    assert found.validate()
    assert found.info["External-Identifier"] == "D-TEST"
    assert {path.removeprefix("data/").removesuffix(".jsonl") for path in found.payload_entries()} == set(TABLES)


def test_the_zip_holds_one_folder_and_tells_no_time(full: Store, tmp_path: Path) -> None:
    write_bag(bag_of(full), tmp_path / "bag.zip", name="D-TEST")
    with zipfile.ZipFile(tmp_path / "bag.zip") as archive:
        assert archive.testzip() is None
        assert {member.filename.partition("/")[0] for member in archive.infolist()} == {"D-TEST"}
        assert {member.date_time for member in archive.infolist()} == {(1980, 1, 1, 0, 0, 0)}


def test_nothing_is_overwritten(full: Store, tmp_path: Path) -> None:
    bag = bag_of(full)
    for name in ("bag.zip", "bag"):
        write_bag(bag, tmp_path / name, name="D-TEST")
        with pytest.raises(OutputFailed, match="is there already"):
            write_bag(bag, tmp_path / name, name="D-TEST")
    with pytest.raises(OutputFailed, match="no folder"):
        write_bag(bag, tmp_path / "none" / "bag", name="D-TEST")
    assert sorted(path.name for path in tmp_path.iterdir() if "bag" in path.name) == ["bag", "bag.zip"]


def test_every_byte_of_the_bag_is_proven(full: Store) -> None:
    bag = bag_of(full)
    for path, content in bag.items():
        assert content
        for damaged in (content[:-1] + bytes([content[-1] ^ 1]), content + b"\n"):
            with pytest.raises(ImportInvalid):
                from_bag(bag | {path: damaged}, list(TABLES), form=SCHEMA_REVISION, name="x")
        with pytest.raises(ImportInvalid, match="is missing"):
            from_bag({name: one for name, one in bag.items() if name != path}, list(TABLES), form="0001", name="x")
    with pytest.raises(ImportInvalid, match=r"data/more\.jsonl does not belong there"):
        from_bag(bag | {"data/more.jsonl": b""}, list(TABLES), form=SCHEMA_REVISION, name="x")


def test_records_of_another_form_are_refused(full: Store) -> None:
    bag = to_bag(full.export_aircraft("D-TEST"), aircraft="D-TEST", form="9999")
    with pytest.raises(ImportInvalid, match="the form 9999"):
        from_bag(bag, list(TABLES), form=SCHEMA_REVISION, name="x")


@pytest.mark.parametrize("content", [b"", b"PK\x03\x04 no zip", b"\x00" * 100])
def test_what_is_no_bag_is_refused(tmp_path: Path, content: bytes) -> None:
    (tmp_path / "bag.zip").write_bytes(content)
    with pytest.raises(ImportInvalid, match="cannot be read as a bag"):
        read_bag(tmp_path / "bag.zip")
    with pytest.raises(ImportInvalid, match="No such file"):
        read_bag(tmp_path / "none")


def test_a_zip_that_would_fill_the_memory_is_refused_before_it_is_unpacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with zipfile.ZipFile(tmp_path / "bag.zip", "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("bag/bagit.txt", b"\x00" * 100_000)
    monkeypatch.setattr("mediaprep.bagfile.READ_BYTES_MAX", 99_999)
    with pytest.raises(ImportInvalid, match="100000 bytes"):
        read_bag(tmp_path / "bag.zip")


# --- what does not fit -----------------------------------------------------------------------------------------------


def test_an_aircraft_that_is_not_there_is_not_exported(store: Store) -> None:
    with pytest.raises(NotFound):
        store.export_aircraft("D-NONE")


def test_a_logbook_that_was_edited_is_neither_exported_nor_taken_in(full: Store, empty: Store) -> None:
    def rewrite(rows: list[dict[str, object]]) -> None:
        rows[1]["body"] = str(rows[1]["body"]).replace("C-001", "C-002")

    with pytest.raises(LogbookBroken, match="entry 2"):
        arrive(empty, edited(bag_of(full), "logbook", rewrite))
    assert empty.aircraft_list() == ()
    with full._database.writing() as connection:
        connection.exec_driver_sql("UPDATE logbook SET body = replace(body, 'C-001', 'C-002') WHERE sequence = 2")
    with pytest.raises(LogbookBroken, match="entry 2"):
        full.export_aircraft("D-TEST")


def another_load(store: Store) -> None:
    store.add_aircraft(Aircraft("OE-XYZ"))
    mine = store.add_unit(unit(aircraft="OE-XYZ"))
    written(store, card(store, "MINE", "sd:9"), taken_in(store, bundle("mine")), mine)


@pytest.mark.parametrize(
    ("prepare", "told"),
    [
        (lambda store: store.add_aircraft(Aircraft("D-TEST")), "an aircraft D-TEST already"),
        (lambda store: taken_in(store, bundle("nav-2607", files=4)), "a bundle nav-2607 that is another"),
        (lambda store: card(store, "C-001", "sd:another"), "a card C-001 that is another"),
        (lambda store: card(store, "MINE", "sd:0001"), "a card MINE that is another"),
        (lambda store: store.save_rule(MediaRule("small", "another")), "a media rule small that is another"),
        (lambda store: store.save_kind(replace(NAVIGATION, title="mine")), "a data kind navigation that is another"),
        (another_load, "a load 1 already"),
    ],
)
def test_what_is_there_and_differs_is_named_and_nothing_is_taken_in(
    full: Store, empty: Store, prepare: Callable[[Store], object], told: str
) -> None:
    prepare(empty)
    before = everything(empty)
    with pytest.raises(ImportInvalid, match=told):
        arrive(empty, bag_of(full))
    assert everything(empty) == before


def test_a_receipt_of_the_same_number_that_proves_something_else_is_named(full: Store, empty: Store) -> None:
    proof = receipt(empty, card(empty, "MINE", "sd:9"), taken_in(empty, bundle("mine")))
    with empty._database.writing() as connection:
        from mediaprep.records.receipts import insert_receipt

        insert_receipt(connection, 1, proof)
    with pytest.raises(ImportInvalid, match="a receipt R-000001 that is another"):
        arrive(empty, bag_of(full))


def everything(store: Store) -> object:
    from mediaprep.records.tables import metadata

    with store._database.reading() as connection:
        return {
            name: sorted(map(repr, connection.exec_driver_sql(f"SELECT * FROM {name}").all()))  # noqa: S608
            for name in metadata.tables
        }


def change(member: str, value: object) -> Callable[[list[dict[str, object]]], None]:
    def edit(rows: list[dict[str, object]]) -> None:
        rows[0][member] = value

    return edit


@pytest.mark.parametrize(
    ("table", "edit", "told"),
    [
        ("units", change("aircraft", "OTHER"), "names the aircraft 'OTHER'"),
        ("units", change("position", "first"), "has in 'position' what cannot stand there"),
        ("units", change("title", None), "has nothing in 'title'"),
        ("units", change("colour", "red"), "has the unknown member 'colour'"),
        ("units", lambda rows: rows[0].pop("title"), "lacks the member 'title'"),
        ("units", lambda rows: rows[0].pop("name"), "lacks 'name'"),
        ("units", change("name", "a/b"), "cannot be the name of a unit"),
        ("data_kinds", change("scheme", "now and then"), "now and then"),
        ("media_rules", change("families", ["SDZZ"]), "SDZZ"),
        ("media_rules", change("families", "SDHC"), "has in 'families' what cannot stand there"),
        ("bundles", change("taken_in_at", "yesterday"), "yesterday"),
        ("bundle_checks", change("algorithm", "sha-none"), "sha-none"),
        ("load_events", change("state", "lost"), "lost"),
        ("receipts", change("body", "{}"), "a row lacks 'readback'"),
        ("cards", change("simulated", "yes"), "has in 'simulated' what cannot stand there"),
        ("cards", change("capacity_bytes", True), "has in 'capacity_bytes' what cannot stand there"),
    ],
)
def test_rows_that_make_no_sense_are_refused_whole(
    full: Store, file_store: Store, table: str, edit: Callable[[list[dict[str, object]]], None], told: str
) -> None:
    before = everything(file_store)
    with pytest.raises(MediaPrepError, match=told):
        arrive(file_store, edited(bag_of(full), table, edit))
    assert everything(file_store) == before


def test_the_lines_of_the_bag_are_json_of_one_form(full: Store) -> None:
    bag = bag_of(full)
    for path, content in bag.items():
        if path.startswith("data/"):
            for line in content.decode().splitlines():
                assert json.dumps(json.loads(line), sort_keys=True, separators=(",", ":"), ensure_ascii=False) == line
    lines = bag["manifest-sha256.txt"].decode().splitlines()
    assert lines[0] == f"{hashlib.sha256(bag['data/aircraft.jsonl']).hexdigest()}  data/aircraft.jsonl"
