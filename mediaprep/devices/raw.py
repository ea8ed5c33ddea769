"""A block device read as it is, past its file system and past this computer's memory: on Linux, for who may read it."""

from __future__ import annotations

import errno
import mmap
import os
import stat
from collections.abc import Iterator, Mapping

from mediaprep.devices.block import BlockDevice
from mediaprep.devices.faults import CardFaults
from mediaprep.errors import ReadbackFailed
from mediaprep.model import CardEntry, DataEvidence
from mediaprep.ports import CardReading
from mediaprep.rawcard import RawCard, RawFile, stream_file, walk_card
from mediaprep.volumes import VolumeUnreadable

# O_DIRECT takes places and lengths that are whole sectors of the device, into a buffer that begins with a page.
_ALIGNED_BYTES = 4096
_BUFFER_BYTES = 2**20 + 2 * _ALIGNED_BYTES
_DIRECT = getattr(os, "O_DIRECT", 0)


class RawDevice:
    """A disk or partition, or a file that plays one, open for reading. Each read comes from the medium.

    Before such a read Linux writes out what its buffers hold of the same stretch (block/fops.c). What a driver has not
    put into them yet stays out: measured with vfat of Linux 6.1, a file synced and renamed over another is still shown
    with the other's clusters until the whole file system is flushed. So flush first; what is missing then is missing.
    """

    def __init__(self, path: str) -> None:
        """Open a device. Raise OSError where this user may not, or where reads past memory cannot be had."""
        if not _DIRECT:
            raise OSError(errno.EOPNOTSUPP, "reads past memory cannot be had on this system")
        self._opened: int | None = os.open(path, os.O_RDONLY | os.O_CLOEXEC | _DIRECT)
        self._buffer = mmap.mmap(-1, _BUFFER_BYTES)

    def number(self) -> str | None:
        """Return the device's number (`major:minor`), None for a file."""
        info = os.fstat(self._descriptor())
        return f"{os.major(info.st_rdev)}:{os.minor(info.st_rdev)}" if stat.S_ISBLK(info.st_mode) else None

    def read(self, offset: int, length: int) -> bytes:
        """Return the bytes at an offset, fewer where the device ends. Raise OSError. It is a `volumes.Reader`."""
        pieces = []
        while length > 0:
            piece = self._read_piece(offset, min(length, 2**20))
            if not piece:
                break
            pieces.append(piece)
            offset, length = offset + len(piece), length - len(piece)
        return b"".join(pieces)

    def close(self) -> None:
        """Let the device go."""
        if self._opened is not None:
            os.close(self._opened)
            self._opened = None

    def _read_piece(self, offset: int, length: int) -> bytes:
        start = offset // _ALIGNED_BYTES * _ALIGNED_BYTES
        end = -(-(offset + length) // _ALIGNED_BYTES) * _ALIGNED_BYTES
        try:
            count = os.preadv(self._descriptor(), [memoryview(self._buffer)[: end - start]], start)
        except OSError as error:
            # Beyond what a file offset can be: a volume that says it is larger than any device.
            if error.errno == errno.EINVAL and end > 2**63 - 1:
                return b""
            raise
        except OverflowError:
            return b""
        return self._buffer[offset - start : min(count, offset - start + length)]

    def _descriptor(self) -> int:
        if self._opened is None:
            raise OSError(errno.EBADF, "the device was let go")
        return self._opened


def open_raw(device: BlockDevice) -> RawDevice:
    """Open the node of a disk or partition. Raise OSError where this user may not read it, or it is not that device."""
    raw = RawDevice(f"/dev/{device.name}")
    if raw.number() != device.number:
        raw.close()
        raise OSError(errno.ENODEV, f"/dev/{device.name} is not the device of this volume")
    return raw


class RawView:
    """The files of a FAT or exFAT card as its medium holds them. See `ports.MediumView`."""

    def __init__(self, raw: RawDevice, faults: CardFaults, card: str) -> None:
        """Read all folders, and take over the device: it is let go with the view.

        Raise ReadbackFailed where they make no sense, and what a failed read of `faults` means.
        """
        self._raw = raw
        self._faults = faults
        try:
            with faults.reading("its folders"):
                self._card = walk_card(raw.read)
        except VolumeUnreadable as error:
            raw.close()
            message = f"{card} cannot be read as a strict reader, such as a unit's, may read it: {error}"
            raise ReadbackFailed(message) from error
        except BaseException:
            raw.close()
            raise
        self._by_path = {file.path: file for file in self._card.files}

    @property
    def problems(self) -> Mapping[str, str]:
        """What is wrong with a file or folder, by path; `""` is the top folder."""
        return self._card.problems

    def entries(self) -> Iterator[CardEntry]:
        """Yield every file and folder that a strict reader finds, folders before what is in them."""
        for file in self._card.files:
            yield CardEntry(file.path, file.size_bytes, file.is_folder)

    def read(self, path: str) -> CardReading:
        """Open a file for reading by the clusters that the medium's own table names. Raise ReadbackFailed."""
        file = self._by_path.get(path)
        if file is None or file.is_folder:
            message = f"{path} is no file that a strict reader finds on the card"
            raise ReadbackFailed(message)
        return _RawReading(self._raw, self._card, file, self._faults)

    def close(self) -> None:
        """Let the device go."""
        self._raw.close()


class _RawReading:
    """One file being read by its clusters."""

    evidence = DataEvidence.DIRECT

    def __init__(self, raw: RawDevice, card: RawCard, file: RawFile, faults: CardFaults) -> None:
        self._chunks = stream_file(raw.read, card, file)
        self._path = file.path
        self._faults = faults

    def __iter__(self) -> Iterator[bytes]:
        """Yield the file's bytes in order. Raise CardGone or ReadbackFailed."""
        while True:
            try:
                with self._faults.reading(self._path):
                    chunk = next(self._chunks, None)
            except VolumeUnreadable as error:
                # A device that is gone may answer with an end instead of an error.
                self._faults.require_present(f"while {self._path} was being read")
                message = f"{self._path}: {error}"
                raise ReadbackFailed(message) from error
            if chunk is None:
                return
            yield chunk

    def close(self) -> None:
        """Do nothing: the view holds the device."""
