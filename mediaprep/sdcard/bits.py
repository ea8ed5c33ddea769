"""Registers as numbers: text to bits, and the checksum that guards CID and CSD."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum

_HEX = re.compile(r"[0-9a-fA-F]+")
_CRC7 = 0x09  # x^7 + x^3 + 1, the seven low coefficients


class RegisterInvalid(ValueError):
    """A register's text is no such register of an SD card, or was damaged on its way. Says which and why."""


class LastByte(StrEnum):
    """What the last byte of a CID or CSD holds: hosts deliver it in several forms.

    WHOLE: the checksum and the end bit, as the card sends them. END_BIT_LOST: the checksum alone. NOT_DELIVERED: the
    host puts 00 or 01 there, so that damage cannot be seen. DAMAGED: anything else.
    """

    WHOLE = "checksum right"
    END_BIT_LOST = "checksum right, end bit lost"
    NOT_DELIVERED = "checksum not delivered by the host"
    DAMAGED = "checksum wrong"


@dataclass(frozen=True, slots=True)
class Bits:
    """A register, numbered as the standard does: the last bit sent is bit 0."""

    value: int
    width: int

    def field(self, high: int, low: int) -> int:
        """Return the bits from `high` down to `low`, both included."""
        return (self.value >> low) & ((1 << (high - low + 1)) - 1)

    def flag(self, bit: int) -> bool:
        """Say whether one bit is set."""
        return bool(self.value >> bit & 1)

    @property
    def octets(self) -> bytes:
        """The register as it was sent, first byte first."""
        return self.value.to_bytes(self.width // 8, "big")


def parse(text: str, name: str, width: int) -> Bits:
    """Return a register from its hexadecimal digits. Raise RegisterInvalid for another length or other letters."""
    digits = text.strip()
    if len(digits) != width // 4 or not _HEX.fullmatch(digits):
        message = f"{name} '{digits[:80]}' is not {width // 4} hexadecimal digits"
        raise RegisterInvalid(message)
    return Bits(int(digits, 16), width)


def parse_guarded(text: str, name: str) -> tuple[Bits, LastByte]:
    """Return a CID or CSD and what its last byte holds. Raise RegisterInvalid where that shows damage, or all is zero.

    An all-zero register has a right checksum; it is what a host shows that could read nothing.
    """
    bits = parse(text, name, 128)
    if bits.value >> 8 == 0:
        message = f"{name} is all zero: the host did not read it"
        raise RegisterInvalid(message)
    last = last_byte(bits.octets)
    if last is LastByte.DAMAGED:
        message = (
            f"{name} {text.strip()} is damaged: it ends with {bits.octets[-1]:02x}, "
            f"and its checksum makes that {crc7(bits.octets[:-1]) << 1 | 1:02x}"
        )
        raise RegisterInvalid(message)
    return bits, last


def last_byte(octets: bytes) -> LastByte:
    """Say what the last byte of a CID or CSD holds.

    All four forms were seen in registers published by their owners; two hosts drop the end bit, two others send 00.
    """
    checksum, last = crc7(octets[:-1]), octets[-1]
    if last == checksum << 1 | 1:
        return LastByte.WHOLE
    if last == checksum << 1:
        return LastByte.END_BIT_LOST
    return LastByte.NOT_DELIVERED if last in {0x00, 0x01} else LastByte.DAMAGED


def crc7(data: bytes) -> int:
    """Return the checksum of SD commands and registers: 7 bits, first bit first, from 0 (Linux lib/crc7.c)."""
    remainder = 0
    for octet in data:
        for bit in range(7, -1, -1):
            carry = (remainder >> 6 & 1) ^ (octet >> bit & 1)
            remainder = (remainder << 1 & 0x7F) ^ (_CRC7 if carry else 0)
    return remainder
