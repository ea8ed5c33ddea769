"""A zip archive as a bundle: its members are found through its directory, and every byte of it is accounted for."""

from __future__ import annotations

import os
import stat
import zlib
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from mediaprep.bundles.archive import Archive, Member
from mediaprep.bundles.limits import Tally
from mediaprep.bundles.packing import (
    Decoder,
    PackingError,
    PackingTooLarge,
    Stored,
    Zlib,
    bzip2_decoder,
    zip_lzma_decoder,
)
from mediaprep.bundles.refusals import Refusals
from mediaprep.bundles.zip_records import (
    BZIP2,
    DEFLATED,
    ENCRYPTED,
    LZMA,
    MASKED,
    METHOD_NAMES,
    PATCHED,
    STORED,
    STRONG,
    Record,
    descriptors,
    find_contents,
    find_end,
    read_directory,
)
from mediaprep.names import is_litter
from mediaprep.ports import Cancelled

_DOS_FOLDER, _DOS_LINK = 0x10, 0x400
_LZMA_HEADER_BYTES = 9  # APPNOTE 5.8.8: two of version, two of size, five of properties
_READ_BYTES = 2**18


@dataclass(frozen=True, slots=True)
class _Directory:
    """All members in the order in which they lie, each with the offset before which it must end."""

    identity: tuple[int, int]
    members: tuple[tuple[Record, int], ...]
    files: int


class ZipBundle(Archive):
    """The files of a zip archive: stored, deflated, or packed with bzip2 or LZMA."""

    form = "zip"

    def __init__(self, path: Path) -> None:
        super().__init__(path)
        self._known: _Directory | None = None

    def _walk(
        self, opened: BinaryIO, wanted: Collection[str] | None, cancelled: Cancelled
    ) -> Iterator[tuple[Member, Iterator[bytes]]]:
        directory = self._directory(opened)
        for record, stop in directory.members:
            self._stop_if(cancelled, record.name)
            if wanted is not None and record.name not in wanted:
                continue
            start = self._find(opened, record, stop)
            if _is_wanted(record):
                contents = _contents(opened, record, start, self._refusals)
                yield Member(record.name, record.size_bytes, directory.files), contents

    def _directory(self, opened: BinaryIO) -> _Directory:
        """Read the central directory, once for as long as the archive stays the same."""
        info = os.fstat(opened.fileno())
        identity = (info.st_size, info.st_mtime_ns)
        if self._known is None or self._known.identity != identity:
            self._known = self._read_directory(opened, identity)
        return self._known

    def _read_directory(self, opened: BinaryIO, identity: tuple[int, int]) -> _Directory:
        archive_bytes = identity[0]
        end = find_end(opened, archive_bytes, self._refusals)
        tally = Tally(archive_bytes, self._refusals)
        records = []
        for record in read_directory(opened, end, self._refusals):
            self._judge(record, tally)
            records.append(record)
        records.sort(key=lambda record: record.offset)
        stops = [*(record.offset for record in records[1:]), end.start]
        if (records[0].offset if records else end.start) > 0:
            raise self._refusals.unsafe("", "has something before its first member, such as a program")
        for record, stop in zip(records, stops, strict=False):
            if record.least_stop > stop:
                raise self._refusals.unsafe(record.name, "overlaps with what comes after it")
        files = sum(map(_is_wanted, records))
        return _Directory(identity, tuple(zip(records, stops, strict=False)), files)

    def _judge(self, record: Record, tally: Tally) -> None:
        """Refuse a member that must not be copied or cannot be read, by what the directory says of it."""
        name, flags, refusals = record.name, record.flags, self._refusals
        is_folder = name.endswith("/")
        tally.member(name.removesuffix("/"))
        if is_litter(name):
            return
        if flags & (ENCRYPTED | STRONG | MASKED):
            raise refusals.unsafe(
                name,
                "is encrypted, and no password is asked for",
                "Unpack it with its password, then take in the folder.",
            )
        kind = _kind_problem(record, is_folder=is_folder)
        if kind is not None:
            raise refusals.unsafe(name, kind)
        if flags & PATCHED:
            raise refusals.unsafe(name, "is a patch for another file, not a file")
        if record.method not in {STORED, DEFLATED, BZIP2, LZMA}:
            method = METHOD_NAMES.get(record.method, f"method {record.method}")
            raise refusals.unsafe(
                name, f"is packed with {method}, which cannot be read here", "Unpack it, then take in the folder."
            )
        if is_folder:
            tally.folder(name.removesuffix("/"))
        else:
            tally.file(name, record.size_bytes)
            tally.unpacked(name, tally.file_bytes)

    def _find(self, opened: BinaryIO, record: Record, stop: int) -> int:
        """Return where a member's packed bytes start, and require that it ends where the next record starts."""
        start = find_contents(opened, record, self._refusals)
        left_over = stop - start - record.packed_bytes
        if left_over < 0:
            raise self._refusals.unsafe(record.name, "overlaps with what comes after it")
        allowed = descriptors(record)
        if left_over > max(map(len, allowed)):
            raise self._refusals.unsafe(record.name, f"is followed by {left_over} bytes that belong to no member")
        if left_over:
            opened.seek(stop - left_over)
        if opened.read(left_over) not in allowed:
            raise self._refusals.unsafe(record.name, "is followed by bytes that say something else than the directory")
        return start


def _is_wanted(record: Record) -> bool:
    return not record.name.endswith("/") and not is_litter(record.name)


def _kind_problem(record: Record, *, is_folder: bool) -> str | None:
    kind = stat.S_IFMT(record.unix_mode)
    if kind == stat.S_IFLNK or record.dos_attributes & _DOS_LINK:
        return "is a link"
    if kind not in {0, stat.S_IFREG, stat.S_IFDIR}:
        return "is no plain file"
    if (kind == stat.S_IFDIR and not is_folder) or (kind == stat.S_IFREG and is_folder):
        return "is called a file in one place and a folder in another"
    if record.dos_attributes & _DOS_FOLDER and not is_folder:
        return "is called a file in one place and a folder in another"
    if is_folder and record.size_bytes:
        return "is a folder with contents of its own"
    return None


def _contents(opened: BinaryIO, record: Record, start: int, refusals: Refusals) -> Iterator[bytes]:
    """Yield a member's bytes. Raise BundleUnreadable where they are not what was stated, BundleUnsafe where more."""
    opened.seek(start)
    size = crc32 = 0
    try:
        decoder, left = _decoder(opened, record)
        while left and not decoder.finished:
            data = opened.read(min(left, _READ_BYTES))
            if not data:
                raise refusals.damaged(record.name, "is cut short")
            left -= len(data)
            for chunk in decoder.feed(data):
                size += len(chunk)
                if size > record.size_bytes:
                    raise refusals.unsafe(record.name, "holds more than the archive says")
                crc32 = zlib.crc32(chunk, crc32)
                yield chunk
    except PackingTooLarge as error:
        raise refusals.unsafe(record.name, str(error)) from error
    except PackingError as error:
        raise refusals.damaged(record.name, f"is damaged: {error}") from error
    if left or decoder.unused:
        raise refusals.unsafe(record.name, "holds bytes after its own end")
    # LZMA in a zip need not have an end mark.
    if not decoder.finished and record.method in {DEFLATED, BZIP2}:
        raise refusals.damaged(record.name, "ends before its own end mark")
    _require_as_stated(record, size, crc32, refusals)


def _require_as_stated(record: Record, size: int, crc32: int, refusals: Refusals) -> None:
    if size != record.size_bytes:
        raise refusals.damaged(record.name, f"holds {size} bytes, and the archive says {record.size_bytes}")
    if crc32 != record.crc32:
        raise refusals.damaged(record.name, "is damaged: its checksum (CRC-32) does not agree")


def _decoder(opened: BinaryIO, record: Record) -> tuple[Decoder, int]:
    """Return the decoder for a member, and how many packed bytes are left after what the decoder itself needed."""
    left = record.packed_bytes
    if record.method == STORED:
        return Stored(), left
    if record.method == DEFLATED:
        return Zlib(-zlib.MAX_WBITS), left
    if record.method == BZIP2:
        return bzip2_decoder(), left
    header = opened.read(min(left, _LZMA_HEADER_BYTES))
    if len(header) < _LZMA_HEADER_BYTES or header[2:4] != b"\5\0":
        message = "its LZMA header is not whole"
        raise PackingError(message)
    return zip_lzma_decoder(header[4:]), left - _LZMA_HEADER_BYTES
