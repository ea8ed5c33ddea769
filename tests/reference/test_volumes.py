"""Boot records and partition tables against the tools that make and check them.

Versions that the figures are of: dosfstools 4.2, exfatprogs 1.2.0, mtools 4.0.32, util-linux 2.38. Where a figure is
given in a comment it is what that tool printed.
"""

from __future__ import annotations

import re
import struct
from pathlib import Path

import pytest

from mediaprep.model import FileSystem, PartitionTable, VolumeState
from mediaprep.rawcard import walk_card
from mediaprep.volumes import (
    ExfatVolume,
    FatMarks,
    FatVolume,
    FsInfo,
    VolumeUnreadable,
    backup_differences,
    part_of,
    read_exfat,
    read_fat,
    read_fs_info,
    read_layout,
    read_marks,
    read_volume,
    state_of,
)
from tests.images import make_exfat, make_fat, make_file, patch, reading
from tests.tools import need, run

MIB = 2**20
SDHC_8 = 7_948_206_080
SDXC_64 = 62_277_025_792


def fat_of(image: Path) -> FatVolume:
    with reading(image) as read:
        return read_fat(read)


def exfat_of(image: Path) -> ExfatVolume:
    with reading(image) as read:
        return read_exfat(read)


def state(image: Path) -> VolumeState:
    with reading(image) as read:
        return state_of(read, read_volume(read))


# --- FAT -------------------------------------------------------------------------------------------------------------


def test_a_floppy_of_1440_kib(tmp_path: Path) -> None:
    # fsck.vfat: media F0, 512-byte clusters, 9-sector tables, 224 root entries, data at 16896, 2847 clusters.
    volume = fat_of(make_fat(tmp_path / "a.img", 1440 * 1024))
    assert volume.width_by_count is volume.width_as_used is FileSystem.FAT12
    assert (volume.media, volume.cluster_bytes, volume.table_sectors, volume.root_entries) == (0xF0, 512, 9, 224)
    assert (volume.heap_offset, volume.cluster_count) == (16_896, 2847)
    assert (volume.serial, volume.label) == ("1234-5678", "TESTVOL")


def test_a_card_of_64_mib(tmp_path: Path) -> None:
    # fsck.vfat: 2048-byte clusters, 4 reserved, 128-sector tables, 512 root entries, data at 149504, 32695 clusters.
    volume = fat_of(make_fat(tmp_path / "b.img", 64 * MIB))
    assert volume.width_by_count is volume.width_as_used is FileSystem.FAT16
    assert (volume.cluster_bytes, volume.reserved_sectors, volume.table_sectors) == (2048, 4, 128)
    assert (volume.root_entries, volume.heap_offset, volume.cluster_count) == (512, 149_504, 32_695)
    assert volume.root_cluster is None
    assert volume.fs_info_sector is volume.backup_sector is None


def test_a_card_of_2_gb(tmp_path: Path) -> None:
    # mkfs.vfat -v: 3994578 sectors, 1024 root entries; 62405 clusters.
    volume = fat_of(make_fat(tmp_path / "c.img", 2_045_247_488, "-F16", "-s64"))
    assert (volume.total_sectors, volume.root_entries, volume.cluster_count) == (3_994_578, 1024, 62_405)
    assert volume.volume_bytes == 3_994_578 * 512


def test_a_card_of_8_gb(tmp_path: Path) -> None:
    # mkfs.vfat -v: 15523830 sectors, 64 reserved, 1920-sector tables; 242498 clusters, 242497 of them free.
    image = make_fat(tmp_path / "d.img", SDHC_8, "-F32", "-s64")
    volume = fat_of(image)
    assert volume.width_by_count is volume.width_as_used is FileSystem.FAT32
    assert (volume.total_sectors, volume.reserved_sectors, volume.table_sectors) == (15_523_830, 64, 1920)
    assert (volume.cluster_count, volume.root_entries, volume.root_cluster) == (242_498, 0, 2)
    with reading(image) as read:
        assert read_fs_info(read, volume) == FsInfo(242_497, 2)
        assert backup_differences(read, volume) == ()
        assert read_marks(read, volume) == FatMarks(False, False, False, False)


def test_free_clusters_after_a_copy_agree_with_mtools_and_fsck(tmp_path: Path) -> None:
    need("mcopy", "mdir", "fsck.vfat")
    image = make_fat(tmp_path / "d.img", SDHC_8, "-F32", "-s64")
    for name, size_bytes in (("ONE", 1), ("TWO", 32_768), ("THREE", 32_769)):
        (tmp_path / name).write_bytes(bytes(size_bytes))
        run("mcopy", "-i", image, tmp_path / name, "::")
    with reading(image) as read:
        assert read_fs_info(read, read_fat(read)) == FsInfo(242_493, 6)
    assert "7 946 010 624 bytes free" in run("mdir", "-i", image, "::")
    assert "5/242498 clusters" in run("fsck.vfat", "-n", image)


@pytest.mark.parametrize(
    ("options", "sectors", "clusters"),
    [
        # mkfs.fat refuses 4111 sectors for FAT12; makes none of 4085 or 4086 clusters; refuses 66039 for FAT16.
        (("-F12", "-r16"), 4110, 4084),
        (("-F16", "-r16"), 4121, 4087),
        (("-F16", "-r16"), 66_038, 65_524),
        (("-F32",), 66_581, 65_525),
    ],
)
def test_widths_at_their_edges(tmp_path: Path, options: tuple[str, ...], sectors: int, clusters: int) -> None:
    reserved = () if options[0] == "-F32" else ("-R1",)
    volume = fat_of(make_fat(tmp_path / "edge.img", sectors * 512, "-a", "-s1", *options, *reserved))
    assert volume.cluster_count == clusters
    assert volume.widths_agree
    assert volume.width_as_used.value == f"fat{options[0][2:]}"


def test_a_width_that_linux_and_the_specification_see_differently(tmp_path: Path) -> None:
    # 65524 clusters: mkfs.fat warns, "less than the required minimum of 65525", and Linux uses it as FAT32.
    volume = fat_of(make_fat(tmp_path / "edge.img", 66_580 * 512, "-a", "-s1", "-F32"))
    assert volume.cluster_count == 65_524
    assert not volume.widths_agree
    assert (volume.width_as_used, volume.width_by_count) == (FileSystem.FAT32, FileSystem.FAT16)


@pytest.mark.parametrize("size_bytes", [1 * MIB, 8 * MIB, 20 * MIB, 300 * MIB, 600 * MIB])
@pytest.mark.parametrize("sector_bytes", [512, 1024, 2048, 4096])
def test_clusters_agree_with_fsck(tmp_path: Path, size_bytes: int, sector_bytes: int) -> None:
    need("fsck.vfat")
    image = make_fat(tmp_path / "v.img", size_bytes, "-S", sector_bytes)
    volume = fat_of(image)
    report = run("fsck.vfat", "-nv", image)
    counted = re.search(r"(\d+)/(\d+) clusters", report)
    data = re.search(r"Data area starts at byte (\d+)", report)
    assert counted is not None
    assert data is not None
    assert (volume.cluster_count, volume.heap_offset) == (int(counted[2]), int(data[1]))
    assert f"{volume.width_as_used.value[3:]} bit" in report or f"{volume.width_as_used.value[3:]} bits/entry" in report


# --- marks, in both places, and what fsck makes of them --------------------------------------------------------------


def fsck_fat(image: Path) -> str:
    need("fsck.vfat")
    return run("fsck.vfat", "-n", image, check=False)


@pytest.mark.parametrize(("options", "offset"), [(("-F12",), 37), (("-F16",), 37), (("-F32",), 65)])
def test_the_mark_in_the_boot_record(tmp_path: Path, options: tuple[str, ...], offset: int) -> None:
    size_bytes = {"-F12": 2, "-F16": 32, "-F32": 64}[options[0]] * MIB
    image = make_fat(tmp_path / "v.img", size_bytes, "-s1" if options[0] == "-F32" else "-s4", *options)
    assert state(image) is VolumeState.CLEAN
    patch(image, offset, b"\x01")
    assert state(image) is VolumeState.DIRTY
    assert "Dirty bit is set" in fsck_fat(image)
    patch(image, offset, b"\x02")
    assert state(image) is VolumeState.FAULTY


def test_the_marks_in_the_table(tmp_path: Path) -> None:
    image = make_fat(tmp_path / "v.img", 64 * MIB, "-F16")
    table = fat_of(image).table_offset
    for entry, marks, expected in (
        (0x7FFF, FatMarks(False, False, True, False), VolumeState.DIRTY),
        (0xBFFF, FatMarks(False, False, False, True), VolumeState.FAULTY),
    ):
        patch(image, table + 2, struct.pack("<H", entry))
        with reading(image) as read:
            assert read_marks(read, read_fat(read)) == marks
        assert state(image) is expected
    # fsck.fat says nothing of the error mark, which stands there still.
    report = fsck_fat(image)
    assert "Dirty" not in report
    assert "error" not in report.lower()


def test_the_marks_in_the_table_of_fat32(tmp_path: Path) -> None:
    image = make_fat(tmp_path / "v.img", 64 * MIB, "-F32", "-s1")
    table = fat_of(image).table_offset
    patch(image, table + 4, struct.pack("<I", 0x07FFFFFF))
    assert state(image) is VolumeState.DIRTY
    patch(image, table + 4, struct.pack("<I", 0x0BFFFFFF))
    assert state(image) is VolumeState.FAULTY


def test_the_spare_boot_record_differs_where_linux_leaves_its_mark(tmp_path: Path) -> None:
    image = make_fat(tmp_path / "v.img", 64 * MIB, "-F32", "-s1")
    patch(image, 65, b"\x01")
    with reading(image) as read:
        assert backup_differences(read, read_fat(read)) == (65,)
    assert "65:01/00" in fsck_fat(image)


def test_a_count_of_free_clusters_that_is_no_count(tmp_path: Path) -> None:
    image = make_fat(tmp_path / "v.img", 64 * MIB, "-F32", "-s1")
    patch(image, 512 + 488, b"\xff" * 8)
    with reading(image) as read:
        assert read_fs_info(read, read_fat(read)) == FsInfo(None, None)
    patch(image, 512, b"\0")
    with reading(image) as read:
        assert read_fs_info(read, read_fat(read)) is None


# --- exFAT -----------------------------------------------------------------------------------------------------------


def test_a_card_of_64_gb(tmp_path: Path) -> None:
    # dump.exfat: 121634816 sectors, table at sector 2048 of 3840, clusters at 6144, 475112 of 128 KiB, top folder at 4.
    image = make_exfat(tmp_path / "e.img", SDXC_64)
    volume = exfat_of(image)
    assert (volume.total_sectors, volume.table_offset, volume.table_sectors) == (121_634_816, 2048 * 512, 3840)
    assert (volume.heap_offset, volume.cluster_count, volume.cluster_bytes) == (6144 * 512, 475_112, 128 * 1024)
    assert (volume.root_cluster, volume.revision, volume.percent_in_use) == (4, "1.00", 0)
    assert volume.checksum_right
    assert volume.backup_checksum_right
    need("dump.exfat")
    dump = dict(re.findall(r"^(.+?):\s+(\S+)$", run("dump.exfat", image), re.MULTILINE))
    assert int(dump["Cluster Count"]) == volume.cluster_count
    assert int(dump["Root Cluster (cluster offset)"]) == volume.root_cluster
    with reading(image) as read:
        found = walk_card(read)
    assert found.label == "TESTVOL"
    # The recommended table of Microsoft's specification, 7.2.5.1: 5836 bytes, checksum 0xE619D30D.
    assert found.upcase is not None
    assert (found.upcase.size_bytes, found.upcase.found_checksum) == (5836, 0xE619D30D)
    assert found.upcase.is_right
    assert found.problems == {}


@pytest.mark.parametrize(
    ("flags", "expected"), [(2, VolumeState.DIRTY), (4, VolumeState.FAULTY), (6, VolumeState.FAULTY)]
)
def test_marks_of_exfat_that_fsck_does_not_tell(tmp_path: Path, flags: int, expected: VolumeState) -> None:
    need("fsck.exfat")
    image = make_exfat(tmp_path / "e.img", 16 * MIB)
    assert state(image) is VolumeState.CLEAN
    patch(image, 106, bytes([flags]))
    assert state(image) is expected
    # The flags are outside the checksum, and fsck.exfat calls the volume clean.
    assert exfat_of(image).checksum_right
    assert "clean" in run("fsck.exfat", "-n", image)


def test_a_wrong_byte_in_the_boot_record_of_exfat(tmp_path: Path) -> None:
    need("fsck.exfat")
    image = make_exfat(tmp_path / "e.img", 16 * MIB)
    patch(image, 200, b"\x01")
    volume = exfat_of(image)
    assert not volume.checksum_right
    assert volume.backup_checksum_right
    assert "checksum of boot region is not correct" in run("fsck.exfat", "-n", image, check=False)


def test_a_damaged_table_of_capital_letters_is_told(tmp_path: Path) -> None:
    image = make_exfat(tmp_path / "e.img", 16 * MIB)
    with reading(image) as read:
        volume = read_exfat(read)
        content = read(0, 16 * MIB)
    # The table begins with the letters 0 to 3, which are their own capitals.
    table = content.index(bytes.fromhex("0000010002000300"), volume.heap_offset)
    patch(image, table + 4, b"\x07")
    with reading(image) as read:
        found = walk_card(read)
    assert found.upcase is not None
    assert not found.upcase.is_right
    assert "strict reader" in found.problems[""]


# --- how the card is divided -----------------------------------------------------------------------------------------


def layout_of(image: Path) -> tuple[PartitionTable, list[tuple[int, int, str]], bool]:
    with reading(image) as read:
        layout = read_layout(read, image.stat().st_size)
    return (
        layout.table,
        [(part.start_bytes, part.size_bytes, part.kind) for part in layout.partitions],
        layout.has_fake_entry,
    )


def sfdisk(image: Path, script: str) -> None:
    need("sfdisk", "sh")
    run("sh", "-c", f"printf '%s\\n' {script} | sfdisk --quiet {image}")


def test_a_partition_of_a_master_boot_record(tmp_path: Path) -> None:
    need("minfo")
    image = make_file(tmp_path / "p.img", SDHC_8)
    sfdisk(image, "8192,,c")
    run("mkfs.vfat", "-F32", "-s64", "--offset=8192", image)
    assert layout_of(image) == (PartitionTable.MBR, [(4 * MIB, SDHC_8 - 4 * MIB, "0c")], False)
    with reading(image) as read:
        (part,) = read_layout(read, SDHC_8).partitions
        volume = read_fat(part_of(read, part.start_bytes, part.size_bytes))
    assert part.kind_name == "FAT32 (LBA)"
    # minfo: 15515640 sectors, and mkfs.fat leaves the count of hidden sectors at 0.
    assert (volume.total_sectors, volume.hidden_sectors) == (15_515_640, 0)
    assert "15515640" in run("minfo", "-i", f"{image}@@{4 * MIB}")


def test_four_partitions(tmp_path: Path) -> None:
    image = make_file(tmp_path / "p.img", 64 * MIB)
    sfdisk(image, "2048,2048,1 4096,4096,6 8192,8192,7 16384,,e")
    table, parts, _ = layout_of(image)
    assert table is PartitionTable.MBR
    assert [kind for _, _, kind in parts] == ["01", "06", "07", "0e"]
    assert parts[1][:2] == (2 * MIB, 2 * MIB)


def test_a_guid_partition_table(tmp_path: Path) -> None:
    image = make_file(tmp_path / "g.img", 64 * MIB)
    sfdisk(image, "'label: gpt' 'start=32768,type=EBD0A0A2-B9E5-4433-87C0-68B6B72699C7'")
    table, parts, _ = layout_of(image)
    assert table is PartitionTable.GPT
    assert parts[0][0] == 16 * MIB
    assert parts[0][2] == "ebd0a0a2-b9e5-4433-87c0-68b6b72699c7"
    with reading(image) as read:
        assert read(1024, 16) == bytes.fromhex("a2a0d0ebe5b9334487c068b6b72699c7")
    patch(image, 1024 + 32, b"\x01")
    with pytest.raises(VolumeUnreadable, match="wrong checksum"):
        layout_of(image)


def test_a_volume_over_the_whole_card(tmp_path: Path) -> None:
    for image in (
        make_fat(tmp_path / "12.img", 2 * MIB, "-F12"),
        make_fat(tmp_path / "16.img", 32 * MIB, "-F16"),
        make_fat(tmp_path / "32.img", 64 * MIB, "-F32", "-s1"),
        make_exfat(tmp_path / "e.img", 16 * MIB),
    ):
        assert layout_of(image) == (PartitionTable.NONE, [], False)


def test_a_volume_over_the_whole_card_that_shows_itself_as_a_partition(tmp_path: Path) -> None:
    image = make_fat(tmp_path / "m.img", 64 * MIB, "-F32", "-s1", "--mbr=yes")
    assert layout_of(image) == (PartitionTable.NONE, [], True)


@pytest.mark.parametrize(
    ("script", "offset", "data", "why"),
    [
        ("2048,,c", 446, b"\x12", "status 0x12"),
        ("2048,,c", 454, bytes(4), "covers the partition table"),
        ("2048,,c", 458, bytes(4), "is empty"),
        ("2048,,c", 458, b"\xff\xff\xff\x7f", "beyond the medium"),
        ("2048,4096,c 8192,,c", 470, b"\x00\x09\x00\x00", "begins within another"),
        ("2048,,c", 450, b"\0", "names no partition"),
        ("2048,,c", 450, b"\xee", "there is none"),
        ("2048,,c", 510, b"\0", "neither a boot record nor a partition table"),
    ],
)
def test_tables_that_contradict_themselves(tmp_path: Path, script: str, offset: int, data: bytes, why: str) -> None:
    image = make_file(tmp_path / "p.img", 16 * MIB)
    sfdisk(image, script)
    patch(image, offset, data)
    with pytest.raises(VolumeUnreadable, match=why):
        layout_of(image)
