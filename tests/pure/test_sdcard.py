import pytest

from mediaprep.model import Family
from mediaprep.sdcard import family_of


@pytest.mark.parametrize(
    ("capacity_bytes", "family"),
    [
        # Capacities of published cards, decoded from their CSD registers.
        (988_282_880, Family.SDSC),
        (2_045_247_488, Family.SDSC),
        (2_059_403_264, Family.SDSC),
        (7_948_206_080, Family.SDHC),
        (31_914_983_424, Family.SDHC),
        (62_277_025_792, Family.SDXC),
        # The edges: Linux drivers/mmc/core/sd.c calls a card SDXC from C_SIZE 0xFFFF on, (C_SIZE + 1) x 512 KiB.
        (2**31, Family.SDSC),
        (2**31 + 512 * 2**10, Family.SDHC),
        (34_359_214_080, Family.SDHC),
        (34_359_738_368, Family.SDXC),
        (2**41, Family.SDXC),
        # 4 TiB and 128 TiB, CSD version 3.
        (4_398_046_511_104, Family.SDUC),
        (140_737_488_355_328, Family.SDUC),
    ],
)
def test_family_by_capacity(capacity_bytes: int, family: Family) -> None:
    assert family_of(capacity_bytes) is family


@pytest.mark.parametrize("capacity_bytes", [0, -1])
def test_no_card_holds_nothing(capacity_bytes: int) -> None:
    with pytest.raises(ValueError, match="cannot hold"):
        family_of(capacity_bytes)
