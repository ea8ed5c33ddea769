"""What every card promises, whatever it is: one suite over the shipped fakes and over real volumes."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, fields
from pathlib import Path

import pytest

from mediaprep.devices import list_cards, open_card
from mediaprep.devices.folder import FolderCard
from mediaprep.devices.mounted import MountedCard
from mediaprep.devices.simulated import SimulatedCard
from mediaprep.errors import CardFull, CardGone, NotFound, ReadbackFailed, TargetUnsafe, Usage, WriteFailed
from mediaprep.model import CardFacts, DataEvidence, FileSystem, Known, StructureEvidence, Unknown
from mediaprep.ports import CardAccess
from tests.contract.volumes import MIB, loop_volume, memory_volume
from tests.tools import run


@dataclass(frozen=True)
class Case:
    """A card to try, the folder in which its files lie as themselves, and what it may prove."""

    card: CardAccess
    files: Path
    data: frozenset[DataEvidence]
    structure: frozenset[StructureEvidence]
    has_view: bool = False


# `looked at` is the folder on a system that cannot open files relative to a folder's descriptor (Windows).
# `raw` is a described card whose raw device can be read.
FORMS = ("described", "raw", "folder", "looked at", "loop", "memory")


@pytest.fixture(params=FORMS)
def case(request: pytest.FixtureRequest, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Case]:
    if request.param == "looked at":
        monkeypatch.setattr("mediaprep.devices.tree._RELATIVE", False)
    yield from make_case(request.param, tmp_path)


@pytest.fixture(params=["described", "loop", "memory"])
def small_case(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Case]:
    """Every form that can be filled without filling the computer's own disk."""
    yield from make_case(request.param, tmp_path)


def make_case(form: str, tmp_path: Path) -> Iterator[Case]:
    every, remounted = frozenset(DataEvidence), frozenset({StructureEvidence.REMOUNTED})
    if form in {"described", "raw"}:
        card = SimulatedCard.make(
            tmp_path / "card",
            capacity_bytes=4 * MIB,
            cluster_bytes=4096,
            file_system=FileSystem.FAT16,
            label="CONTRACT",
            reads_raw=form == "raw",
        )
        yield Case(card, card.volume, frozenset({DataEvidence.DIRECT}), remounted, has_view=form == "raw")
    elif form in {"folder", "looked at"}:
        folder = tmp_path / "plain"
        folder.mkdir()
        yield Case(open_card(folder), folder, every, remounted)
    elif form == "loop":
        with loop_volume(tmp_path) as volume:
            yield Case(open_card(volume.mount_point), volume.mount_point, frozenset({DataEvidence.DIRECT}), remounted)
    else:
        with memory_volume(tmp_path) as place:
            cached, assumed = frozenset({DataEvidence.CACHED}), frozenset({StructureEvidence.ASSUMED})
            yield Case(open_card(place), place, cached, assumed)


def put(card: CardAccess, path: str, content: bytes) -> None:
    writer = card.create(path)
    try:
        for start in range(0, len(content), 300_000):
            writer.write(content[start : start + 300_000])
        writer.sync()
    finally:
        writer.close()


def get(card: CardAccess, path: str) -> bytes:
    reading = card.read(path)
    try:
        return b"".join(reading)
    finally:
        reading.close()


def paths(card: CardAccess) -> list[str]:
    """All that is on a card, but for the folder that ext4 makes for itself."""
    return [entry.path for entry in card.entries() if entry.path != "lost+found"]


# --- files -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("size", [0, 1, 511, 512, 513, MIB, MIB + 1, 2 * MIB + 4095])
def test_what_was_written_is_read_back_byte_for_byte(case: Case, size: int) -> None:
    content = os.urandom(size)
    put(case.card, "some.dat", content)
    case.card.flush()
    assert case.card.remount() in case.structure
    reading = case.card.read("some.dat")
    chunks = list(reading)
    reading.close()
    reading.close()  # letting go twice does no harm
    assert b"".join(chunks) == content
    assert all(chunks)
    assert reading.evidence in case.data
    assert (case.files / "some.dat").read_bytes() == content


def test_a_view_of_the_medium_shows_what_was_written(case: Case) -> None:
    case.card.make_folder("folder")
    put(case.card, "folder/some.dat", b"content" * 1000)
    put(case.card, "other.dat", b"")
    view = case.card.medium_view()
    assert (view is not None) == case.has_view
    if view is None:
        return
    listed = {(entry.path, entry.size_bytes, entry.is_folder) for entry in view.entries()}
    assert listed == {("folder", 0, True), ("folder/some.dat", 7000, False), ("other.dat", 0, False)}
    assert view.problems == {}
    before = case.card.medium_bytes_read()
    reading = view.read("folder/some.dat")
    assert b"".join(reading) == b"content" * 1000
    assert reading.evidence is DataEvidence.DIRECT
    reading.close()
    after = case.card.medium_bytes_read()
    assert before is not None
    assert after is not None
    assert after - before >= 7000
    view.close()


def test_the_devices_counter_covers_what_was_read_from_it(case: Case) -> None:
    put(case.card, "some.dat", os.urandom(MIB))
    case.card.flush()
    case.card.remount()
    before = case.card.medium_bytes_read()
    reading = case.card.read("some.dat")
    assert len(b"".join(reading)) == MIB
    reading.close()
    after = case.card.medium_bytes_read()
    if reading.evidence is DataEvidence.CACHED:
        assert before is None
    else:
        assert before is not None
        assert after is not None
        assert after - before >= MIB


def test_creating_a_file_again_empties_it(case: Case) -> None:
    put(case.card, "some.dat", b"a long first content")
    put(case.card, "some.dat", b"short")
    assert get(case.card, "some.dat") == b"short"


def test_a_rename_replaces_what_has_the_name(case: Case) -> None:
    put(case.card, "some.dat", b"old")
    put(case.card, "some.dat.part", b"new")
    case.card.rename("some.dat.part", "some.dat")
    assert get(case.card, "some.dat") == b"new"
    assert paths(case.card) == ["some.dat"]


def test_a_rename_stays_in_its_folder(case: Case) -> None:
    case.card.make_folder("one")
    put(case.card, "one/some.dat", b"x")
    with pytest.raises(ValueError, match="not in one folder"):
        case.card.rename("one/some.dat", "some.dat")
    assert paths(case.card) == ["one", "one/some.dat"]


def test_folders_come_before_what_is_in_them(case: Case) -> None:
    for folder in ("nav", "nav/deep", "nav/deep/er", "maps"):
        case.card.make_folder(folder)
    case.card.make_folder("nav")  # no error the second time
    put(case.card, "nav/deep/er/some.dat", b"12345")
    put(case.card, "a.dat", b"")
    entries = {entry.path: entry for entry in case.card.entries()}
    order = list(entries)
    assert set(order) - {"lost+found"} == {"nav", "nav/deep", "nav/deep/er", "maps", "nav/deep/er/some.dat", "a.dat"}
    assert all(order.index(path.rpartition("/")[0]) < order.index(path) for path in order if "/" in path)
    assert (entries["nav"].is_folder, entries["nav"].size_bytes) == (True, 0)
    assert (entries["nav/deep/er/some.dat"].is_folder, entries["nav/deep/er/some.dat"].size_bytes) == (False, 5)


@pytest.mark.parametrize(
    "name", ["with blanks in it.dat", "Überflug – Ärmel.dat", "滑走路.dat", "e\u0301.dat", "🛬.dat"]
)
def test_names_keep_their_letters(case: Case, name: str) -> None:
    put(case.card, name, b"x")
    case.card.flush()
    case.card.remount()
    assert paths(case.card) == [name]
    assert get(case.card, name) == b"x"


def test_removing_takes_files_and_empty_folders_alone(case: Case) -> None:
    case.card.make_folder("nav")
    put(case.card, "nav/some.dat", b"x")
    case.card.remove_folder("nav")
    assert paths(case.card) == ["nav", "nav/some.dat"]
    case.card.remove("nav/some.dat")
    case.card.remove("nav/some.dat")
    case.card.remove("never/was.dat")
    case.card.remove_folder("nav")
    case.card.remove_folder("nav")
    assert paths(case.card) == []


def test_an_open_writer_is_let_go_without_an_error(case: Case) -> None:
    writer = case.card.create("some.dat")
    writer.write(b"x")
    writer.close()
    writer.close()
    assert get(case.card, "some.dat") == b"x"


def test_what_is_not_there_cannot_be_read(case: Case) -> None:
    with pytest.raises(ReadbackFailed, match=r"never\.dat"):
        case.card.read("never.dat")


def test_a_folder_that_is_missing_is_named(case: Case) -> None:
    with pytest.raises(WriteFailed, match=r"never/some\.dat"):
        case.card.create("never/some.dat")
    with pytest.raises(WriteFailed, match="never/deep"):
        case.card.make_folder("never/deep")


def test_a_file_in_a_folders_place_is_left_alone(case: Case) -> None:
    put(case.card, "nav", b"x")
    with pytest.raises(WriteFailed, match="nav"):
        case.card.make_folder("nav")
    with pytest.raises(WriteFailed, match=r"nav/some\.dat"):
        case.card.create("nav/some.dat")
    assert get(case.card, "nav") == b"x"


def test_a_folder_in_a_files_place_is_left_alone(case: Case) -> None:
    case.card.make_folder("nav")
    put(case.card, "nav.part", b"x")
    with pytest.raises(WriteFailed, match="nav"):
        case.card.create("nav")
    with pytest.raises(WriteFailed, match="nav"):
        case.card.rename("nav.part", "nav")
    with pytest.raises(WriteFailed, match="nav"):
        case.card.remove("nav")
    assert paths(case.card) == ["nav", "nav.part"]


# --- room ------------------------------------------------------------------------------------------------------------


def test_a_full_card_says_so_and_names_the_file(small_case: Case) -> None:
    card = small_case.card
    writer = card.create("much.dat")
    chunk = os.urandom(300_000)
    written = 0

    def fill() -> None:
        nonlocal written
        for _ in range(100):
            writer.write(chunk)
            # A file system may learn only now that it promised too much.
            writer.sync()
            written += len(chunk)

    with pytest.raises(CardFull, match=r"much\.dat"):
        fill()
    writer.close()
    assert written > MIB
    card.remove("much.dat")
    put(card, "much.dat", chunk)
    assert get(card, "much.dat") == chunk


def test_free_room_shrinks_by_what_is_written(small_case: Case) -> None:
    def free() -> int:
        fact = small_case.card.facts().free_bytes
        assert isinstance(fact, Known)
        return fact.value

    before = free()
    put(small_case.card, "some.dat", os.urandom(MIB))
    small_case.card.flush()
    assert MIB <= before - free() < MIB + 65_536


# --- nothing leads out -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path", ["../out.dat", "/out.dat", "nav/../../out.dat", "./out.dat", "nav//out.dat", "", "a\0b"]
)
def test_a_path_that_leads_out_is_refused(case: Case, path: str) -> None:
    case.card.make_folder("nav")
    put(case.card, "in.dat", b"x")
    for attempt in (
        lambda: case.card.create(path),
        lambda: case.card.read(path),
        lambda: case.card.make_folder(path),
        lambda: case.card.remove(path),
        lambda: case.card.remove_folder(path),
    ):
        with pytest.raises(TargetUnsafe):
            attempt()
    assert paths(case.card) == ["in.dat", "nav"]


def test_links_on_a_card_are_listed_and_never_followed(case: Case, tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    (outside / "precious.dat").write_bytes(b"precious")
    (case.files / "folder-link").symlink_to(outside)
    (case.files / "file-link").symlink_to(outside / "precious.dat")
    (case.files / "dead-link").symlink_to(outside / "not-yet.dat")
    assert [
        (entry.path, entry.is_folder, entry.size_bytes) for entry in case.card.entries() if "link" in entry.path
    ] == [
        ("dead-link", False, 0),
        ("file-link", False, 0),
        ("folder-link", False, 0),
    ]
    for attempt in (
        lambda: case.card.create("file-link"),
        lambda: case.card.create("dead-link"),
        lambda: case.card.create("folder-link/new.dat"),
        lambda: case.card.read("file-link"),
        lambda: case.card.read("folder-link/precious.dat"),
        lambda: case.card.make_folder("folder-link"),
        lambda: case.card.make_folder("folder-link/new"),
        lambda: case.card.remove("folder-link/precious.dat"),
        lambda: case.card.remove_folder("folder-link"),
        lambda: case.card.rename("folder-link/precious.dat", "folder-link/other.dat"),
    ):
        with pytest.raises(TargetUnsafe):
            attempt()
    assert [path.name for path in outside.iterdir()] == ["precious.dat"]
    assert (outside / "precious.dat").read_bytes() == b"precious"


def test_a_pipe_on_a_card_is_listed_and_never_opened(case: Case) -> None:
    os.mkfifo(case.files / "pipe")
    assert "pipe" in paths(case.card)
    with pytest.raises(TargetUnsafe):
        case.card.read("pipe")
    with pytest.raises(TargetUnsafe):
        case.card.create("pipe")


def test_a_file_with_a_second_name_is_never_written_into(case: Case) -> None:
    (case.files / "first.dat").write_bytes(b"precious")
    (case.files / "second.dat").hardlink_to(case.files / "first.dat")
    with pytest.raises(TargetUnsafe, match="second name"):
        case.card.create("second.dat")
    assert get(case.card, "first.dat") == b"precious"


def test_names_that_are_no_text_are_listed_all_the_same(case: Case) -> None:
    (case.files / os.fsdecode(b"odd\xff.dat")).write_bytes(b"x")
    assert paths(case.card) == ["odd\\xff.dat"]


# --- facts -----------------------------------------------------------------------------------------------------------


def test_every_fact_is_known_or_says_why_not(case: Case) -> None:
    facts = case.card.facts()
    assert facts.simulated
    assert isinstance(facts.identity, Known)
    assert isinstance(facts.insertion, Known)
    assert facts.system_use == Known((), facts.system_use.source if isinstance(facts.system_use, Known) else "")
    for field in fields(CardFacts):
        fact = getattr(facts, field.name)
        if isinstance(fact, Known):
            assert fact.source, field.name
        elif field.name not in {"target", "simulated"}:
            assert isinstance(fact, Unknown)
            assert fact.reason, field.name


def test_facts_stay_the_same_over_a_remount(case: Case) -> None:
    put(case.card, "some.dat", b"x")
    case.card.flush()
    before = case.card.facts()
    case.card.remount()
    after = case.card.facts()
    assert (before.insertion, before.identity, before.mount_options) == (
        after.insertion,
        after.identity,
        after.mount_options,
    )


def test_another_object_of_the_same_card_sees_the_same(case: Case) -> None:
    put(case.card, "some.dat", b"x")
    again = open_card(Path(case.card.facts().target))
    assert type(again) is type(case.card)
    assert again.facts().identity == case.card.facts().identity
    assert get(again, "some.dat") == b"x"


# --- which form a path opens -----------------------------------------------------------------------------------------


def test_a_path_opens_as_what_lies_there(tmp_path: Path) -> None:
    SimulatedCard.make(tmp_path / "card", capacity_bytes=MIB)
    assert isinstance(open_card(tmp_path / "card"), SimulatedCard)
    assert isinstance(open_card(tmp_path), FolderCard)
    assert isinstance(open_card(Path("/")), MountedCard)


@pytest.mark.parametrize("name", ["missing", "file"])
def test_what_is_no_folder_is_no_card(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_bytes(b"")
    with pytest.raises(NotFound, match=name):
        open_card(tmp_path / name)


def test_a_description_that_cannot_be_read_is_named(tmp_path: Path) -> None:
    (tmp_path / "simulated-card.json").write_text('{"identity": 5}')
    with pytest.raises(Usage, match=r"simulated-card\.json"):
        open_card(tmp_path)


def test_a_folder_that_is_gone_is_a_card_that_is_gone(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    card = open_card(tmp_path / "card")
    (tmp_path / "card").rmdir()
    for attempt in (
        card.facts,
        lambda: list(card.entries()),
        lambda: card.create("some.dat"),
        lambda: card.read("some.dat"),
        lambda: card.remove("some.dat"),
        card.flush,
        card.remount,
    ):
        with pytest.raises(CardGone):
            attempt()


def test_where_a_card_was_unmounted_nothing_is_written(tmp_path: Path) -> None:
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        put(card, "some.dat", b"x")
        run("umount", volume.mount_point)
        for attempt in (
            card.facts,
            lambda: list(card.entries()),
            lambda: card.create("lost.dat"),
            lambda: card.remove("some.dat"),
            lambda: card.read("some.dat"),
            card.flush,
            card.remount,
        ):
            with pytest.raises(CardGone):
                attempt()
        assert list(volume.mount_point.iterdir()) == []


def test_cards_in_readers_hold_nothing_of_the_system() -> None:
    for card in list_cards():
        facts = card.facts()
        assert isinstance(facts.removable, Known)
        assert facts.removable.value
        assert isinstance(facts.system_use, Known)
        assert facts.system_use.value == ()


def test_the_systems_own_disk_is_never_a_card() -> None:
    facts = open_card(Path("/")).facts()
    assert isinstance(facts.system_use, Known)
    assert "is the root folder" in facts.system_use.value
