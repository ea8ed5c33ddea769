"""The boot record of exFAT, with its checksum and its spare."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from mediaprep.volumes.reading import Reader, exactly, require, serial_text

NAME = b"EXFAT   "
_CLUSTER_BITS_MAX = 25  # 32 MiB
_CLUSTERS_MAX = 2**32 - 11
_BOOT_SECTORS = 12  # eleven, and one that repeats their checksum; then the spare
# Flags and share in use change while the volume is used, so the checksum leaves them out.
_UNGUARDED = frozenset({106, 107, 112})


@dataclass(frozen=True, slots=True)
class ExfatVolume:
    """An exFAT volume as its boot record describes it. Offsets are in bytes from the volume's start.

    `is_dirty` and `has_error` are marks that fsck.exfat 1.2.0 says nothing about. `percent_in_use` is None where it is
    not kept. `checksum_right` is of the boot record's eleven sectors, `backup_checksum_right` of their spare.
    """

    sector_bytes: int
    cluster_bytes: int
    partition_offset: int
    total_sectors: int
    table_count: int
    table_sectors: int
    table_offset: int
    heap_offset: int
    cluster_count: int
    root_cluster: int
    serial: str
    revision: str
    is_dirty: bool
    has_error: bool
    percent_in_use: int | None
    checksum_right: bool
    backup_checksum_right: bool

    @property
    def volume_bytes(self) -> int:
        """The volume's size as its boot record states it."""
        return self.total_sectors * self.sector_bytes


def looks_like_exfat(boot: bytes) -> bool:
    """Say whether a sector can be an exFAT boot record."""
    return len(boot) >= 512 and boot[510:512] == b"\x55\xaa" and boot[3:11] == NAME


def read_exfat(read: Reader) -> ExfatVolume:
    """Return what the boot record at the start of a volume says. Raise VolumeUnreadable where it is no sound one.

    Fields and their limits: Microsoft exFAT specification, 3.1. A wrong checksum is told, not raised.
    """
    boot = exactly(read, 0, 512, "the boot record")
    require(looks_like_exfat(boot), "the first sector is no exFAT boot record")
    require(not any(boot[11:64]), "the boot record has something where exFAT must have zeros, as FAT would")
    partition_offset, total, table_at, table_sectors, heap_at, clusters, root, serial = struct.unpack_from(
        "<QQIIIIII", boot, 64
    )
    minor, major, flags, sector_shift, cluster_shift, tables, _, percent = struct.unpack_from("<BBHBBBBB", boot, 104)
    require(major == 1, f"the boot record is of exFAT {major}.{minor:02}, and only 1 is known")
    require(9 <= sector_shift <= 12, f"a sector of 2^{sector_shift} bytes is none that exFAT has")
    require(sector_shift + cluster_shift <= _CLUSTER_BITS_MAX, f"a cluster of 2^{cluster_shift} sectors is too large")
    require(tables in {1, 2}, f"exFAT has 1 or 2 allocation tables, not {tables}")
    sector_bytes = 1 << sector_shift
    require(table_at >= 2 * _BOOT_SECTORS, "the allocation table lies in the boot record")
    require(0 < clusters <= _CLUSTERS_MAX, f"exFAT cannot have {clusters} clusters")
    require(
        table_sectors * sector_bytes >= (clusters + 2) * 4,
        f"the allocation table has {table_sectors} sectors, too few for {clusters} clusters",
    )
    require(heap_at >= table_at + tables * table_sectors, "the clusters begin within the allocation table")
    require(heap_at + (clusters << cluster_shift) <= total, f"{clusters} clusters do not fit on {total} sectors")
    require(2 <= root < clusters + 2, f"the top folder begins at cluster {root}, and there are {clusters}")
    # With two tables (a variant for transactions) the flag says which one is in use.
    active = flags & 1 if tables == 2 else 0
    return ExfatVolume(
        sector_bytes=sector_bytes,
        cluster_bytes=sector_bytes << cluster_shift,
        partition_offset=partition_offset,
        total_sectors=total,
        table_count=tables,
        table_sectors=table_sectors,
        table_offset=(table_at + active * table_sectors) * sector_bytes,
        heap_offset=heap_at * sector_bytes,
        cluster_count=clusters,
        root_cluster=root,
        serial=serial_text(serial),
        revision=f"{major}.{minor:02}",
        is_dirty=bool(flags & 2),
        has_error=bool(flags & 4),
        percent_in_use=None if percent == 0xFF else percent,
        checksum_right=_checksum_right(read, 0, sector_bytes),
        backup_checksum_right=_checksum_right(read, _BOOT_SECTORS * sector_bytes, sector_bytes),
    )


def rotating_sum(data: bytes, start: int = 0, unguarded: frozenset[int] = frozenset()) -> int:
    """Return exFAT's 32-bit checksum, rotate right and add (Microsoft exFAT specification, 3.4 and 7.2)."""
    total = start
    for at, octet in enumerate(data):
        if at not in unguarded:
            total = ((total >> 1 | total << 31) + octet) & 0xFFFFFFFF
    return total


def _checksum_right(read: Reader, offset: int, sector_bytes: int) -> bool:
    """Say whether eleven sectors have the checksum that the twelfth repeats over and over."""
    region = exactly(read, offset, _BOOT_SECTORS * sector_bytes, "the boot record's sectors")
    guarded, stated = region[:-sector_bytes], region[-sector_bytes:]
    return stated == struct.pack("<I", rotating_sum(guarded, unguarded=_UNGUARDED)) * (sector_bytes // 4)
