"""Where bytes come from, and the one error for what cannot be made sense of."""

from __future__ import annotations

from collections.abc import Callable
from typing import TypeAlias

# Returns the bytes at an offset: as many as asked for, or fewer where the medium ends. May raise OSError, which is let
# through: a card that cannot be read is another matter than one that reads as nonsense.
Reader: TypeAlias = Callable[[int, int], bytes]


class VolumeUnreadable(ValueError):
    """What was read is no volume of a known kind, or its parts contradict each other. Says what is wrong, and where."""


def in_bytes(data: bytes | bytearray | memoryview) -> Reader:
    """Return a reader over bytes in memory."""
    view = memoryview(data)
    return lambda offset, length: bytes(view[offset : offset + length])


def part_of(read: Reader, start: int, length: int) -> Reader:
    """Return a reader of one stretch of the medium, such as a partition, that begins at 0 and ends with it."""
    return lambda offset, count: read(start + offset, max(min(count, length - offset), 0))


def exactly(read: Reader, offset: int, length: int, what: str) -> bytes:
    """Return as many bytes as asked for. Raise VolumeUnreadable, naming `what`, where the medium ends before."""
    data = read(offset, length)
    if len(data) != length:
        message = f"the medium ends within {what}, at byte {offset + len(data)}"
        raise VolumeUnreadable(message)
    return data


def require(holds: object, what: str) -> None:
    """Raise VolumeUnreadable saying `what` is wrong, unless `holds` is true."""
    if not holds:
        raise VolumeUnreadable(what)


def text_of(octets: bytes) -> str:
    """Return a field of letters padded with blanks: ASCII as it is, other bytes by code page 437, as Linux does."""
    return octets.rstrip(b" \0").decode("cp437")


def serial_text(number: int) -> str:
    """Return a volume's serial number as it is commonly written, such as `1234-ABCD`."""
    return f"{number >> 16:04X}-{number & 0xFFFF:04X}"
