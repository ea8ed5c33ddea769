"""What can go wrong with a simulated card, scripted: pure values, and what they make of bytes on the medium.

Paths are compared as given: the caller spells them as the card does.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import TypeAlias


class Unflushed(StrEnum):
    """What becomes of the files that were made or renamed since the last flush, when a card goes without warning."""

    KEPT = "kept"
    EMPTY = "empty"
    GONE = "gone"


@dataclass(frozen=True, slots=True)
class FullAfter:
    """The card says that it is full when `written_bytes` were written to it, whatever its free room is."""

    written_bytes: int


@dataclass(frozen=True, slots=True)
class VanishesAfterWriting:
    """The card is pulled out when `written_bytes` were written to it. It happens once."""

    written_bytes: int
    unflushed: Unflushed = Unflushed.KEPT


@dataclass(frozen=True, slots=True)
class VanishesAfterReading:
    """The card is pulled out when `read_bytes` were read from it. It happens once."""

    read_bytes: int


@dataclass(frozen=True, slots=True)
class LosesPower:
    """Power fails when `written_bytes` were written: what was not flushed is lost as `unflushed` says. Happens once.

    EMPTY is what was seen on FAT after fsync of files and folders without a flush of the whole file system: the names
    were there, the files had 0 bytes. GONE: the names were lost too.
    """

    written_bytes: int
    unflushed: Unflushed = Unflushed.EMPTY


@dataclass(frozen=True, slots=True)
class FlippedBit:
    """One bit on the medium reads back wrong: bit `bit` of the byte at `offset` of the file at `path`."""

    path: str
    offset: int
    bit: int = 0


@dataclass(frozen=True, slots=True)
class LyingWrite:
    """Writes to `length` bytes at `offset` of the file at `path` report success, and the medium holds zeros there."""

    path: str
    offset: int
    length: int


@dataclass(frozen=True, slots=True)
class EndsEarly:
    """Reading the file at `path` ends after `offset` bytes, without an error."""

    path: str
    offset: int


@dataclass(frozen=True, slots=True)
class Slow:
    """The card moves no more than `bytes_per_second`."""

    bytes_per_second: int

    def __post_init__(self) -> None:
        if self.bytes_per_second < 1:
            message = f"bytes_per_second {self.bytes_per_second} would never end"
            raise ValueError(message)


Fault: TypeAlias = (
    FullAfter | VanishesAfterWriting | VanishesAfterReading | LosesPower | FlippedBit | LyingWrite | EndsEarly | Slow
)


def as_on_medium(chunk: bytes, offset: int, path: str, faults: Iterable[Fault]) -> bytes:
    """Return what the medium gives for bytes written at an offset of a file: bits flipped, lies shown as zeros."""
    spoilt = bytearray(chunk)
    for fault in faults:
        if isinstance(fault, LyingWrite) and fault.path == path:
            start = max(fault.offset - offset, 0)
            end = min(fault.offset + fault.length - offset, len(chunk))
            spoilt[start:end] = bytes(max(end - start, 0))
        elif isinstance(fault, FlippedBit) and fault.path == path and 0 <= fault.offset - offset < len(chunk):
            spoilt[fault.offset - offset] ^= 1 << fault.bit
    return bytes(spoilt)


def end_on_medium(size_bytes: int, path: str, faults: Iterable[Fault]) -> int:
    """Return where reading a file ends: at its size, or before."""
    ends = [fault.offset for fault in faults if isinstance(fault, EndsEarly) and fault.path == path]
    return min([size_bytes, *ends])


def seconds_for(count: int, faults: Iterable[Fault]) -> float:
    """Return how long the card takes to move so many bytes: 0 where it is not slow."""
    return max((count / fault.bytes_per_second for fault in faults if isinstance(fault, Slow)), default=0.0)
