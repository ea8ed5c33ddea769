"""What stands beside a FAT boot record: marks of trouble in two places, the count of free clusters, the spare."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from mediaprep.model import FileSystem
from mediaprep.volumes.fat import BOOT_BYTES, FatVolume
from mediaprep.volumes.reading import Reader, exactly

_NOT_KNOWN = 0xFFFFFFFF
# (not dirty, no error) in entry 1 of the table, where a set bit means that all is well (Microsoft's FAT specification).
_GOOD_BITS = {FileSystem.FAT16: (0x8000, 0x4000), FileSystem.FAT32: (0x08000000, 0x04000000)}


@dataclass(frozen=True, slots=True)
class FatMarks:
    """How a volume was left, by each of the two places that say so. None where the width has no such place.

    Linux sets the boot record's mark when it mounts for writing and takes it away when it unmounts; it leaves the
    table's alone. Others use the table's. fsck.fat 4.2 looks at both dirty marks and at no error mark.
    """

    dirty_in_boot_record: bool
    error_in_boot_record: bool
    dirty_in_table: bool | None
    error_in_table: bool | None


@dataclass(frozen=True, slots=True)
class FsInfo:
    """What FAT32 notes of its free clusters. Advice only: it may be wrong. None where it says that it does not know."""

    free_clusters: int | None
    next_cluster: int | None


def read_marks(read: Reader, volume: FatVolume) -> FatMarks:
    """Return a volume's marks. Raise VolumeUnreadable where the medium ends before its table."""
    good = _GOOD_BITS.get(volume.width_as_used)
    in_table: tuple[bool | None, bool | None] = (None, None)
    if good is not None:
        size = 2 if volume.width_as_used is FileSystem.FAT16 else 4
        entry = int.from_bytes(exactly(read, volume.table_offset + size, size, "the allocation table"), "little")
        in_table = (not entry & good[0], not entry & good[1])
    return FatMarks(bool(volume.state_byte & 1), bool(volume.state_byte & 2), *in_table)


def read_fs_info(read: Reader, volume: FatVolume) -> FsInfo | None:
    """Return what FAT32 notes of its free clusters, None where it has no such sector or the sector is not sound.

    Offsets and signatures: Linux include/uapi/linux/msdos_fs.h. Raise VolumeUnreadable where the medium ends before.
    """
    if volume.fs_info_sector is None:
        return None
    sector = exactly(read, volume.fs_info_sector * volume.sector_bytes, BOOT_BYTES, "the FSInfo sector")
    lead, middle, free, following, trail = (struct.unpack_from("<I", sector, at)[0] for at in (0, 484, 488, 492, 508))
    if (lead, middle, trail) != (0x41615252, 0x61417272, 0xAA550000):
        return None
    return FsInfo(None if free == _NOT_KNOWN else free, None if following == _NOT_KNOWN else following)


def backup_differences(read: Reader, volume: FatVolume) -> tuple[int, ...] | None:
    """Return the offsets at which FAT32's spare boot record differs from the boot record; None where there is none.

    A volume in use differs at 65, the mark that Linux sets. Raise VolumeUnreadable where the medium ends before.
    """
    if volume.backup_sector is None:
        return None
    first = exactly(read, 0, BOOT_BYTES, "the boot record")
    spare = exactly(read, volume.backup_sector * volume.sector_bytes, BOOT_BYTES, "the spare boot record")
    return tuple(at for at, (one, other) in enumerate(zip(first, spare, strict=True)) if one != other)
