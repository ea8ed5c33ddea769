"""The SD configuration register: which edition of the standard a card keeps, and which bus and commands it knows."""

from __future__ import annotations

from dataclasses import dataclass

from mediaprep.sdcard.bits import Bits, RegisterInvalid, parse

_WIDTH = 64


@dataclass(frozen=True, slots=True)
class Scr:
    """What edition of the standard a card keeps. `bus_widths` are in bits; `erased_to_ones` says what erasing leaves.

    `specification` is as it is commonly written, `3.0x` for any edition of 3.0. `security` is the number the card
    gives (commonly 2 SDSC, 3 SDHC, 4 SDXC, 0 none). `commands` has bit 0 set for CMD20, 1 for CMD23, 2 for CMD48 and
    49, 3 for CMD58 and 59.
    """

    specification: str
    security: int
    bus_widths: tuple[int, ...]
    erased_to_ones: bool
    commands: int


def decode_scr(text: str) -> Scr:
    """Return an SCR from the 16 digits of `device/scr`. It has no checksum; all zero is refused as not read.

    Field positions: Linux drivers/mmc/core/sd.c, mmc_decode_scr; the names of editions from 4 on are from memory.
    Raise RegisterInvalid.
    """
    bits = parse(text, "SCR", _WIDTH)
    if bits.value == 0:
        message = "SCR is all zero: the host did not read it"
        raise RegisterInvalid(message)
    if bits.field(63, 60) != 0:
        message = f"SCR {text.strip()} is of a structure that the standards do not have"
        raise RegisterInvalid(message)
    widths = bits.field(51, 48)
    return Scr(
        specification=_specification(bits, text),
        security=bits.field(54, 52),
        bus_widths=tuple(width for bit, width in ((0, 1), (2, 4)) if widths >> bit & 1),
        erased_to_ones=bits.flag(55),
        commands=bits.field(36, 32),
    )


def _specification(bits: Bits, text: str) -> str:
    edition = bits.field(59, 56)
    if edition < 2:
        return ("1.0x", "1.10")[edition]
    if edition > 2:
        message = f"SCR {text.strip()} names an edition that the standards do not have"
        raise RegisterInvalid(message)
    later = bits.field(41, 38)
    if later:
        return f"{later + 4}.xx"
    if bits.flag(42):
        return "4.xx"
    return "3.0x" if bits.flag(47) else "2.00"
