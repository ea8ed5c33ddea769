"""The bytes of a file, from the clusters that hold it."""

from __future__ import annotations

from collections.abc import Iterator

from mediaprep.rawcard.files import RawCard, RawFile
from mediaprep.volumes import Reader
from mediaprep.volumes.reading import exactly

CHUNK_BYTES = 2**20


def stream_file(read: Reader, card: RawCard, file: RawFile) -> Iterator[bytes]:
    """Yield a file's bytes in order, in chunks of at most 1 MiB. Nothing for a folder.

    Raise VolumeUnreadable where the medium ends before. Whether the file can be relied on, `card.problems` tells.
    """
    left, valid = file.size_bytes, file.valid_bytes
    for run in file.runs:
        offset = card.volume.heap_offset + (run.first - 2) * card.volume.cluster_bytes
        end = offset + run.count * card.volume.cluster_bytes
        while offset < end and left > 0:
            count = min(CHUNK_BYTES, end - offset, left)
            written = min(count, valid)
            data = exactly(read, offset, written, file.path) if written else b""
            yield data + bytes(count - written)
            offset, left, valid = offset + count, left - count, valid - written
