"""Forcing bytes out to a medium, and reading them back from it rather than from this computer's memory.

Measured on Linux: a plain read after a write comes from memory; O_DIRECT comes from the device; so does a plain read
after fsync and POSIX_FADV_DONTNEED, while DONTNEED without the fsync drops nothing.
"""

from __future__ import annotations

import ctypes
import errno
import mmap
import os
from collections.abc import Iterator
from typing import NamedTuple

from mediaprep.devices.faults import CardFaults
from mediaprep.devices.tree import FolderTree
from mediaprep.errors import ReadbackFailed
from mediaprep.model import DataEvidence

CHUNK_BYTES = 2**20
_DIRECT = getattr(os, "O_DIRECT", 0)


def flush_file_system(folder: int) -> None:
    """Force a whole file system, named by the descriptor of a folder on it, onto its medium. Raise OSError.

    On Linux this is syncfs, which also tells of a write that failed behind our back since the last call; Python's `os`
    lacks it. Elsewhere it is the nearest there is; Windows has nothing for an ordinary user, but writes the folders
    of removable volumes through.
    """
    library = ctypes.CDLL(None, use_errno=True) if os.name == "posix" else None
    syncfs = getattr(library, "syncfs", None)
    if syncfs is not None:
        if syncfs(ctypes.c_int(folder)) != 0:
            number = ctypes.get_errno()
            raise OSError(number, os.strerror(number))
    elif hasattr(os, "sync"):
        os.sync()


def open_reading(tree: FolderTree, path: str, faults: CardFaults, *, has_medium: bool) -> MediumReading:
    """Open a file for reading by the strongest means there is: O_DIRECT, else dropped from memory, else plain.

    `has_medium` false: the volume lies on no block device that we know of (it is in memory, or on a network), so
    whatever is done, nothing shows that the bytes came from a medium.
    """
    with faults.reading(path):
        if has_medium and _DIRECT:
            direct = _open_direct(tree, path, faults)
            if direct is not None:
                return direct
        opened = tree.open_read(path)
        try:
            evidence = DataEvidence.EVICTED if has_medium and _drop_from_memory(opened) else DataEvidence.CACHED
        except BaseException:
            os.close(opened)
            raise
        return MediumReading(opened, path, evidence, faults)


class _DirectStart(NamedTuple):
    """An aligned buffer for O_DIRECT, and the file's first bytes as they came through it."""

    buffer: mmap.mmap
    first: bytes


class MediumReading:
    """One file being read back, once. `evidence` says by what means."""

    def __init__(
        self, opened: int, path: str, evidence: DataEvidence, faults: CardFaults, direct: _DirectStart | None = None
    ) -> None:
        self.evidence = evidence
        self._opened: int | None = opened
        self._path = path
        self._faults = faults
        self._buffer = direct.buffer if direct else None
        self._ahead = direct.first if direct else b""
        self._size_bytes = os.fstat(opened).st_size

    def __iter__(self) -> Iterator[bytes]:
        """Yield chunks until the end of the file. Raise CardGone or ReadbackFailed, also where it ends too early."""
        offset = 0
        while offset < self._size_bytes:
            with self._faults.reading(self._path):
                chunk = self._read(offset)
            if not chunk:
                # A device that is gone may answer with an end of file instead of an error.
                self._faults.require_present(f"while {self._path} was being read")
                message = f"{self._path} ends after {offset} of {self._size_bytes} bytes"
                raise ReadbackFailed(message)
            offset += len(chunk)
            yield chunk

    def close(self) -> None:
        """Let the file go."""
        if self._opened is not None:
            os.close(self._opened)
            self._opened = None

    def _read(self, offset: int) -> bytes:
        if self._opened is None:
            raise OSError(errno.EBADF, "the file was let go")
        if self._ahead:
            chunk, self._ahead = self._ahead, b""
            return chunk
        if self._buffer is None:
            return os.read(self._opened, CHUNK_BYTES)
        return self._buffer[: os.preadv(self._opened, [self._buffer], offset)]


def _open_direct(tree: FolderTree, path: str, faults: CardFaults) -> MediumReading | None:
    """Open with O_DIRECT into a buffer aligned to a page; None where the file system will not have it."""
    try:
        opened = tree.open_read(path, _DIRECT)
    except OSError as error:
        if error.errno in {errno.EINVAL, errno.EOPNOTSUPP}:
            return None
        raise
    try:
        # Some file systems take the flag and refuse the read, so the first read is made now. Its bytes are kept:
        # reading them twice would make the device's counter say more than was verified.
        buffer = mmap.mmap(-1, CHUNK_BYTES)
        first = buffer[: os.preadv(opened, [buffer], 0)]
    except OSError as error:
        os.close(opened)
        if error.errno == errno.EINVAL:
            return None
        raise
    return MediumReading(opened, path, DataEvidence.DIRECT, faults, _DirectStart(buffer, first))


def _drop_from_memory(opened: int) -> bool:
    """Make the kernel forget a file's pages; say whether that was asked in a way that works. Raise OSError."""
    if not hasattr(os, "posix_fadvise"):
        return False
    try:
        os.fsync(opened)
    except OSError as error:
        if error.errno in {errno.EINVAL, errno.EROFS}:
            return False
        raise
    os.posix_fadvise(opened, 0, 0, os.POSIX_FADV_DONTNEED)
    return True
