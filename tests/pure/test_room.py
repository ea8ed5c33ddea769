"""Room worked out by hand; `tests/reference/test_fat.py` compares it with real FAT volumes."""

import pytest

from mediaprep.model import Action, FileSystem, Plan, PlannedFile
from mediaprep.plan import make_plan
from mediaprep.room import Room, room_needed
from tests.pure.builders import folder, listing, make_bundle, manifest_of, on_card, owned, wanted


def room_for(*entries, card=(), ours=(), cluster_bytes: int = 512, file_system: FileSystem = FileSystem.FAT32) -> Room:
    plan = make_plan(
        bundle=make_bundle(), manifest=manifest_of(*entries), entries=card, recorded=ours, file_system=file_system
    )
    return room_needed(plan, cluster_bytes=cluster_bytes, file_system=file_system, entries=card)


def test_nothing_to_write_needs_nothing() -> None:
    room = room_needed(Plan(()), cluster_bytes=512, file_system=FileSystem.FAT32, entries=())
    assert (room.clusters_needed, room.clusters_spare, room.root_slots, room.bytes_needed) == (0, 0, 0, 0)


@pytest.mark.parametrize(("size_bytes", "clusters"), [(0, 0), (1, 1), (4096, 1), (4097, 2)])
def test_files_take_whole_clusters(size_bytes: int, clusters: int) -> None:
    # Linux vfat with 4096-byte clusters: these files take so many.
    room = room_for(wanted("A", size_bytes), cluster_bytes=4096)
    assert (room.clusters_needed, room.clusters_spare) == (clusters, 1)


def test_a_new_folder_takes_a_cluster_and_one_more_for_each_sixteen_entries_of_512_bytes() -> None:
    # `.` and `..`, 13 short names and one temporary name of 6 letters (2 entries): 17.
    names = [f"DIR/{letter}" for letter in "ABCDEFGHIJKLM"]
    assert room_for(*(wanted(name, 0) for name in names[:12])).clusters_needed == 1
    assert room_for(*(wanted(name, 0) for name in names)).clusters_needed == 2


def test_an_existing_folder_grows() -> None:
    # Two entries for `.` and `..`, 12 short names there, one new, two for its temporary name: 17.
    card = listing([f"DIR/{letter}" for letter in "ABCDEFGHIJKL"])
    assert room_for(wanted("DIR/X", 0), card=card).clusters_needed == 1
    assert room_for(wanted("DIR/X", 0), card=card[:-1]).clusters_needed == 0
    assert room_for(wanted("DIR/X", 0), card=card).clusters_spare == 1


def test_the_old_file_is_freed_only_when_the_new_one_is_whole() -> None:
    card = [on_card("A", 5120), on_card("B", 5120)]
    ours = [owned("A", 5120), owned("B", 5120)]
    room = room_for(wanted("A", 5120, "new"), wanted("B", 6144, "new"), card=card, ours=ours)
    assert room.clusters_needed == 12
    room = room_for(wanted("A", 512, "new"), wanted("B", 6144, "new"), card=card, ours=ours)
    assert room.clusters_needed == 3


def test_what_goes_is_freed_first() -> None:
    card = [on_card("A", 5120), on_card("C.part", 1024)]
    ours = [owned("A", 5120), owned("C", flushed=False), owned("GONE")]
    assert room_for(wanted("B", 10_240), card=card, ours=ours).clusters_needed == 20 - 10 - 2
    assert room_for(wanted("B", 512), card=card, ours=ours).clusters_needed == 0


@pytest.mark.parametrize(
    ("file_system", "clusters"),
    [(FileSystem.FAT12, 0), (FileSystem.FAT16, 0), (FileSystem.FAT32, 1), (FileSystem.VFAT, 1), (FileSystem.OTHER, 1)],
)
def test_the_root_folder_of_fat12_and_fat16_takes_entries_but_no_clusters(file_system, clusters) -> None:
    room = room_for(*(wanted(f"FILE{number}", 0) for number in range(14)), file_system=file_system)
    assert (room.clusters_needed, room.root_slots) == (clusters, 14 + 2)


def test_removed_names_give_their_root_entries_back() -> None:
    card = [on_card("A LONG NAME INDEED"), on_card("theirs.txt")]
    room = room_for(wanted("B"), card=card, ours=[owned("A LONG NAME INDEED")], file_system=FileSystem.FAT16)
    assert room.root_slots == 2 + 1 + 2


def test_exfat_entries() -> None:
    # 3 entries for a short name, 3 for its temporary name; the root holds 3 of its own: label, bitmap, up-case table.
    assert room_for(wanted("A", 0), file_system=FileSystem.EXFAT).fullest_folder_slots == 9
    room = room_for(wanted("D/A", 0), wanted("D/B", 0), file_system=FileSystem.EXFAT, card=[folder("D")])
    assert (room.fullest_folder, room.fullest_folder_slots) == ("D", 9)


def test_the_fullest_folder_is_named() -> None:
    room = room_for(wanted("a"), *(wanted(f"nav/{number}") for number in range(5)))
    assert (room.fullest_folder, room.fullest_folder_slots) == ("nav", 2 + 5 + 2)


def test_a_cluster_smaller_than_an_entry_is_no_fault() -> None:
    assert room_for(wanted("A", 10), cluster_bytes=1).clusters_needed >= 10


def test_a_cluster_has_bytes() -> None:
    with pytest.raises(ValueError, match="cluster"):
        room_for(wanted("A"), cluster_bytes=0)


def test_a_kept_file_takes_nothing() -> None:
    plan = Plan((PlannedFile(wanted("a"), Action.KEEP, "NEW", "navigation"),))
    assert room_needed(plan, cluster_bytes=512, file_system=FileSystem.FAT32, entries=()).clusters_needed == 0
