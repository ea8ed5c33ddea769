"""The library of bundles: what a publisher's checksums proved of each, and where each is now."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Algorithm(StrEnum):
    """Checksums that publishers give out, strongest first."""

    SHA512 = "sha512"
    SHA256 = "sha256"
    SHA1 = "sha1"
    MD5 = "md5"
    CRC32 = "crc32"

    @property
    def weak(self) -> bool:
        """Whether it only tells an accident on the way: someone who means to can make other content of the same sum."""
        return self in {Algorithm.SHA1, Algorithm.MD5, Algorithm.CRC32}

    @property
    def hex_digits(self) -> int:
        """The length of one, in hexadecimal digits."""
        return {
            Algorithm.SHA512: 128,
            Algorithm.SHA256: 64,
            Algorithm.SHA1: 40,
            Algorithm.MD5: 32,
            Algorithm.CRC32: 8,
        }[self]


@dataclass(frozen=True, slots=True)
class PublisherCheck:
    """What one list of a publisher's checksums proved of a bundle when it was taken in.

    `listed_in` is the name of the checksum file, or of the manifest in the bag. `weak` is that of the algorithm.
    """

    listed_in: str
    algorithm: Algorithm
    file_count: int
    weak: bool


@dataclass(frozen=True, slots=True)
class BundleSignature:
    """Which file of a bundle's publisher a detached OpenPGP signature was found good for when it was taken in.

    `signed` is the name of the checksum file, or of the archive that the bundle is. `key_fingerprint` is that of the
    certificate as a whole, in lower-case hexadecimal, whichever of its keys signed.
    """

    signed: str
    key_fingerprint: str


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Where a bundle is now: cards in service that hold files of it, and units, as (aircraft, unit), that have it.

    A unit has a bundle while a load of it is installed there and not yet answered, while it is what the unit goes by
    for its kind, or while it waits there for its effective instant.
    """

    bundle: str
    cards: tuple[str, ...]
    units: tuple[tuple[str, str], ...]

    @property
    def in_use(self) -> bool:
        """Whether a card or a unit has it."""
        return bool(self.cards or self.units)
