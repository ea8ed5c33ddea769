"""The card identification register: who made the card, which one it is, and when."""

from __future__ import annotations

from dataclasses import dataclass

from mediaprep.sdcard.bits import LastByte, RegisterInvalid, parse_guarded


@dataclass(frozen=True, slots=True)
class Cid:
    """A card's identity. No two cards of one maker share it; the label on the card need not name that maker.

    `oem` and `product` are as the card has them, bytes that are no printable ASCII shown as `\\x03`. `month` is None
    where the register holds none of 1 to 12.
    """

    maker: int
    oem: str
    product: str
    revision_major: int
    revision_minor: int
    serial: int
    year: int
    month: int | None
    last_byte: LastByte

    @property
    def revision(self) -> str:
        """The product's revision, such as `8.0`."""
        return f"{self.revision_major}.{self.revision_minor}"


def decode_cid(text: str, *, card_type: str) -> Cid:
    """Return a CID from the 32 digits of `device/cid`. `card_type` is what `device/type` reads.

    Field positions: Linux drivers/mmc/core/sd.c, mmc_decode_cid. Raise RegisterInvalid for a damaged register, and for
    any type but `SD`: an eMMC's CID has a right checksum too, but means other things.
    """
    require_sd(card_type, "CID")
    bits, last = parse_guarded(text, "CID")
    month = bits.field(11, 8)
    return Cid(
        maker=bits.field(127, 120),
        oem=_printable(bits.octets[1:3]),
        product=_printable(bits.octets[3:8]),
        revision_major=bits.field(63, 60),
        revision_minor=bits.field(59, 56),
        serial=bits.field(55, 24),
        year=2000 + bits.field(19, 12),
        month=month if 1 <= month <= 12 else None,
        last_byte=last,
    )


def require_sd(card_type: str, register: str) -> None:
    """Raise RegisterInvalid unless the kernel says that this is an SD card; it says `SD` for every family."""
    if card_type != "SD":
        message = f"{register} of a device of type '{card_type}' is not that of an SD card"
        raise RegisterInvalid(message)


def _printable(octets: bytes) -> str:
    return "".join(chr(octet) if 0x20 <= octet < 0x7F else f"\\x{octet:02x}" for octet in octets)
