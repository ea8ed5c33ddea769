"""Which family a card belongs to, by its capacity."""

from __future__ import annotations

from mediaprep.model import Family

# The largest capacity of each family, in bytes, smallest first.
# SDSC: the SD Association sells the family as "up to 2 GB". The registers (CSD version 1) can state 2 GiB exactly
#   (4096 blocks x 512 x 1024 bytes), and published 2 GB cards hold 2 045 247 488 and 2 059 403 264 bytes, so the edge
#   is taken at 2 GiB. The few cards that state up to 4 GiB in a version 1 register are outside the standard.
# SDHC and SDXC: CSD version 2 states (C_SIZE + 1) x 512 KiB, and Linux drivers/mmc/core/sd.c calls a card SDXC from
#   C_SIZE 0xFFFF on. So 34 359 214 080 bytes is the last SDHC and 34 359 738 368 bytes the first SDXC; C_SIZE has
#   22 bits, which ends SDXC at 2 TiB.
FIRST_SDXC_BYTES = 0x10000 * 512 * 2**10
_LARGEST = (
    (Family.SDSC, 2 * 2**30),
    (Family.SDHC, FIRST_SDXC_BYTES - 512 * 2**10),
    (Family.SDXC, 2 * 2**40),
)


def family_of(capacity_bytes: int) -> Family:
    """Return the family that a card of this capacity belongs to.

    For cards whose registers cannot be read, as in any USB reader. Everything above 2 TiB counts as SDUC, whose own
    limit is 128 TiB. Raise ValueError for a capacity that no card can have.
    """
    if capacity_bytes <= 0:
        message = f"A card cannot hold {capacity_bytes} bytes"
        raise ValueError(message)
    for family, largest in _LARGEST:
        if capacity_bytes <= largest:
            return family
    return Family.SDUC
