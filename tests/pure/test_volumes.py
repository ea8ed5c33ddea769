"""Boot records that contradict themselves, and what is told instead of guessed."""

from __future__ import annotations

import struct

import pytest

from mediaprep.rawcard import walk_card
from mediaprep.volumes import (
    VolumeUnreadable,
    backup_differences,
    in_bytes,
    part_of,
    read_exfat,
    read_fat,
    read_fs_info,
    read_upcase,
    read_volume,
)
from tests.pure.small_volumes import SECTOR, exfat_set, small_exfat, small_fat


def spoilt(volume: bytes, offset: int, form: str, *values: int) -> bytes:
    data = bytearray(volume)
    struct.pack_into(form, data, offset, *values)
    return bytes(data)


@pytest.mark.parametrize(
    ("width", "offset", "form", "value", "why"),
    [
        (16, 510, "<H", 0, "no FAT boot record"),
        (16, 0, "<B", 0, "no FAT boot record"),
        (16, 11, "<H", 513, "no FAT boot record"),
        (16, 13, "<B", 3, "no FAT boot record"),
        (16, 14, "<H", 0, "no FAT boot record"),
        (16, 16, "<B", 0, "no FAT boot record"),
        (16, 21, "<B", 0xF1, "no FAT boot record"),
        (16, 17, "<H", 0, "gives the top folder no entries"),
        (16, 19, "<H", 2, "its data would begin at sector"),
        (16, 22, "<H", 2, "the allocation table has 1024 bytes, and 4116 clusters need 8236"),
        (32, 36, "<I", 0, "gives the allocation table no room"),
        (32, 40, "<H", 0x81, "allocation table 1 is in use, and there are 1"),
        (32, 42, "<H", 1, "a later version"),
        (32, 44, "<I", 1, "the top folder begins at cluster 1"),
        (32, 17, "<H", 16, "entries set apart"),
    ],
)
def test_fat_boot_records_that_contradict_themselves(width: int, offset: int, form: str, value: int, why: str) -> None:
    with pytest.raises(VolumeUnreadable, match=why):
        read_fat(in_bytes(spoilt(small_fat(width), offset, form, value)))


def test_clusters_that_no_width_has() -> None:
    too_many = spoilt(spoilt(small_fat(16), 19, "<H", 0), 32, "<I", 2**20)
    with pytest.raises(VolumeUnreadable, match="a FAT16 volume cannot have"):
        read_fat(in_bytes(too_many))
    too_many = spoilt(spoilt(small_fat(32), 19, "<H", 0), 32, "<I", 2**32 - 1)
    with pytest.raises(VolumeUnreadable, match="a FAT32 volume cannot have"):
        read_fat(in_bytes(too_many))
    none = spoilt(small_fat(16), 13, "<B", 128)
    with pytest.raises(VolumeUnreadable, match="no cluster"):
        read_fat(in_bytes(spoilt(none, 19, "<H", 40)))


def test_the_table_in_use_is_the_one_that_is_named() -> None:
    # Two tables, of which only the second is kept up: bit 7 and the number of it.
    two = spoilt(spoilt(small_fat(32), 16, "<B", 2), 40, "<H", 0x81)
    volume = read_fat(in_bytes(two))
    assert (volume.active_table, volume.tables_mirrored) == (1, False)
    assert volume.table_offset == (volume.reserved_sectors + volume.table_sectors) * SECTOR


def test_a_boot_record_without_the_later_fields() -> None:
    volume = read_fat(in_bytes(spoilt(small_fat(16), 38, "<B", 0)))
    assert (volume.serial, volume.label) == (None, "")


def test_what_fat16_does_not_have() -> None:
    read = in_bytes(small_fat(16))
    volume = read_fat(read)
    assert read_fs_info(read, volume) is None
    assert backup_differences(read, volume) is None


@pytest.mark.parametrize(
    ("offset", "form", "value", "why"),
    [
        (3, "<B", 0, "no FAT boot record"),
        (11, "<B", 1, "must have zeros"),
        (105, "<B", 2, r"exFAT 2\.00"),
        (108, "<B", 13, "sector of 2"),
        (109, "<B", 17, "too large"),
        (110, "<B", 3, "1 or 2 allocation tables"),
        (80, "<I", 23, "lies in the boot record"),
        (92, "<I", 0, "cannot have 0 clusters"),
        (84, "<I", 0, "too few for 64 clusters"),
        (88, "<I", 24, "within the allocation table"),
        (72, "<Q", 30, "do not fit on 30 sectors"),
        (96, "<I", 66, "top folder begins at cluster 66"),
    ],
)
def test_exfat_boot_records_that_contradict_themselves(offset: int, form: str, value: int, why: str) -> None:
    with pytest.raises(VolumeUnreadable, match=why):
        read_volume(in_bytes(spoilt(small_exfat(), offset, form, value)))


def test_the_smallest_exfat_volume() -> None:
    volume = read_exfat(in_bytes(small_exfat()))
    assert volume.volume_bytes == len(small_exfat()) == 89 * SECTOR
    assert volume.checksum_right
    assert volume.backup_checksum_right
    assert volume.serial == "1234-ABCD"
    assert read_exfat(in_bytes(spoilt(small_exfat(), 112, "<B", 0xFF))).percent_in_use is None
    assert not read_exfat(in_bytes(spoilt(small_exfat(), 12 * SECTOR, "<B", 0))).backup_checksum_right


UPCASE_AT = 25 * SECTOR + 2 * SECTOR + 32


@pytest.mark.parametrize(
    ("offset", "form", "value", "why"),
    [
        (UPCASE_AT, "<B", 0x02, "names no table of capital letters"),
        (UPCASE_AT + 4, "<I", 1, "damaged"),
        (UPCASE_AT + 20, "<I", 0, "begins at cluster 0, which does not exist"),
        (UPCASE_AT + 24, "<Q", 3, "cannot have 3 bytes"),
        (UPCASE_AT + 24, "<Q", 1024, "ends before the table"),
    ],
)
def test_a_table_of_capital_letters_that_is_wrong(offset: int, form: str, value: int, why: str) -> None:
    card = walk_card(in_bytes(spoilt(small_exfat(), offset, form, value)))
    assert why in card.problems[""]
    assert card.files, "what is there is listed all the same"


def test_an_entry_that_is_none_of_capital_letters() -> None:
    read = in_bytes(small_exfat())
    with pytest.raises(VolumeUnreadable, match="no entry"):
        read_upcase(read, read_exfat(read), bytes(32))


def test_sets_of_entries_that_are_not_whole() -> None:
    whole = exfat_set("a name of more than fifteen letters", 9, 3 * SECTOR)
    no_stream = spoilt(whole, 32, "<B", 0xC1)
    assert "without one for the contents" in walk_card(in_bytes(small_exfat([no_stream]))).problems[""]
    # One entry of the name fewer, with a checksum that is right.
    short = bytearray(spoilt(whole, 1, "<B", 3)[:-32])
    total = 0
    for at, octet in enumerate(short):
        if at not in {2, 3}:
            total = ((total & 1) << 15 | total >> 1) + octet & 0xFFFF
    struct.pack_into("<H", short, 2, total)
    (problem,) = walk_card(in_bytes(small_exfat([bytes(short)]))).problems.values()
    assert problem == "its name is not whole"


def test_a_folder_beyond_the_end_of_the_medium_is_told_and_the_rest_is_read() -> None:
    data = small_exfat([exfat_set("folder", 64, SECTOR, is_folder=True, contiguous=True), exfat_set("file", 9, 1400)])
    card = walk_card(in_bytes(data[: -2 * SECTOR]))
    assert "the medium ends within the folder folder" in card.problems["folder"]
    assert [file.path for file in card.files] == ["folder", "file"]


def test_a_part_ends_where_it_ends() -> None:
    read = part_of(in_bytes(bytes(range(100))), 10, 20)
    assert read(0, 5) == bytes(range(10, 15))
    assert read(15, 50) == bytes(range(25, 30))
    assert read(20, 5) == read(500, 5) == b""
