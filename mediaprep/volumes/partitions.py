"""How a card is divided: a master boot record, a GUID partition table, or one volume over all of it (super-floppy)."""

from __future__ import annotations

import struct
import uuid
import zlib
from dataclasses import dataclass

from mediaprep.model import PartitionTable
from mediaprep.volumes.exfat import looks_like_exfat
from mediaprep.volumes.fat import SIGNATURE, looks_like_fat
from mediaprep.volumes.reading import Reader, exactly, require

_ENTRIES_AT = 446
_STATUSES = {0x00, 0x80}
_PROTECTIVE = 0xEE
_GPT_SIGNATURE = b"EFI PART"
# The table of real cards has 128 entries of 128 bytes. A larger one is refused rather than read at length.
_GPT_TABLE_BYTES_MAX = 2**20

# As sfdisk of util-linux names them.
_NAMES = {
    0x01: "FAT12", 0x04: "FAT16 below 32 MB", 0x05: "extended", 0x06: "FAT16", 0x07: "exFAT or NTFS",
    0x0B: "FAT32 (CHS)", 0x0C: "FAT32 (LBA)", 0x0E: "FAT16 (LBA)", 0x0F: "extended (LBA)", 0x83: "Linux",
}  # fmt: skip
BASIC_DATA = uuid.UUID("EBD0A0A2-B9E5-4433-87C0-68B6B72699C7")


@dataclass(frozen=True, slots=True)
class Partition:
    """One partition. `start_bytes` is from the start of the medium; `kind` its type, as a number or a UUID in text."""

    number: int
    start_bytes: int
    size_bytes: int
    kind: str
    kind_name: str


@dataclass(frozen=True, slots=True)
class Layout:
    """How a card is divided. `partitions` is empty for a super-floppy: the volume begins at the first sector.

    `has_fake_entry`: a volume over the whole card also shows itself as a partition from sector 0 on, for systems that
    want one (`mkfs.fat --mbr`).
    """

    table: PartitionTable
    partitions: tuple[Partition, ...]
    has_fake_entry: bool = False


def read_layout(read: Reader, medium_bytes: int, sector_bytes: int = 512) -> Layout:
    """Return how a medium of a size is divided. `sector_bytes` is what its tables count in.

    The first sector of a FAT volume ends as that of a partition table does, so a boot record is looked for first.
    Logical partitions within an extended one are not followed. Raise VolumeUnreadable where there is neither.
    """
    first = exactly(read, 0, 512, "the first sector")
    require(first[510:512] == SIGNATURE, "the first sector is neither a boot record nor a partition table")
    if looks_like_exfat(first) or looks_like_fat(first):
        status, kind, start, length = _entry(first, 0)
        # Boot code may lie there, so it must look like an entry in all its parts.
        is_fake = looks_like_fat(first) and status in _STATUSES and kind in _NAMES and start == 0 and length > 0
        return Layout(PartitionTable.NONE, (), has_fake_entry=is_fake)
    entries = []
    for number in range(4):
        status, kind, start, length = _entry(first, number)
        if kind:
            require(status in _STATUSES, f"entry {number + 1} of the partition table has status {status:#04x}")
            entries.append((number, (kind, start, length)))
    if any(kind == _PROTECTIVE for _, (kind, _, _) in entries):
        return Layout(PartitionTable.GPT, _gpt(read, medium_bytes, sector_bytes))
    require(bool(entries), "the partition table names no partition")
    partitions = tuple(
        Partition(number + 1, start * sector_bytes, length * sector_bytes, f"{kind:02x}", _NAMES.get(kind, "other"))
        for number, (kind, start, length) in entries
    )
    _require_sound(partitions, medium_bytes)
    return Layout(PartitionTable.MBR, partitions)


def _entry(sector: bytes, number: int) -> tuple[int, int, int, int]:
    """Return (status, type, start, length) of an entry of a master boot record; type 0 is an empty one."""
    status, kind, start, length = struct.unpack_from("<B3xB3xII", sector, _ENTRIES_AT + 16 * number)
    return status, kind, start, length


def _gpt(read: Reader, medium_bytes: int, sector_bytes: int) -> tuple[Partition, ...]:
    """Return the partitions of a GUID partition table (UEFI specification, 5.3)."""
    header = exactly(read, sector_bytes, 92, "the GUID partition table")
    require(header[:8] == _GPT_SIGNATURE, "the card says that it has a GUID partition table, and there is none")
    (size, checksum) = struct.unpack_from("<II", header, 12)
    require(92 <= size <= sector_bytes, f"the header of the GUID partition table cannot have {size} bytes")
    whole = exactly(read, sector_bytes, size, "the GUID partition table")
    require(
        zlib.crc32(whole[:16] + bytes(4) + whole[20:]) == checksum,
        "the header of the GUID partition table has a wrong checksum",
    )
    table_at, count, entry_bytes, table_checksum = struct.unpack_from("<QIII", header, 72)
    require(
        entry_bytes >= 128 and count * entry_bytes <= _GPT_TABLE_BYTES_MAX,
        f"a GUID partition table of {count} entries of {entry_bytes} bytes is none that cards have",
    )
    table = exactly(read, table_at * sector_bytes, count * entry_bytes, "the GUID partition table's entries")
    require(zlib.crc32(table) == table_checksum, "the entries of the GUID partition table have a wrong checksum")
    partitions = []
    for number in range(count):
        kind = uuid.UUID(bytes_le=table[number * entry_bytes : number * entry_bytes + 16])
        start, last = struct.unpack_from("<QQ", table, number * entry_bytes + 32)
        if kind.int:
            name = "basic data" if kind == BASIC_DATA else "other"
            length = (last + 1 - start) * sector_bytes
            partitions.append(Partition(number + 1, start * sector_bytes, length, str(kind), name))
    _require_sound(tuple(partitions), medium_bytes)
    return tuple(partitions)


def _require_sound(partitions: tuple[Partition, ...], medium_bytes: int) -> None:
    """Raise VolumeUnreadable where a partition is empty, leaves the medium, covers its table or meets another."""
    end = 0
    for part in sorted(partitions, key=lambda part: part.start_bytes):
        require(part.start_bytes > 0, f"partition {part.number} covers the partition table")
        require(part.size_bytes > 0, f"partition {part.number} is empty")
        require(part.start_bytes >= end, f"partition {part.number} begins within another")
        end = part.start_bytes + part.size_bytes
        require(end <= medium_bytes, f"partition {part.number} ends {end - medium_bytes} bytes beyond the medium")
