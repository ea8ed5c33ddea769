"""The boot record of FAT12, FAT16 and FAT32, and what follows from it."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from mediaprep.model import FileSystem
from mediaprep.volumes.reading import Reader, VolumeUnreadable, exactly, require, serial_text, text_of

BOOT_BYTES = 512
SIGNATURE = b"\x55\xaa"
_SECTOR_SIZES = {512, 1024, 2048, 4096}
# By the count of clusters alone (Microsoft's FAT specification): up to 4084 FAT12, up to 65524 FAT16.
FAT12_CLUSTERS_MAX = 4084
FAT16_CLUSTERS_MAX = 65_524
# Linux include/uapi/linux/msdos_fs.h, MAX_FAT32.
FAT32_CLUSTERS_MAX = 0x0FFFFFF6
_EXTENDED = 0x29  # says that serial, label and type follow
_NO_LABEL = "NO NAME"
_ENTRY_BYTES = 32


@dataclass(frozen=True, slots=True)
class FatVolume:
    """A FAT volume as its boot record describes it. Sectors are the volume's own, offsets in bytes from its start.

    `width_by_count` is what the number of clusters makes of it, as the specification says and a unit may judge;
    `width_as_used` what Linux and dosfstools take it for: FAT32 wherever the 16-bit size of the table is 0. They can
    differ. `root_entries` is 0 and `root_cluster` set where `width_as_used` is FAT32, the other way round where not.
    `state_byte` has bit 0 set for a volume in use or not cleanly unmounted, bit 1 for an error of the medium.
    `label` is the boot record's; the top folder may hold another, which counts more.
    """

    width_by_count: FileSystem
    width_as_used: FileSystem
    sector_bytes: int
    cluster_bytes: int
    reserved_sectors: int
    table_count: int
    table_sectors: int
    total_sectors: int
    root_entries: int
    root_cluster: int | None
    cluster_count: int
    hidden_sectors: int
    media: int
    active_table: int
    tables_mirrored: bool
    state_byte: int
    serial: str | None
    label: str
    fs_info_sector: int | None
    backup_sector: int | None

    @property
    def widths_agree(self) -> bool:
        """Whether the count of clusters and Linux make the same of it."""
        return self.width_by_count is self.width_as_used

    @property
    def table_offset(self) -> int:
        """Where the allocation table in use begins."""
        return (self.reserved_sectors + self.active_table * self.table_sectors) * self.sector_bytes

    @property
    def root_offset(self) -> int:
        """Where the top folder of FAT12 and FAT16 begins."""
        return (self.reserved_sectors + self.table_count * self.table_sectors) * self.sector_bytes

    @property
    def heap_offset(self) -> int:
        """Where cluster 2, the first, begins."""
        root_sectors = -(-self.root_entries * _ENTRY_BYTES // self.sector_bytes)
        return self.root_offset + root_sectors * self.sector_bytes

    @property
    def volume_bytes(self) -> int:
        """The volume's size as its boot record states it."""
        return self.total_sectors * self.sector_bytes


def read_fat(read: Reader) -> FatVolume:
    """Return what the boot record at the start of a volume says. Raise VolumeUnreadable where it is no sound one.

    Offsets as mkfs.fat 4.2 writes them and Linux include/uapi/linux/msdos_fs.h names them.
    """
    boot = exactly(read, 0, BOOT_BYTES, "the boot record")
    require(looks_like_fat(boot), "the first sector is no FAT boot record")
    sector_bytes, per_cluster, reserved, tables, root_entries, total, media, table_sectors = struct.unpack_from(
        "<HBHBHHBH", boot, 11
    )
    hidden, total_32 = struct.unpack_from("<II", boot, 28)
    is_32 = table_sectors == 0
    extended_at = 64 if is_32 else 36
    flags, root_cluster, fs_info, backup = 0, None, None, None
    if is_32:
        table_sectors, flags, version, root_cluster, info, second = struct.unpack_from("<IHHIHH", boot, 36)
        require(version == 0, f"the boot record is of a later version of FAT32 ({version:#06x})")
        fs_info, backup = (sector if 0 < sector < reserved else None for sector in (info, second))
    total = total or total_32
    # Bit 7 of the flags: only the table named in bits 0 to 3 is kept up.
    mirrored = not flags & 0x80
    active = 0 if mirrored else flags & 0x0F
    require(table_sectors > 0, "the boot record gives the allocation table no room")
    require(active < tables, f"allocation table {active} is in use, and there are {tables}")

    root_sectors = -(-root_entries * _ENTRY_BYTES // sector_bytes)
    first_data = reserved + tables * table_sectors + root_sectors
    require(total > first_data, f"the volume has {total} sectors and its data would begin at sector {first_data}")
    clusters = (total - first_data) // per_cluster
    require(clusters > 0, "the volume has no cluster")
    used_as = _width_as_used(clusters, is_32=is_32)
    _require_table_holds(used_as, clusters, table_sectors * sector_bytes)
    if is_32:
        require(root_entries == 0, f"a FAT32 volume has {root_entries} entries set apart for its top folder")
        require(
            root_cluster is not None and 2 <= root_cluster < clusters + 2,
            f"the top folder begins at cluster {root_cluster}, and there are {clusters}",
        )
    else:
        require(root_entries > 0, "the boot record gives the top folder no entries")
    is_extended = boot[extended_at + 2] == _EXTENDED
    label = text_of(boot[extended_at + 7 : extended_at + 18]) if is_extended else ""
    return FatVolume(
        width_by_count=_width_by_count(clusters),
        width_as_used=used_as,
        sector_bytes=sector_bytes,
        cluster_bytes=per_cluster * sector_bytes,
        reserved_sectors=reserved,
        table_count=tables,
        table_sectors=table_sectors,
        total_sectors=total,
        root_entries=root_entries,
        root_cluster=root_cluster,
        cluster_count=clusters,
        hidden_sectors=hidden,
        media=media,
        active_table=active,
        tables_mirrored=mirrored,
        state_byte=boot[extended_at + 1],
        serial=serial_text(struct.unpack_from("<I", boot, extended_at + 3)[0]) if is_extended else None,
        label="" if label == _NO_LABEL else label,
        fs_info_sector=fs_info,
        backup_sector=backup,
    )


def looks_like_fat(boot: bytes) -> bool:
    """Say whether a sector can be a FAT boot record: signature, jump, and the fields that no volume can do without."""
    if len(boot) < BOOT_BYTES or boot[510:512] != SIGNATURE or boot[0] not in {0xEB, 0xE9}:
        return False
    sector_bytes, per_cluster, reserved, tables = struct.unpack_from("<HBHB", boot, 11)
    return (
        sector_bytes in _SECTOR_SIZES
        and per_cluster > 0
        and per_cluster & (per_cluster - 1) == 0
        and reserved > 0
        and tables > 0
        and (boot[21] == 0xF0 or boot[21] >= 0xF8)
    )


def _width_by_count(clusters: int) -> FileSystem:
    if clusters <= FAT12_CLUSTERS_MAX:
        return FileSystem.FAT12
    return FileSystem.FAT16 if clusters <= FAT16_CLUSTERS_MAX else FileSystem.FAT32


def _width_as_used(clusters: int, *, is_32: bool) -> FileSystem:
    """Return the width that Linux takes (fs/fat/inode.c, fat_fill_super). Raise VolumeUnreadable for too many."""
    if is_32:
        require(clusters <= FAT32_CLUSTERS_MAX, f"a FAT32 volume cannot have {clusters} clusters")
        return FileSystem.FAT32
    if clusters <= FAT12_CLUSTERS_MAX:
        return FileSystem.FAT12
    require(clusters <= FAT16_CLUSTERS_MAX, f"a FAT16 volume cannot have {clusters} clusters")
    return FileSystem.FAT16


def _require_table_holds(width: FileSystem, clusters: int, table_bytes: int) -> None:
    bits = {FileSystem.FAT12: 12, FileSystem.FAT16: 16, FileSystem.FAT32: 32}[width]
    needed = -(-(clusters + 2) * bits // 8)
    if table_bytes < needed:
        message = f"the allocation table has {table_bytes} bytes, and {clusters} clusters need {needed}"
        raise VolumeUnreadable(message)
