"""The card specific data register: capacity, and so the family, and the card's own write protection."""

from __future__ import annotations

from dataclasses import dataclass

from mediaprep.model import Family, WriteProtection
from mediaprep.sdcard.bits import Bits, LastByte, RegisterInvalid, parse_guarded
from mediaprep.sdcard.cid import require_sd
from mediaprep.sdcard.family import FIRST_SDXC_BYTES

_UNIT_BYTES = 512 * 2**10  # what C_SIZE counts from version 2 on
# The bits by which a card protects itself. 13: Linux drivers/mmc/core/sd.c, which makes the card read-only. 12 and 9:
# from the author's memory of the SD Physical Layer Specification; Linux (6.1) does not look at them, so such a card
# seems writable until it refuses.
_PROTECTION_BITS = (
    (13, WriteProtection.PERMANENT),
    (12, WriteProtection.TEMPORARY),
    (9, WriteProtection.UNTIL_POWER_CYCLE),
)


@dataclass(frozen=True, slots=True)
class Csd:
    """What a card says of itself. `version` is 1, 2 or 3; `is_copy` the bit that marks copied contents.

    `command_classes` has bit n set where the card knows the commands of class n. The lock switch on a card's side is in
    no register: the reader tells of it, or does not.
    """

    version: int
    capacity_bytes: int
    family: Family
    command_classes: int
    is_copy: bool
    write_protection: tuple[WriteProtection, ...]
    last_byte: LastByte


def decode_csd(text: str, *, card_type: str) -> Csd:
    """Return a CSD from the 32 digits of `device/csd`. `card_type` is what `device/type` reads.

    Raise RegisterInvalid for a damaged register, a version that the standards do not have, and any type but `SD`.
    """
    require_sd(card_type, "CSD")
    bits, last = parse_guarded(text, "CSD")
    version = bits.field(127, 126) + 1
    capacity_bytes = _capacity_bytes(bits, version, text)
    return Csd(
        version=version,
        capacity_bytes=capacity_bytes,
        family=_family(version, capacity_bytes),
        command_classes=bits.field(95, 84),
        is_copy=bits.flag(14),
        write_protection=tuple(
            kind for bit, kind in _PROTECTION_BITS if bits.flag(bit) and not (version == 1 and bit == 9)
        ),
        last_byte=last,
    )


def _capacity_bytes(bits: Bits, version: int, text: str) -> int:
    if version == 1:
        block_bytes = 1 << bits.field(83, 80)
        return (bits.field(73, 62) + 1) * (4 << bits.field(49, 47)) * block_bytes
    if version == 2:
        return (bits.field(69, 48) + 1) * _UNIT_BYTES
    if version == 3:
        # 28 bits wide: Linux commit fce2ce78 (SDUC). That they end at 48 like those of version 2 is from memory.
        return (bits.field(75, 48) + 1) * _UNIT_BYTES
    message = f"CSD {text.strip()} is of a version that the standards do not have"
    raise RegisterInvalid(message)


def _family(version: int, capacity_bytes: int) -> Family:
    """Return the family by the register's version; in version 2 SDXC begins at C_SIZE 0xFFFF (Linux sd.c)."""
    if version == 1:
        return Family.SDSC
    if version == 3:
        return Family.SDUC
    return Family.SDXC if capacity_bytes >= FIRST_SDXC_BYTES else Family.SDHC
