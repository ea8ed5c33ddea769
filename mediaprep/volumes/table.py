"""The allocation table: which cluster comes after which."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from mediaprep.model import FileSystem
from mediaprep.volumes.exfat import ExfatVolume
from mediaprep.volumes.fat import FatVolume
from mediaprep.volumes.reading import Reader, VolumeUnreadable, exactly

_BLOCK_BYTES = 2**16  # a multiple of every sector size; what is read of the table at a time
# Per width: bits of an entry, and the first value that ends a chain. The value just below it marks a bad cluster.
_FORMS = {12: 0xFF8, 16: 0xFFF8, 28: 0x0FFFFFF8, 32: 0xFFFFFFF8}
_WIDTHS = {FileSystem.FAT12: 12, FileSystem.FAT16: 16, FileSystem.FAT32: 28}


@dataclass(frozen=True, slots=True)
class Run:
    """Clusters that follow each other on the medium."""

    first: int
    count: int

    @property
    def end(self) -> int:
        """The cluster after the last."""
        return self.first + self.count


class AllocationTable:
    """The table in use of a volume, read through the medium one block at a time."""

    def __init__(self, read: Reader, volume: FatVolume | ExfatVolume) -> None:
        self._read = read
        self._offset = volume.table_offset
        self._bytes = volume.table_sectors * volume.sector_bytes
        self._width = 32 if isinstance(volume, ExfatVolume) else _WIDTHS[volume.width_as_used]
        self._end_mark = _FORMS[self._width]
        self._cluster_end = volume.cluster_count + 2
        self._block_at = -1
        self._block = b""

    def is_cluster(self, cluster: int) -> bool:
        """Say whether a number is that of a cluster of the volume."""
        return 2 <= cluster < self._cluster_end

    def next_of(self, cluster: int) -> int | None:
        """Return the cluster after one, None where the chain ends with it.

        Raise VolumeUnreadable where the table says neither: the cluster is free, bad, or followed by none that exists.
        """
        value = self._entry(cluster)
        if value >= self._end_mark:
            return None
        if self.is_cluster(value):
            return value
        if value == 0:
            message = f"cluster {cluster} is in use and the allocation table says that it is free"
        elif value == self._end_mark - 1:
            message = f"cluster {cluster} is in use and the allocation table says that it is bad"
        else:
            message = f"cluster {cluster} is followed by {value}, which does not exist"
        raise VolumeUnreadable(message)

    def chain(self, first: int) -> Iterator[int]:
        """Yield a cluster and all that follow it. It may never end: the caller watches for clusters that come twice.

        Raise VolumeUnreadable as `next_of` does, and where the first does not exist.
        """
        if not self.is_cluster(first):
            message = f"it begins at cluster {first}, which does not exist"
            raise VolumeUnreadable(message)
        cluster: int | None = first
        while cluster is not None:
            yield cluster
            cluster = self.next_of(cluster)

    def _entry(self, cluster: int) -> int:
        if self._width == 12:
            at = cluster + cluster // 2
            pair = int.from_bytes(self._octet(at) + self._octet(at + 1), "little")
            return pair >> 4 if cluster & 1 else pair & 0xFFF
        size = 2 if self._width == 16 else 4
        at = cluster * size
        self._load(at)
        value = int.from_bytes(self._block[at - self._block_at : at - self._block_at + size], "little")
        # The high four bits of FAT32 are not part of the number.
        return value & 0x0FFFFFFF if self._width == 28 else value

    def _octet(self, at: int) -> bytes:
        self._load(at)
        return self._block[at - self._block_at : at - self._block_at + 1]

    def _load(self, at: int) -> None:
        start = at // _BLOCK_BYTES * _BLOCK_BYTES
        if start != self._block_at:
            length = min(_BLOCK_BYTES, self._bytes - start)
            self._block = exactly(self._read, self._offset + start, length, "the allocation table")
            self._block_at = start
