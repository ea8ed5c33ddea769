"""The headers of a tar archive: POSIX.1-2017 `pax` (ustar and extended headers), the older v7 form, and GNU's.

Python's `tarfile` is not used: it takes a damaged header after the first for the archive's end, without a word, reads
extended headers of any size into memory, and lets the last of several names for one member win.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from mediaprep.bundles.refusals import Refusals

BLOCK_BYTES = 512
# A size field of eleven octal digits goes up to here; larger sizes are in a pax header or in GNU's binary form.
_OCTAL_SIZE_MAX = 8**11

REGULAR = (b"0", b"\0", b"7")  # 7: a "contiguous" file, which POSIX says to read as a regular one
FOLDER = b"5"
EMPTY = (b"1", b"2", b"3", b"4", b"6")  # links, devices and pipes
PAX, PAX_GLOBAL = b"x", b"g"
GNU_LONG_NAME, GNU_LONG_LINK = b"L", b"K"
KIND_PROBLEMS = {
    b"1": "is a hard link",
    b"2": "is a link",
    b"3": "is a device",
    b"4": "is a device",
    b"6": "is a pipe",
    b"S": "is stored with holes left out (sparse), which programs read in different ways",
    b"M": "is the rest of a file that began in another archive",
    b"V": "is the label of a tape, not a file",
    b"D": "is a listing of a folder from an incremental backup",
}
REMEDIES = {
    b"1": "Have it packed again with tar's '--hard-dereference', or unpack it and take in the folder.",
    b"S": "Have it packed again without holes (tar without '-S', bsdtar with '--no-read-sparse'), or unpack it and "
    "take in the folder.",
}

_OCTAL = re.compile(rb" *([0-7]+)[ \0]*")
_PAX_LENGTH = re.compile(rb"([1-9][0-9]{0,9}) ")
_DECIMAL = re.compile(r"[0-9]{1,19}")


@dataclass(frozen=True, slots=True)
class Header:
    """One block of 512 bytes that says what follows."""

    name: str
    kind: bytes
    size_bytes: int


@dataclass(frozen=True, slots=True)
class Extended:
    """What extended headers say of the next member: None where they say nothing."""

    path: str | None = None
    size_bytes: int | None = None


def is_header(block: bytes) -> bool:
    """Say whether a block of 512 bytes has the checksum that makes it a tar header."""
    if len(block) != BLOCK_BYTES:
        return False
    match = _OCTAL.fullmatch(block[148:156])
    # The checksum is taken with its own field full of blanks.
    return match is not None and int(match[1], 8) == sum(block[:148]) + 8 * ord(" ") + sum(block[156:])


def parse_header(block: bytes, before: str, refusals: Refusals) -> Header:
    """Read the block after the member `before`, which is empty at the start.

    Raise BundleUnreadable where it is no header, BundleUnsafe where it hides something.
    """
    if not is_header(block):
        problem = "is followed by a damaged header" if before else "has a damaged header"
        raise refusals.damaged(before, f"{problem}: what comes after it cannot be told")
    name = _text(block[:100], refusals)
    # Only in POSIX' own form are the first letters of a long name further down; GNU has times there.
    if block[257:263] == b"ustar\0" and block[345]:
        name = f"{_text(block[345:500], refusals)}/{name}"
    return Header(name, block[156:157], _number(block[124:136], name, refusals))


def parse_long_name(data: bytes, refusals: Refusals) -> str:
    """Return the name in a GNU long-name record. Raise BundleUnsafe where it hides something."""
    return _text(data, refusals)


def parse_pax(data: bytes, name: str, refusals: Refusals, *, is_global: bool) -> Extended:
    """Read the records of the extended header `name`; only path and size are used.

    Raise BundleUnsafe where they say something twice or what must not be there, BundleUnreadable where damaged.
    """
    found: dict[str, str] = {}
    while data:
        key, value, data = _pax_record(data, refusals)
        if key.startswith("GNU.sparse."):
            raise refusals.unsafe(name, KIND_PROBLEMS[b"S"], REMEDIES[b"S"])
        if key == "hdrcharset" and value != "ISO-IR 10646 2000 UTF-8":
            raise refusals.unsafe(name, "has names that are not in UTF-8")
        if key not in {"path", "size"}:
            continue
        if key in found:
            raise refusals.unsafe(
                name, f"has two entries for the {key}, and programs differ in which of them they take"
            )
        if is_global:
            raise refusals.unsafe(name, f"states a {key} of all members at once")
        found[key] = value
    size = found.get("size")
    if size is not None and not _DECIMAL.fullmatch(size):
        raise refusals.unsafe(name, f"states a size that is no number: {size[:40]!a}")
    return Extended(found.get("path"), None if size is None else int(size))


def size_of(header: Header, extended: Extended, name: str, refusals: Refusals) -> int:
    """Return a member's size. Raise BundleUnsafe where its header and its extended header differ without need."""
    stated = extended.size_bytes
    if stated is None or stated == header.size_bytes:
        return header.size_bytes
    if stated < _OCTAL_SIZE_MAX:
        raise refusals.unsafe(name, "has two sizes that differ, and programs differ in which of them they take")
    return stated


def _pax_record(data: bytes, refusals: Refusals) -> tuple[str, str, bytes]:
    """Return key, value and what follows of one record: `LENGTH KEY=VALUE` and a line feed."""
    length = _PAX_LENGTH.match(data)
    if length is not None:
        record, rest = data[: int(length[1])], data[int(length[1]) :]
        key, equals, value = record[length.end() : -1].partition(b"=")
        if len(record) == int(length[1]) and record.endswith(b"\n") and equals and key:
            return key.decode("utf-8", "surrogateescape"), value.decode("utf-8", "surrogateescape"), rest
    raise refusals.damaged("", "has a damaged extended header")


def _text(field: bytes, refusals: Refusals) -> str:
    """Return a text that a NUL ends. Raise BundleUnsafe where more follows the NUL."""
    text, _, rest = field.partition(b"\0")
    name = text.decode("utf-8", "surrogateescape")
    if rest.strip(b"\0"):
        raise refusals.unsafe(name, "has a NUL in its name, with more behind it")
    return name


def _number(field: bytes, name: str, refusals: Refusals) -> int:
    """Return a size: octal digits, or GNU's binary form, whose first byte is 0x80 for a positive number."""
    if field[0] == 0x80:
        return int.from_bytes(field[1:], "big")
    if field[0] == 0xFF:
        raise refusals.unsafe(name, "has a negative size")
    match = _OCTAL.fullmatch(field)
    if match is None:
        # Members without contents may leave the field empty.
        if not field.strip(b" \0"):
            return 0
        raise refusals.damaged(name, "has a size that is no number")
    return int(match[1], 8)
