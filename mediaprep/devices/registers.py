"""The registers of a card in a slot, as Linux shows them in sysfs. A reader on USB hides them."""

from __future__ import annotations

from mediaprep.devices.block import BlockDevice
from mediaprep.model import Fact, Family, Known, Unknown, WriteProtection
from mediaprep.sdcard import Csd, RegisterInvalid, decode_cid, decode_csd

_HIDDEN = Unknown(
    "the reader hides the card's registers", "Use the computer's own card slot: a reader on USB shows no registers."
)
_SOURCE = "card specific data register (sysfs device/csd)"


def cid_text(device: BlockDevice) -> str | None:
    """Return the card's identification register as it is shown, None where there is none or it is damaged.

    A damaged one may read otherwise the next time, so it identifies nothing.
    """
    text, kind = device.disk_value("device/cid"), device.disk_value("device/type")
    if text is None or kind is None:
        return None
    try:
        decode_cid(text, card_type=kind)
    except RegisterInvalid:
        return None
    return text


def read_csd(device: BlockDevice) -> Fact[Csd]:
    """Return what the card says of itself, or why it does not."""
    text, kind = device.disk_value("device/csd"), device.disk_value("device/type")
    if text is None or kind is None:
        return _HIDDEN
    try:
        return Known(decode_csd(text, card_type=kind), _SOURCE)
    except RegisterInvalid as error:
        return Unknown(str(error), "Take the card out, clean its contacts, and put it in again.")


def write_protection(csd: Fact[Csd], *, is_card: bool) -> Fact[tuple[WriteProtection, ...]]:
    """Return in which ways the card's register forbids writing; none where it is no card at all."""
    if not is_card:
        return Known((), "no physical card")
    return csd if isinstance(csd, Unknown) else Known(csd.value.write_protection, csd.source)


def family_by_register(csd: Fact[Csd], by_capacity: Fact[Family]) -> Fact[Family]:
    """Return the family that the register's version makes, else the one that the capacity makes."""
    return by_capacity if isinstance(csd, Unknown) else Known(csd.value.family, csd.source)
