"""The up-case table of exFAT: which letters count as the same in names."""

from __future__ import annotations

import struct
from dataclasses import dataclass

from mediaprep.volumes.exfat import ExfatVolume, rotating_sum
from mediaprep.volumes.reading import Reader, VolumeUnreadable, exactly, require
from mediaprep.volumes.table import AllocationTable

# The recommended table has 5836 bytes; one that names each of the 65536 letters has 128 KiB.
_BYTES_MAX = 2 * 0x10000


@dataclass(frozen=True, slots=True)
class UpcaseTable:
    """The table's checksum as stated in the top folder and as found. A reader may refuse the volume if they differ."""

    size_bytes: int
    stated_checksum: int
    found_checksum: int

    @property
    def is_right(self) -> bool:
        """Whether the table is the one that was meant."""
        return self.stated_checksum == self.found_checksum


def read_upcase(read: Reader, volume: ExfatVolume, entry: bytes) -> UpcaseTable:
    """Return the up-case table that an entry of the top folder (type 0x82) names.

    Fields: Microsoft exFAT specification, 7.2. Raise VolumeUnreadable where it has no sound place.
    """
    require(len(entry) == 32 and entry[0] == 0x82, "this is no entry of an up-case table")
    stated, first, size = struct.unpack_from("<4xI12xIQ", entry, 0)
    require(0 < size <= _BYTES_MAX and size % 2 == 0, f"an up-case table cannot have {size} bytes")
    left = size
    data = bytearray()
    for cluster in AllocationTable(read, volume).chain(first):
        count = min(left, volume.cluster_bytes)
        offset = volume.heap_offset + (cluster - 2) * volume.cluster_bytes
        data += exactly(read, offset, count, "the up-case table")
        left -= count
        if left == 0:
            return UpcaseTable(size, stated, rotating_sum(bytes(data)))
    message = "the chain of the up-case table ends before the table"
    raise VolumeUnreadable(message)
