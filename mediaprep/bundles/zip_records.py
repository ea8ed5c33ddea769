"""The records of a zip archive, read as the format is published (PKWARE APPNOTE 6.3.10; chapter numbers are its own).

Python's `zipfile` is not used: it accepts archives that two programs read differently (a local header that says
something else, bytes before or between the members, names cut at a NUL, sizes that are not kept), and which of them
it accepts differs between versions of Python.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from typing import BinaryIO

from mediaprep.bundles.limits import DIRECTORY_BYTES_MAX, MEMBERS_MAX
from mediaprep.bundles.refusals import Refusals
from mediaprep.names import printable

STORED, DEFLATED, BZIP2, LZMA = 0, 8, 12, 14
METHOD_NAMES = {
    1: "Shrink", 6: "Implode", 9: "Deflate64", 10: "DCL Implode", 93: "Zstandard", 95: "XZ", 96: "JPEG", 97: "WavPack",
    98: "PPMd", 99: "AES encryption",
}  # fmt: skip

ENCRYPTED, DESCRIPTOR, PATCHED, STRONG, UTF8, MASKED = 0x0001, 0x0008, 0x0020, 0x0040, 0x0800, 0x2000
# What the two headers of a member must agree on. The rest are hints on how it was packed.
_FLAGS_COMPARED = ENCRYPTED | DESCRIPTOR | PATCHED | STRONG | UTF8 | MASKED

_END = struct.Struct("<4s4H2LH")  # 4.3.16
_END64_LOCATOR = struct.Struct("<4sLQL")  # 4.3.15
_END64 = struct.Struct("<4sQ2H2L4Q")  # 4.3.14
_CENTRAL = struct.Struct("<4s6H3L5H2L")  # 4.3.12
_LOCAL = struct.Struct("<4s5H3L2H")  # 4.3.7
_UTF8_HOSTS = {3, 19}  # 4.4.2: Unix and macOS, where names are UTF-8 whether or not the flag says so
_COMMENT_BYTES_MAX = 0xFFFF
_FULL16, _FULL32 = 0xFFFF, 0xFFFFFFFF
_EXTRA_ZIP64 = 0x0001  # 4.5.3
_EXTRA_UNICODE_PATH = 0x7075  # 4.6.9


@dataclass(frozen=True, slots=True)
class End:
    """Where the central directory lies: `entries` records from `start` to just before `stop`."""

    entries: int
    start: int
    stop: int


@dataclass(frozen=True, slots=True)
class Record:
    """One member as the central directory has it. `unix_mode` and `dos_attributes` are 0 where it does not say."""

    name: str
    raw_name: bytes
    flags: int
    method: int
    crc32: int
    packed_bytes: int
    size_bytes: int
    offset: int
    host: int
    unix_mode: int
    dos_attributes: int

    @property
    def least_stop(self) -> int:
        """The offset before which the member cannot end."""
        return self.offset + _LOCAL.size + len(self.raw_name) + self.packed_bytes


def find_end(opened: BinaryIO, archive_bytes: int, refusals: Refusals) -> End:
    """Read the records at the end. Raise BundleUnsafe where they can be read in two ways, else BundleUnreadable."""
    at, stated = _find_end32(opened, archive_bytes, refusals)
    end64 = _find_end64(opened, at, refusals)
    if end64 is not None:
        at, stated64 = end64
        full = (_FULL16, _FULL16, _FULL16, _FULL16, _FULL32, _FULL32)
        if any(small not in {large, mark} for small, large, mark in zip(stated, stated64, full, strict=True)):
            raise refusals.unsafe("", "has two end records that differ")
        stated = stated64
    disk, first_disk, entries_here, entries, directory_bytes, start = stated
    if (disk, first_disk) != (0, 0) or entries_here != entries:
        raise refusals.damaged("", "is one part of a zip archive that was split")
    if start + directory_bytes > at:
        raise refusals.damaged("", "has an end record that points beyond the archive")
    if start + directory_bytes != at:
        raise refusals.unsafe("", f"has {at - start - directory_bytes} bytes that belong to none of its records")
    if entries > MEMBERS_MAX or directory_bytes > DIRECTORY_BYTES_MAX:
        raise refusals.unsafe("", f"states {entries} members in {directory_bytes} bytes, more than is believed")
    return End(entries, start, at)


def _find_end32(opened: BinaryIO, archive_bytes: int, refusals: Refusals) -> tuple[int, tuple[int, ...]]:
    """Return where the end record starts and what it states, as the zip64 one states it."""
    tail_bytes = min(archive_bytes, _END.size + _COMMENT_BYTES_MAX)
    opened.seek(archive_bytes - tail_bytes)
    tail = opened.read(tail_bytes)
    at = tail.rfind(b"PK\5\6")
    if at < 0:
        raise refusals.damaged("", "has no end record: it is not a whole zip archive")
    if len(tail) - at < _END.size:
        raise refusals.damaged("", "is cut short in its end record")
    _, *stated, comment_bytes = _END.unpack_from(tail, at)
    if at + _END.size + comment_bytes != len(tail):
        raise refusals.unsafe("", "has bytes after its end record, or is cut short there")
    if _another_end(tail, at):
        raise refusals.unsafe("", "has two end records, and programs differ in which of the two they take")
    return archive_bytes - len(tail) + at, tuple(stated)


def _another_end(tail: bytes, last: int) -> bool:
    """Say whether an earlier end record would do, too: its comment, that has the last one in it, fits."""
    at = tail.find(b"PK\5\6")
    while 0 <= at < last:
        if at + _END.size + int.from_bytes(tail[at + 20 : at + 22], "little") == len(tail):
            return True
        at = tail.find(b"PK\5\6", at + 1)
    return False


def _find_end64(opened: BinaryIO, stop: int, refusals: Refusals) -> tuple[int, tuple[int, ...]] | None:
    """Return where the zip64 end record starts and what it states, None where there is none before `stop`."""
    at = stop - _END64_LOCATOR.size
    if at < _END64.size:
        return None
    opened.seek(at)
    signature, disk, start, disks = _END64_LOCATOR.unpack(opened.read(_END64_LOCATOR.size))
    if signature != b"PK\6\7":
        return None
    if start != at - _END64.size or disk != 0 or disks > 1:
        raise refusals.unsafe("", "has a zip64 end record that is not where it should be")
    opened.seek(start)
    signature, size, _, _, *stated = _END64.unpack(opened.read(_END64.size))
    if signature != b"PK\6\6" or size != _END64.size - 12:
        raise refusals.damaged("", "has a damaged zip64 end record")
    return start, tuple(stated)


def read_directory(opened: BinaryIO, end: End, refusals: Refusals) -> Iterator[Record]:
    """Yield every record of the central directory. Raise BundleUnsafe or BundleUnreadable."""
    opened.seek(end.start)
    for _ in range(end.entries):
        header = opened.read(_CENTRAL.size)
        if len(header) < _CENTRAL.size or header[:4] != b"PK\1\2":
            raise refusals.damaged("", "has a damaged directory of its members")
        fields = _CENTRAL.unpack(header)
        host, flags, method, crc32, packed_bytes, size_bytes = fields[1] >> 8, fields[3], fields[4], *fields[7:10]
        name_bytes, extra_bytes, comment_bytes, disk = fields[10:14]
        raw_name, extra_field = opened.read(name_bytes), opened.read(extra_bytes)
        if (
            len(raw_name) < name_bytes
            or len(extra_field) < extra_bytes
            or len(opened.read(comment_bytes)) < comment_bytes
        ):
            raise refusals.damaged("", "ends in the directory of its members")
        extra = _extra_fields(extra_field, raw_name, refusals)
        name = _name(raw_name, flags, host, extra, refusals)
        size_bytes, packed_bytes, offset = _wide(
            extra.get(_EXTRA_ZIP64, b""), (size_bytes, packed_bytes, fields[16]), name, refusals
        )
        if disk not in {0, _FULL16}:
            raise refusals.damaged(name, "lies in another part of a zip archive that was split")
        attributes = fields[15]
        yield Record(
            name,
            raw_name,
            flags,
            method,
            crc32,
            packed_bytes,
            size_bytes,
            offset,
            host,
            attributes >> 16,
            attributes & 0xFFFF,
        )
    if opened.tell() != end.stop:
        raise refusals.unsafe("", "has a directory with more in it than the end record states")


def find_contents(opened: BinaryIO, record: Record, refusals: Refusals) -> int:
    """Read a member's local header and return the offset of its packed bytes.

    Raise BundleUnsafe where it says something else than the central directory, BundleUnreadable where there is none.
    """
    opened.seek(record.offset)
    header = opened.read(_LOCAL.size)
    if len(header) < _LOCAL.size or header[:4] != b"PK\3\4":
        raise refusals.damaged(record.name, "is not where the directory says")
    _, _, flags, method, _, _, crc32, packed_bytes, size_bytes, name_bytes, extra_bytes = _LOCAL.unpack(header)
    raw_name, extra_field = opened.read(name_bytes), opened.read(extra_bytes)
    if raw_name != record.raw_name:
        problem = f"is called '{printable(_shown(raw_name))}' where it lies, and programs differ in which they take"
        raise refusals.unsafe(record.name, problem)
    if len(extra_field) < extra_bytes:
        raise refusals.damaged(record.name, "ends in its header")
    extra = _extra_fields(extra_field, raw_name, refusals)
    if _EXTRA_UNICODE_PATH in extra and _name(raw_name, flags, record.host, extra, refusals) != record.name:
        raise refusals.unsafe(record.name, "has another name where it lies")
    size_bytes, packed_bytes, _ = _wide(
        extra.get(_EXTRA_ZIP64, b""), (size_bytes, packed_bytes, 0), record.name, refusals
    )
    stated = (crc32, packed_bytes, size_bytes)
    known = (record.crc32, record.packed_bytes, record.size_bytes)
    later = bool(record.flags & DESCRIPTOR)
    agree = all(one == other or (later and one == 0) for one, other in zip(stated, known, strict=True))
    if (flags ^ record.flags) & _FLAGS_COMPARED or method != record.method or not agree:
        raise refusals.unsafe(record.name, "has another size, checksum or method where it lies than in the directory")
    return record.offset + _LOCAL.size + len(raw_name) + len(extra_field)


def descriptors(record: Record) -> set[bytes]:
    """Return the forms that the descriptor after a member's bytes may have (4.3.9), none where none is due."""
    if not record.flags & DESCRIPTOR:
        return {b""}
    forms = {struct.pack("<LQQ", record.crc32, record.packed_bytes, record.size_bytes)}
    if max(record.packed_bytes, record.size_bytes) <= _FULL32:
        forms.add(struct.pack("<LLL", record.crc32, record.packed_bytes, record.size_bytes))
    return forms | {b"PK\7\x08" + form for form in forms}


def _name(raw_name: bytes, flags: int, host: int, extra: dict[int, bytes], refusals: Refusals) -> str:
    """Return a member's name. Raise BundleUnsafe where nobody can tell which letters are meant.

    The format says that a name without the UTF-8 flag is in code page 437. Programs on Unix and macOS write their own
    names there, unflagged; what then is whole UTF-8 is taken as that, as it hardly comes about otherwise.
    """
    name: str | None
    try:
        name = raw_name.decode("utf-8" if flags & UTF8 or host in _UTF8_HOSTS else "ascii")
    except UnicodeDecodeError:
        name = None
    # 4.6.9: version 1, the CRC of the name as it stands in the header, then the name in UTF-8.
    field = extra.get(_EXTRA_UNICODE_PATH)
    if field is not None:
        try:
            other = field[5:].decode()
        except UnicodeDecodeError:
            other = ""
        valid = field[:1] == b"\1" and field[1:5] == zlib.crc32(raw_name).to_bytes(4, "little") and other
        if not valid or name not in {None, other}:
            raise refusals.unsafe(_shown(raw_name), "has two names that differ")
        return other
    if name is None:
        raise refusals.unsafe(
            _shown(raw_name), "has a name that is not marked as UTF-8, so its letters cannot be told for certain"
        )
    return name


def _shown(raw_name: bytes) -> str:
    return raw_name.decode("utf-8", "backslashreplace")


def _extra_fields(field: bytes, raw_name: bytes, refusals: Refusals) -> dict[int, bytes]:
    """Return the fields that are used, by their number. Raise BundleUnsafe where one of those is there twice."""
    found: dict[int, bytes] = {}
    at = 0
    while at + 4 <= len(field):
        number, size = struct.unpack_from("<HH", field, at)
        value = field[at + 4 : at + 4 + size]
        at += 4 + size
        if number not in {_EXTRA_ZIP64, _EXTRA_UNICODE_PATH}:
            continue
        if number in found or len(value) < size:
            raise refusals.unsafe(_shown(raw_name), "has extra fields that can be read in two ways")
        found[number] = value
    return found


def _wide(field: bytes, stated: tuple[int, int, int], name: str, refusals: Refusals) -> tuple[int, int, int]:
    """Return size, packed size and offset, each from the zip64 field where its own place holds the mark for that."""
    values = []
    at = 0
    for value in stated:
        if value != _FULL32:
            values.append(value)
            continue
        if at + 8 > len(field):
            raise refusals.damaged(name, "has a zip64 field that is too short")
        values.append(int.from_bytes(field[at : at + 8], "little"))
        at += 8
    return values[0], values[1], values[2]
