"""A tar archive as a bundle, packed or not: one pass from its first block to its last."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import BinaryIO, Protocol

from mediaprep.bundles.archive import Archive, Member
from mediaprep.bundles.limits import TAR_RECORD_BYTES_MAX, Tally
from mediaprep.bundles.packing import (
    CHUNK_BYTES,
    Decoder,
    PackingError,
    PackingTooLarge,
    Zstd,
    bzip2_decoder,
    gzip_decoder,
    unpacked,
    xz_decoder,
)
from mediaprep.bundles.refusals import LOOK_INSIDE, NAMELESS, Refusals
from mediaprep.bundles.tar_headers import (
    BLOCK_BYTES,
    EMPTY,
    FOLDER,
    GNU_LONG_LINK,
    GNU_LONG_NAME,
    KIND_PROBLEMS,
    PAX,
    PAX_GLOBAL,
    REGULAR,
    REMEDIES,
    Extended,
    Header,
    is_header,
    parse_header,
    parse_long_name,
    parse_pax,
    size_of,
)
from mediaprep.errors import Interrupted
from mediaprep.names import is_litter
from mediaprep.ports import Cancelled

# By the bytes that such a file starts with. Frames that zstd readers skip may come before the first real one.
PACKINGS: tuple[tuple[bytes, Callable[[], Decoder]], ...] = (
    (b"\x1f\x8b", gzip_decoder),
    (b"BZh", bzip2_decoder),
    (b"\xfd7zXZ\0", xz_decoder),
    (b"\x28\xb5\x2f\xfd", Zstd),
    *((bytes([number, 0x2A, 0x4D, 0x18]), Zstd) for number in range(0x50, 0x60)),
)
_READ_BYTES = 2**16
_ZERO_BLOCK = bytes(BLOCK_BYTES)


class _Stream(Protocol):
    """The blocks of a tar, one after another."""

    def read(self, count: int) -> bytes:
        """Return up to so many bytes, none at the end."""

    def skip(self, count: int) -> None:
        """Pass over so many bytes. That the end came first shows at the next read."""


class TarBundle(Archive):
    """The files of a tar archive: plain, or packed with gzip, bzip2, xz or Zstandard, whichever it turns out to be."""

    form = "tar"

    def _walk(
        self, opened: BinaryIO, wanted: Collection[str] | None, cancelled: Cancelled
    ) -> Iterator[tuple[Member, Iterator[bytes]]]:
        tally = Tally(os.fstat(opened.fileno()).st_size, self._refusals)
        stream = _open_stream(opened, tally, self._refusals, cancelled)
        for name, header, size_bytes in _members(stream, self._refusals):
            self._stop_if(cancelled, name)
            contents = _Contents(stream, name, size_bytes, self._refusals)
            if self._is_file(name, header, size_bytes, tally) and (wanted is None or name in wanted):
                yield Member(name, size_bytes), iter(contents)
            contents.pass_over()
        _require_only_zeros(stream, self._refusals)

    def _is_file(self, name: str, header: Header, size_bytes: int, tally: Tally) -> bool:
        """Say whether a member is a file that belongs to the bundle. Raise BundleUnsafe where it must not be copied."""
        if not name:
            return False
        path, kind = name.removesuffix("/"), header.kind
        tally.member(path)
        if kind in EMPTY and size_bytes:
            raise self._refusals.unsafe(name, "states a size, though its kind has no contents")
        if is_litter(name) and kind in {*REGULAR, *EMPTY, FOLDER}:
            return False
        if kind == FOLDER or (kind in REGULAR and name.endswith("/")):
            if size_bytes:
                raise self._refusals.unsafe(name, "is a folder with contents of its own")
            tally.folder(path)
            return False
        if kind not in REGULAR:
            problem = KIND_PROBLEMS.get(kind, f"is of a kind that is not known here ({kind.decode('latin-1')!a})")
            raise self._refusals.unsafe(name, problem, REMEDIES.get(kind, LOOK_INSIDE))
        tally.file(path, size_bytes)
        return True


def starts_like_tar(path: Path) -> bool:
    """Say whether a file, or what is packed in it, starts with a header of tar.

    Raise OSError, BundleUnreadable where it is packed and damaged, BundleUnsafe where unpacking takes too much memory.
    """
    refusals = Refusals(str(path))
    with path.open("rb") as opened:
        stream = _open_stream(opened, Tally(path.stat().st_size, refusals), refusals, lambda: False)
        block = b""
        while len(block) < BLOCK_BYTES and (more := stream.read(BLOCK_BYTES - len(block))):
            block += more
    return is_header(block)


def _members(stream: _Stream, refusals: Refusals) -> Iterator[tuple[str, Header, int]]:
    """Yield name, header and size of each member; its contents must be read before the next is asked for."""
    long_name: str | None = None
    extended: Extended | None = None
    before = ""
    while (block := _exactly(stream, BLOCK_BYTES, refusals, before)) != _ZERO_BLOCK:
        header = parse_header(block, before, refusals)
        if header.kind == PAX:
            if extended is not None:
                raise refusals.unsafe(header.name, "is a second extended header for one member")
            extended = parse_pax(_record(stream, header, refusals), header.name, refusals, is_global=False)
        elif header.kind == PAX_GLOBAL:
            parse_pax(_record(stream, header, refusals), header.name, refusals, is_global=True)
        elif header.kind == GNU_LONG_NAME:
            if long_name is not None:
                raise refusals.unsafe(header.name, "is a second long name for one member")
            long_name = parse_long_name(_record(stream, header, refusals), refusals)
        elif header.kind == GNU_LONG_LINK:
            _record(stream, header, refusals)  # the link itself comes next, and is refused
        else:
            known = extended or Extended()
            name = _name_of(header, long_name, known.path, refusals)
            yield name, header, size_of(header, known, name, refusals)
            long_name = extended = None
            before = name
    if long_name is not None or extended is not None:
        raise refusals.damaged("", "ends where a member should come")
    if _exactly(stream, BLOCK_BYTES, refusals, before) != _ZERO_BLOCK:
        raise refusals.damaged("", "has only half an end mark, and more after it")


def _name_of(header: Header, long_name: str | None, pax_name: str | None, refusals: Refusals) -> str:
    """Return a member's name; empty for the folder that was packed itself."""
    if long_name is not None and pax_name is not None and long_name != pax_name:
        raise refusals.unsafe(pax_name, "has two long names that differ")
    name = next((name for name in (pax_name, long_name) if name is not None), header.name)
    # `tar -C FOLDER -c .` writes ./ before every name.
    if name in {"", ".", "./"} and header.kind == FOLDER:
        return ""
    name = name.removeprefix("./")
    if not name:
        raise refusals.unsafe(NAMELESS, "cannot be copied")
    return name


def _record(stream: _Stream, header: Header, refusals: Refusals) -> bytes:
    """Return the contents of an extended header or a long name, without the bytes that fill its last block."""
    if header.size_bytes > TAR_RECORD_BYTES_MAX:
        raise refusals.unsafe(header.name, f"is a header of more than {TAR_RECORD_BYTES_MAX} bytes")
    data = _exactly(stream, header.size_bytes, refusals, header.name)
    stream.skip(-header.size_bytes % BLOCK_BYTES)
    return data


def _exactly(stream: _Stream, count: int, refusals: Refusals, before: str) -> bytes:
    """Return so many bytes. Raise BundleUnreadable where there are fewer, naming the member that came before."""
    data = stream.read(count)
    while len(data) < count:
        more = stream.read(count - len(data))
        if not more:
            problem = (
                "is the last: the archive ends there, before its end mark" if before else "ends before its end mark"
            )
            raise refusals.damaged(before, problem)
        data += more
    return data


def _require_only_zeros(stream: _Stream, refusals: Refusals) -> None:
    """Read to the end: tar fills its last record with zeros."""
    while data := stream.read(CHUNK_BYTES):
        if data.strip(b"\0"):
            raise refusals.unsafe("", "has something after its end mark, which some programs read and others do not")


class _Contents:
    """One member's bytes. What is not taken of them is passed over, with the bytes that fill its last block."""

    def __init__(self, stream: _Stream, name: str, size_bytes: int, refusals: Refusals) -> None:
        self._stream = stream
        self._name = name
        self._left = size_bytes
        self._padding = -size_bytes % BLOCK_BYTES
        self._refusals = refusals

    def __iter__(self) -> Iterator[bytes]:
        while self._left:
            chunk = self._stream.read(min(self._left, CHUNK_BYTES))
            if not chunk:
                raise self._refusals.damaged(self._name, "is cut short")
            self._left -= len(chunk)
            yield chunk

    def pass_over(self) -> None:
        self._stream.skip(self._left + self._padding)
        self._left = 0


class _Plain:
    """A tar that is not packed."""

    def __init__(self, opened: BinaryIO) -> None:
        self._opened = opened

    def read(self, count: int) -> bytes:
        return self._opened.read(count)

    def skip(self, count: int) -> None:
        if count:
            self._opened.seek(count, os.SEEK_CUR)


class _Packed:
    """A tar that is packed as a whole: what is passed over must be unpacked all the same."""

    def __init__(self, chunks: Iterator[bytes]) -> None:
        self._chunks = chunks
        self._held = b""
        self._at = 0

    def read(self, count: int) -> bytes:
        while self._at == len(self._held):
            chunk = next(self._chunks, None)
            if chunk is None:
                return b""
            self._held, self._at = chunk, 0
        data = self._held[self._at : self._at + count]
        self._at += len(data)
        return data

    def skip(self, count: int) -> None:
        while count:
            passed = len(self.read(min(count, CHUNK_BYTES)))
            if not passed:
                return
            count -= passed


def _open_stream(opened: BinaryIO, tally: Tally, refusals: Refusals, cancelled: Cancelled) -> _Stream:
    start = opened.read(max(len(magic) for magic, _ in PACKINGS))
    opened.seek(0)
    for magic, make in PACKINGS:
        if start.startswith(magic):
            return _Packed(_unpacked(opened, make, tally, refusals, cancelled))
    return _Plain(opened)


def _unpacked(
    opened: BinaryIO, make: Callable[[], Decoder], tally: Tally, refusals: Refusals, cancelled: Cancelled
) -> Iterator[bytes]:
    """Yield what a packed file holds. Raise BundleUnreadable, BundleUnsafe or Interrupted."""

    def read() -> bytes:
        if cancelled():
            message = f"Stopped on request while {refusals.location} was being read"
            raise Interrupted(message)
        return opened.read(_READ_BYTES)

    total_bytes = 0
    try:
        for chunk in unpacked(read, make):
            total_bytes += len(chunk)
            tally.unpacked("", total_bytes)
            yield chunk
    except PackingTooLarge as error:
        raise refusals.unsafe("", str(error)) from error
    except PackingError as error:
        raise refusals.damaged("", f"is damaged: {error}") from error
