"""Every fault a simulated card can be told to have, and the rules of the file systems it plays."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from mediaprep.devices import open_card
from mediaprep.devices.script import (
    EndsEarly,
    Fault,
    FlippedBit,
    FullAfter,
    LosesPower,
    LyingWrite,
    Slow,
    Unflushed,
    VanishesAfterReading,
    VanishesAfterWriting,
)
from mediaprep.devices.simulated import SimulatedCard
from mediaprep.errors import (
    CardFull,
    CardGone,
    CardReadOnly,
    CardRefusesName,
    RecordExists,
    TargetUnsafe,
    Usage,
)
from mediaprep.model import DataEvidence, FileSystem, Known, StructureEvidence
from tests.contract.test_card_contract import get, paths, put

MIB = 2**20
KIB = 2**10


@pytest.fixture
def card(tmp_path: Path) -> SimulatedCard:
    return SimulatedCard.make(tmp_path / "card", capacity_bytes=8 * MIB, cluster_bytes=4 * KIB)


def free(card: SimulatedCard) -> int:
    fact = card.facts().free_bytes
    assert isinstance(fact, Known)
    return fact.value


# --- going away ------------------------------------------------------------------------------------------------------


def test_a_card_that_was_taken_out_is_gone_until_it_is_put_in(card: SimulatedCard) -> None:
    put(card, "some.dat", b"x")
    before = card.facts().insertion
    card.take_out()
    for attempt in (
        card.facts,
        lambda: list(card.entries()),
        lambda: card.create("some.dat"),
        lambda: card.make_folder("nav"),
        lambda: card.rename("some.dat", "other.dat"),
        lambda: card.remove("some.dat"),
        lambda: card.remove_folder("nav"),
        lambda: card.read("some.dat"),
        card.flush,
        card.remount,
    ):
        with pytest.raises(CardGone, match="vanished"):
            attempt()
    card.put_in()
    assert card.facts().insertion != before
    assert get(card, "some.dat") == b"x"


def test_another_process_sees_that_it_was_taken_out(card: SimulatedCard, tmp_path: Path) -> None:
    card.take_out()
    other = SimulatedCard.open(tmp_path / "card")
    with pytest.raises(CardGone):
        other.facts()
    other.put_in()
    assert card.facts().insertion == other.facts().insertion


def test_a_card_whose_folder_was_deleted_is_gone(card: SimulatedCard, tmp_path: Path) -> None:
    shutil.rmtree(tmp_path / "card")
    for attempt in (card.facts, lambda: list(card.entries()), lambda: card.create("some.dat"), card.flush):
        with pytest.raises(CardGone):
            attempt()


def test_it_vanishes_after_so_many_bytes_written_and_only_once(card: SimulatedCard) -> None:
    card.script(VanishesAfterWriting(1000))
    put(card, "first.dat", b"1" * 600)
    writer = card.create("second.dat")
    with pytest.raises(CardGone, match=r"second\.dat"):
        writer.write(b"2" * 600)
    with pytest.raises(CardGone):
        writer.sync()
    writer.close()
    card.put_in()
    assert get(card, "first.dat") == b"1" * 600
    assert get(card, "second.dat") == b"2" * 400
    put(card, "second.dat", b"2" * 600)
    assert get(card, "second.dat") == b"2" * 600


def test_it_vanishes_after_so_many_bytes_read(card: SimulatedCard) -> None:
    put(card, "first.dat", b"1" * 600)
    put(card, "second.dat", b"2" * 600)
    card.script(VanishesAfterReading(1000))
    assert get(card, "first.dat") == b"1" * 600
    with pytest.raises(CardGone, match=r"second\.dat"):
        get(card, "second.dat")
    with pytest.raises(CardGone):
        card.facts()


@pytest.mark.parametrize(
    ("unflushed", "after"),
    [
        (Unflushed.KEPT, {"flushed.dat": 10, "open.dat.part": 5, "renamed.dat": 10}),
        (Unflushed.EMPTY, {"flushed.dat": 10, "open.dat.part": 0, "renamed.dat": 0}),
        (Unflushed.GONE, {"flushed.dat": 10}),
    ],
)
def test_when_power_fails_what_was_not_flushed_is_lost(
    card: SimulatedCard, unflushed: Unflushed, after: dict[str, int]
) -> None:
    card.script(LosesPower(25, unflushed))
    put(card, "flushed.dat", b"1" * 10)
    card.flush()
    put(card, "renamed.dat.part", b"2" * 10)
    card.rename("renamed.dat.part", "renamed.dat")
    writer = card.create("open.dat.part")
    with pytest.raises(CardGone):
        writer.write(b"3" * 10)
    writer.close()
    card.put_in()
    assert {entry.path: entry.size_bytes for entry in card.entries()} == after


def test_a_kill_of_the_process_loses_nothing(card: SimulatedCard, tmp_path: Path) -> None:
    script = (
        "import os, signal, sys; from pathlib import Path; from mediaprep.devices import open_card;"
        "writer = open_card(Path(sys.argv[1])).create('some.dat.part');"
        "writer.write(b'12345'); os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", script, tmp_path / "card"], check=False)
    assert get(card, "some.dat.part") == b"12345"


# --- room ------------------------------------------------------------------------------------------------------------


def test_it_can_say_full_before_it_is(card: SimulatedCard) -> None:
    card.script(FullAfter(1000))
    put(card, "first.dat", b"1" * 1000)
    writer = card.create("second.dat")
    with pytest.raises(CardFull, match=r"second\.dat"):
        writer.write(b"2")
    writer.close()


def test_what_still_fits_is_written_before_it_is_full(card: SimulatedCard, tmp_path: Path) -> None:
    card.script(FullAfter(1000))
    writer = card.create("some.dat")
    with pytest.raises(CardFull):
        writer.write(b"1" * 5000)
    writer.close()
    assert get(card, "some.dat") == b"1" * 1000


def test_room_is_counted_in_clusters_of_files_and_folders(card: SimulatedCard) -> None:
    before = free(card)
    put(card, "a.dat", b"")
    assert before - free(card) == 0
    put(card, "b.dat", b"1")
    assert before - free(card) == 4 * KIB
    card.make_folder("nav")
    assert before - free(card) == 8 * KIB
    put(card, "b.dat", b"1" * (4 * KIB + 1))
    assert before - free(card) == 12 * KIB
    # 128 entries of 32 bytes fill a cluster: 2 of the folder itself, then 2 for each of these names in lower case.
    for number in range(63):
        put(card, f"nav/{number}.dat", b"")
    assert before - free(card) == 12 * KIB
    put(card, "nav/63.dat", b"")
    assert before - free(card) == 16 * KIB
    for entry in list(card.entries()):
        if not entry.is_folder:
            card.remove(entry.path)
    card.remove_folder("nav")
    assert free(card) == before


def test_the_count_kept_while_writing_is_that_of_looking_again(card: SimulatedCard, tmp_path: Path) -> None:
    card.make_folder("nav")
    put(card, "nav/some.dat.part", b"1" * 10_000)
    card.rename("nav/some.dat.part", "nav/some.dat")
    put(card, "nav/other.dat", b"1" * 20_000)
    card.rename("nav/other.dat", "nav/some.dat")
    put(card, "nav/gone.dat", b"1" * 30_000)
    card.remove("nav/gone.dat")
    kept = card._allocation.free_bytes
    assert free(SimulatedCard.open(tmp_path / "card")) == kept


def test_a_fixed_root_folder_fills_up(tmp_path: Path) -> None:
    # 16 entries, one of them the label: 15 upper-case 8.3 names fit (mkfs.fat -r 16 with a label, run by the author).
    card = SimulatedCard.make(
        tmp_path / "card",
        capacity_bytes=8 * MIB,
        cluster_bytes=4 * KIB,
        file_system=FileSystem.FAT16,
        root_entries=16,
        label="CARD",
    )
    for number in range(15):
        put(card, f"{number}.DAT", b"")
    with pytest.raises(CardFull, match=r"15\.DAT"):
        card.create("15.DAT")
    with pytest.raises(CardFull, match="NAV"):
        card.make_folder("NAV")
    card.remove("0.DAT")
    card.make_folder("NAV")
    put(card, "NAV/15.DAT", b"")


# --- what the medium holds -------------------------------------------------------------------------------------------


def cached(tmp_path: Path, *faults: Fault) -> SimulatedCard:
    return SimulatedCard.make(
        tmp_path / "cached", capacity_bytes=8 * MIB, data_evidence=DataEvidence.CACHED, faults=faults
    )


def test_a_flipped_bit_shows_in_the_byte_it_is_in(card: SimulatedCard) -> None:
    card.script(FlippedBit("nav/some.dat", MIB + 5, bit=3))
    card.make_folder("nav")
    put(card, "nav/some.dat.part", bytes(2 * MIB))
    card.rename("nav/some.dat.part", "nav/some.dat")
    put(card, "other.dat", bytes(2 * MIB))
    expected = bytearray(2 * MIB)
    expected[MIB + 5] = 8
    assert get(card, "nav/some.dat") == bytes(expected)
    assert get(card, "other.dat") == bytes(2 * MIB)


def test_a_lying_write_reports_success_and_leaves_zeros(card: SimulatedCard) -> None:
    card.script(LyingWrite("some.dat", MIB - 2, 4))
    put(card, "some.dat", b"1" * (MIB + 10))
    card.flush()
    assert get(card, "some.dat") == b"1" * (MIB - 2) + bytes(4) + b"1" * 8


@pytest.mark.parametrize("fault", [FlippedBit("some.dat", 2), LyingWrite("some.dat", 2, 1)])
def test_a_read_from_memory_does_not_see_what_the_medium_holds(tmp_path: Path, fault: Fault) -> None:
    card = cached(tmp_path, fault)
    put(card, "some.dat.part", b"good!")
    card.rename("some.dat.part", "some.dat")
    assert get(card, "some.dat") == b"good!"
    assert card.medium_bytes_read() == 0
    assert card.remount() is StructureEvidence.REMOUNTED
    assert get(card, "some.dat") != b"good!"
    assert card.medium_bytes_read() == 5
    reading = card.read("some.dat")
    reading.close()
    assert reading.evidence is DataEvidence.CACHED


def test_memory_is_forgotten_when_the_card_is_put_in_again(tmp_path: Path) -> None:
    card = cached(tmp_path, FlippedBit("some.dat", 2))
    put(card, "some.dat", b"good!")
    card.take_out()
    card.put_in()
    assert get(card, "some.dat") != b"good!"


def test_reading_may_end_early_without_an_error(card: SimulatedCard) -> None:
    put(card, "some.dat", b"1" * 1000)
    card.script(EndsEarly("some.dat", 400))
    assert get(card, "some.dat") == b"1" * 400


def test_a_card_that_cannot_be_mounted_again_says_so(tmp_path: Path) -> None:
    card = SimulatedCard.make(tmp_path / "card", capacity_bytes=MIB, remounts=False)
    assert card.remount() is StructureEvidence.ASSUMED


def test_a_slow_card_takes_its_time(tmp_path: Path) -> None:
    slept: list[float] = []
    card = SimulatedCard.make(tmp_path / "card", capacity_bytes=8 * MIB, faults=(Slow(1_000_000),), sleep=slept.append)
    put(card, "some.dat", bytes(2_500_000))
    assert sum(slept) == pytest.approx(2.5)
    get(card, "some.dat")
    assert sum(slept) == pytest.approx(5.0)


# --- rules -----------------------------------------------------------------------------------------------------------


def test_a_locked_card_takes_no_change(tmp_path: Path) -> None:
    card = SimulatedCard.make(tmp_path / "card", capacity_bytes=MIB, read_only=True)
    (card.volume / "some.dat").write_bytes(b"x")
    assert card.facts().read_only == Known(True, "simulated card")
    for attempt in (
        lambda: card.create("new.dat"),
        lambda: card.make_folder("nav"),
        lambda: card.rename("some.dat", "other.dat"),
        lambda: card.remove("some.dat"),
        lambda: card.remove_folder("nav"),
    ):
        with pytest.raises(CardReadOnly):
            attempt()
    assert get(card, "some.dat") == b"x"


@pytest.mark.parametrize("name", ["a:b.dat", "CON.txt", "trailing.", "what?.dat", "n" * 256])
def test_names_that_fat_refuses_are_refused(card: SimulatedCard, name: str) -> None:
    put(card, "plain.dat.part", b"x")
    for attempt in (
        lambda: card.create(name),
        lambda: card.make_folder(name),
        lambda: card.rename("plain.dat.part", name),
    ):
        with pytest.raises(CardRefusesName):
            attempt()
    assert paths(card) == ["plain.dat.part"]


def test_a_name_that_just_fits_with_its_temporary_ending_is_taken(card: SimulatedCard) -> None:
    # 256 characters is the longest path on FAT, and `.part` counts.
    folder = "f" * 200
    card.make_folder(folder)
    path = f"{folder}/{'n' * 50}"
    put(card, f"{path}.part", b"x")
    card.rename(f"{path}.part", path)
    assert get(card, path) == b"x"


def test_upper_and_lower_case_are_one_name_on_fat(card: SimulatedCard) -> None:
    card.make_folder("Nav")
    put(card, "NAV/Some.dat", b"old")
    put(card, "nav/SOME.DAT", b"new")
    assert paths(card) == ["Nav", "Nav/Some.dat"]
    assert get(card, "nAV/sOME.dat") == b"new"
    put(card, "nav/some.dat.PART", b"newer")
    card.rename("nav/some.dat.part", "NAV/SOME.dat")
    assert paths(card) == ["Nav", "Nav/Some.dat"]
    card.remove("NAV/SOME.DAT")
    card.remove_folder("NAV")
    assert paths(card) == []


def test_upper_and_lower_case_are_two_names_elsewhere(tmp_path: Path) -> None:
    card = SimulatedCard.make(tmp_path / "card", capacity_bytes=MIB, file_system=FileSystem.OTHER)
    put(card, "some.dat", b"1")
    put(card, "SOME.DAT", b"2")
    assert get(card, "some.dat") == b"1"
    assert paths(card) == ["SOME.DAT", "some.dat"]


def test_a_file_may_not_grow_beyond_what_fat_can_say(tmp_path: Path) -> None:
    card = SimulatedCard.make(tmp_path / "card", capacity_bytes=16 * 10**9)
    writer = card.create("large.dat")
    # A file with a hole stands for 4 GiB - 1 that were written.
    with (card.volume / "large.dat").open("r+b") as file:
        file.truncate(2**32 - 1)
    card.facts()
    with pytest.raises(CardRefusesName, match=r"large\.dat"):
        writer.write(b"x")
    writer.close()


# --- the description -------------------------------------------------------------------------------------------------

EVERY_FAULT: tuple[Fault, ...] = (
    FullAfter(1),
    VanishesAfterWriting(2, Unflushed.GONE),
    VanishesAfterReading(3),
    LosesPower(4),
    FlippedBit("a", 5, 6),
    LyingWrite("b", 7, 8),
    EndsEarly("c", 9),
    Slow(10),
)


def test_a_description_comes_back_from_its_file(card: SimulatedCard, tmp_path: Path) -> None:
    card.script(*EVERY_FAULT)
    again = SimulatedCard.open(tmp_path / "card")
    assert again._description == card._description
    assert again._description.faults == EVERY_FAULT


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"capacity_bytes": "8GB"}, "8GB"),
        ({"capacity_bytes": -1}, "-1"),
        ({"cluster_bytes": 0}, "clusters of 0"),
        ({"file_system": "fat99"}, "fat99"),
        ({"colour": "blue"}, "colour"),
        ({"read_only": "no"}, "no"),
        ({"faults": [{"fault": "hiccup"}]}, "flipped-bit"),
        ({"faults": [{"fault": "full-after", "bytes": 1}]}, "bytes"),
        ({"faults": [{"fault": "slow", "bytes_per_second": 0}]}, "bytes_per_second"),
        ({"faults": {}}, "faults"),
    ],
)
def test_what_is_wrong_in_a_description_is_named(
    card: SimulatedCard, tmp_path: Path, change: dict[str, object], named: str
) -> None:
    file = tmp_path / "card/simulated-card.json"
    file.write_text(json.dumps(json.loads(file.read_text()) | change))
    with pytest.raises(Usage, match=named) as caught:
        open_card(tmp_path / "card")
    assert str(file) in str(caught.value)


@pytest.mark.parametrize("text", ["", "[]", "{}", "nonsense"])
def test_what_is_no_description_is_refused(card: SimulatedCard, tmp_path: Path, text: str) -> None:
    (tmp_path / "card/simulated-card.json").write_text(text)
    with pytest.raises(Usage, match="does not describe a simulated card"):
        open_card(tmp_path / "card")


def test_a_card_keeps_its_identity_when_its_folder_moves(card: SimulatedCard, tmp_path: Path) -> None:
    before = card.facts().identity
    (tmp_path / "card").rename(tmp_path / "moved")
    assert open_card(tmp_path / "moved").facts().identity == before


def test_a_card_is_never_made_over_something(tmp_path: Path) -> None:
    (tmp_path / "card").mkdir()
    (tmp_path / "card/precious.dat").write_bytes(b"precious")
    with pytest.raises(RecordExists, match="card"):
        SimulatedCard.make(tmp_path / "card", capacity_bytes=MIB)
    assert [path.name for path in (tmp_path / "card").iterdir()] == ["precious.dat"]


def test_a_card_is_never_made_of_the_system() -> None:
    with pytest.raises(TargetUnsafe, match="/etc"):
        SimulatedCard.make(Path("/etc/card"), capacity_bytes=MIB)
    assert not Path("/etc/card").exists()


def test_sizes_that_no_card_has_are_refused(tmp_path: Path) -> None:
    with pytest.raises(Usage, match="clusters"):
        SimulatedCard.make(tmp_path / "card", capacity_bytes=100, cluster_bytes=4096)
    assert not (tmp_path / "card").exists()
