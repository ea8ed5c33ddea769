"""Registers of real cards, as their owners published them, against our decoding.

Sources: [dump] a udev dump in a thread on starting a small computer from a USB reader; [doc] the register tables of a
driver's test document; [list] a list of CIDs kept by a reviewer of cards (goughlui.com); [board] the notes to a
development board; [log] the start-up log of a recorder; [mail] linux-mmc, 2023-06-16, on a card whose cache flush never
ends; [survey] a survey of cards bought under one label. What is written in the source itself is given as such, the rest
was decoded by hand by the field positions of Linux drivers/mmc/core/sd.c. CRC7 values without a source beside them were
computed twice, with two programs.
"""

from __future__ import annotations

import subprocess
from contextlib import suppress
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.model import Family, WriteProtection
from mediaprep.sdcard import (
    Cid,
    Csd,
    LastByte,
    RegisterInvalid,
    Ssr,
    crc7,
    decode_cid,
    decode_csd,
    decode_scr,
    decode_ssr,
)
from tests.tools import need, where

WHOLE, LOST, ABSENT = LastByte.WHOLE, LastByte.END_BIT_LOST, LastByte.NOT_DELIVERED


@pytest.mark.parametrize(
    ("sent", "checksum"),
    [
        # Commands 0, 17 and 8, and the answer to 17: the examples that every account of the protocol repeats.
        ("4000000000", 0x4A),
        ("5100000000", 0x2A),
        ("48000001AA", 0x43),
        ("1100000900", 0x33),
    ],
)
def test_checksums_of_commands(sent: str, checksum: int) -> None:
    assert crc7(bytes.fromhex(sent)) == checksum


CIDS = [
    # [dump] prints "date 11/2017" and "serial 0xecf4c851".
    ("035344534331364780ecf4c851011b85", Cid(0x03, "SD", "SC16G", 8, 0, 0xECF4C851, 2017, 11, WHOLE)),
    # [doc] prints the product, 2006-03 and the checksum 0x3E.
    ("035344535530314780401c751300637d", Cid(0x03, "SD", "SU01G", 8, 0, 0x401C7513, 2006, 3, WHOLE)),
    ("1b534d3030303030100337410200d13b", Cid(0x1B, "SM", "00000", 1, 0, 0x03374102, 2013, 1, WHOLE)),  # [list]
    ("41343253443132383002b800b600da6f", Cid(0x41, "42", "SD128", 3, 0, 0x02B800B6, 2013, 10, WHOLE)),  # [list]
    ("02544d534430324728ad78243300793d", Cid(0x02, "TM", "SD02G", 2, 8, 0xAD782433, 2007, 9, WHOLE)),  # [list]
    # [list] The two letters of the maker's customer are no letters here.
    ("8903034e43617264000000667000b285", Cid(0x89, r"\x03\x03", "NCard", 0, 0, 0x00006670, 2011, 2, WHOLE)),
    ("ba2345534134474206071c06fe016945", Cid(0xBA, "#E", "SA4GB", 0, 6, 0x071C06FE, 2022, 9, WHOLE)),  # [board]
    # [log] prints revision 6.5, serial 0x33E0F659, 11/2025.
    ("9f544930303030306533e0f659019b5d", Cid(0x9F, "TI", "00000", 6, 5, 0x33E0F659, 2025, 11, WHOLE)),
    # [mail] prints date 11/2019 and serial 0x36980065; the host dropped the end bit.
    ("9f544953443634476136980065013b7e", Cid(0x9F, "TI", "SD64G", 6, 1, 0x36980065, 2019, 11, LOST)),
    # [mail] prints date 04/2023; the host put 00 in place of the checksum.
    ("9f54495344363447614b1004af017400", Cid(0x9F, "TI", "SD64G", 6, 1, 0x4B1004AF, 2023, 4, ABSENT)),
    ("03534453553031478080baf50e009b8c", Cid(0x03, "SD", "SU01G", 8, 0, 0x80BAF50E, 2009, 11, LOST)),  # [survey]
    # [survey] sold under the label of another maker than that of number 3.
    ("035344535530344780158058b000c1cc", Cid(0x03, "SD", "SU04G", 8, 0, 0x158058B0, 2012, 1, LOST)),
    # A card emulated by QEMU 7.2, as a Linux guest shows it.
    ("aa585951454d552101deadbeef006200", Cid(0xAA, "XY", "QEMU!", 0, 1, 0xDEADBEEF, 2006, 2, ABSENT)),
]


@pytest.mark.parametrize(("text", "expected"), CIDS)
def test_identification_registers(text: str, expected: Cid) -> None:
    assert decode_cid(f"{text}\n", card_type="SD") == expected
    assert expected.revision == f"{expected.revision_major}.{expected.revision_minor}"


CSDS = [
    # (register, version, bytes, family, last byte). [survey] three cards by their labels "1GB", "2GB", "8GB".
    ("002600325f5983ae7efbcfff924040d6", 1, 988_282_880, Family.SDSC, LOST),
    ("002f00325f5a83cf2db7ffbf96800068", 1, 2_045_247_488, Family.SDSC, LOST),
    ("400e00325b5900003b377f800a4040ae", 2, 7_948_206_080, Family.SDHC, LOST),
    ("002d00325b5a83d5fefbff80168000cf", 1, 2_059_403_264, Family.SDSC, WHOLE),  # [doc]
    # [dump] prints 31116288 sectors. [log] 61071360 sectors. [doc] C_SIZE 60872.
    ("400e00325b59000076b27f800a404013", 2, 31_116_288 * 512, Family.SDHC, WHOLE),
    ("400e00325b590000e8f77f800a400039", 2, 61_071_360 * 512, Family.SDHC, WHOLE),
    ("400e00325b590000edc87f800a4040c3", 2, 31_914_983_424, Family.SDHC, WHOLE),
    ("400e00325b590001cfff7f800a4000fa", 2, 62_277_025_792, Family.SDXC, LOST),  # [mail] 64 GB
    # Edges, made for this test: the last SDHC and the first SDXC by Linux sd.c; 4 TiB and the largest of version 3.
    ("400e00325b590000fffe7f800a400077", 2, 34_359_214_080, Family.SDHC, WHOLE),
    ("400e00325b590000ffff7f800a400003", 2, 34_359_738_368, Family.SDXC, WHOLE),
    ("800e00325b59007fffff7f800a4000af", 3, 4_398_046_511_104, Family.SDUC, WHOLE),
    ("800e00325b590fffffff7f800a400089", 3, 140_737_488_355_328, Family.SDUC, WHOLE),
    # Emulated by QEMU 7.2 with media of these sizes: the host delivers no checksum.
    ("002600325f59e03fffffdfff92600000", 1, 64 * 2**20, Family.SDSC, ABSENT),
    ("002600325f5ae3ffffffdfff92a00000", 1, 2 * 2**30, Family.SDSC, ABSENT),
    ("400e00325b5900001fff7f800a400000", 2, 4 * 2**30, Family.SDHC, ABSENT),
    ("400e00325b590000ffff7f800a400000", 2, 32 * 2**30, Family.SDXC, ABSENT),
    ("400e00325b590001ffff7f800a400000", 2, 64 * 2**30, Family.SDXC, ABSENT),
    ("400e00325b590003ffff7f800a400000", 2, 128 * 2**30, Family.SDXC, ABSENT),
]


@pytest.mark.parametrize(("text", "version", "capacity_bytes", "family", "last"), CSDS)
def test_capacity_and_family(text: str, version: int, capacity_bytes: int, family: Family, last: LastByte) -> None:
    csd = decode_csd(text, card_type="SD")
    assert csd == Csd(version, capacity_bytes, family, csd.command_classes, csd.is_copy, (), last)


@pytest.mark.parametrize("text", [row[0] for row in CSDS])
def test_capacity_agrees_with_mmc_utils(text: str, tmp_path: Path) -> None:
    need("mmc")
    program = where("mmc")
    assert program is not None
    (tmp_path / "type").write_text("SD\n")
    (tmp_path / "csd").write_text(text + "\n")
    done = subprocess.run([program, "csd", "read", tmp_path], capture_output=True, text=True)
    csd = decode_csd(text, card_type="SD")
    if csd.version == 3:
        assert "capacity" not in done.stdout  # mmc-utils of 2022-06-24 knows versions 1 and 2 only
    else:
        assert f"({csd.capacity_bytes} bytes" in done.stdout


PERMANENT, TEMPORARY, UNTIL = WriteProtection


@pytest.mark.parametrize(
    ("text", "protection", "is_copy"),
    [
        # The "8GB" card of [survey] with each bit set in turn, and the checksum computed again.
        ("400e00325b5900003b377f800a4040af", (), True),
        ("400e00325b5900003b377f800a4060cb", (PERMANENT,), True),
        ("400e00325b5900003b377f800a40509d", (TEMPORARY,), True),
        ("400e00325b5900003b377f800a404200", (UNTIL,), True),
        ("400e00325b5900003b377f800a407200", (PERMANENT, TEMPORARY, UNTIL), True),
        # Version 1 has nothing at bit 9.
        ("002d00325b5a83d5fefbff8016800200", (), False),
    ],
)
def test_write_protection(text: str, protection: tuple[WriteProtection, ...], is_copy: bool) -> None:
    csd = decode_csd(text, card_type="SD")
    assert (csd.write_protection, csd.is_copy) == (protection, is_copy)


@pytest.mark.parametrize(
    ("text", "specification", "security", "commands", "erased_to_ones"),
    [
        ("0125000000000000", "1.10", 2, 0, False),  # [survey]; mmc-utils: "SD 1.10"
        ("0225000000000000", "2.00", 2, 0, False),  # [survey]; mmc-utils: "SD 2.00"
        ("0235800100000000", "3.0x", 3, 1, False),  # [survey]; mmc-utils: "SD 3.0x"
        ("0235804300000000", "5.xx", 3, 3, False),  # [dump]
        ("0235840300000000", "4.xx", 3, 3, False),  # made for this test: the bit of edition 4 alone
        ("0205848701006432", "6.xx", 0, 7, False),  # [mail]
        ("02b5848300000000", "6.xx", 3, 3, True),  # [log] "SD spec version 6.00, data after erase: ones"
    ],
)
def test_configuration_registers(
    text: str, specification: str, security: int, commands: int, erased_to_ones: bool
) -> None:
    scr = decode_scr(text)
    assert (scr.specification, scr.security, scr.commands) == (specification, security, commands)
    assert (scr.bus_widths, scr.erased_to_ones) == ((1, 4), erased_to_ones)


MIB = 2**20


def ssr(words: str) -> str:
    """The words that are not zero, filled up to the whole register."""
    return words.replace(" ", "").ljust(128, "0")


@pytest.mark.parametrize(
    ("words", "expected", "marks", "least"),
    [
        # [dump]; the kernel's preferred_erase_size beside it is 4194304.
        (
            "00000000 04000000 04009000 0f051a00 00000000 00010000",
            Ssr(1, 10, 1, 0, 1, 4 * MIB, 0, False, False), ("C10", "U1", "A1"), 10,
        ),
        # [mail], sold as an A2 card of 64 GiB.
        (
            "80000000 08000000 04009000 0f05391e 00080000 0002fc00 03000000",
            Ssr(4, 10, 3, 30, 2, 4 * MIB, 8 * MIB, True, True), ("C10", "U3", "V30", "A2"), 30,
        ),
        # [mail], "V30 A2 64GiB".
        (
            "80000000 08000000 0400a001 00fd3a1e 00080000 00023c00",
            Ssr(4, 10, 3, 30, 2, 8 * MIB, 8 * MIB, True, False), ("C10", "U3", "V30", "A2"), 30,
        ),
        # [mail], "512GiB V30 A2".
        (
            "80000000 08000000 04009000 0811391e 00080000 0002fc00",
            Ssr(4, 10, 3, 30, 2, 4 * MIB, 8 * MIB, True, False), ("C10", "U3", "V30", "A2"), 30,
        ),
        # [mail], the card whose cache flush never ends.
        (
            "00000000 08000000 04009000 011b391e 00080000 0002ff00 03000000",
            Ssr(1, 10, 3, 30, 2, 4 * MIB, 8 * MIB, True, True), ("C10", "U3", "V30", "A2"), 30,
        ),
        # As the first, from another host: the UHS grade reads 0, which does not prove that the card has none.
        (
            "00000000 04000000 04009000 0f050a00 00000000 00010000",
            Ssr(1, 10, 0, 0, 1, 4 * MIB, 0, False, False), ("C10", "A1"), 10,
        ),
        # Codes without a meaning are not guessed at.
        (
            "00000000 00000000 05000000 00002007 00000000 00030000",
            Ssr(1, None, None, None, None, 0, 0, False, False), (), 0,
        ),
    ],
)  # fmt: skip
def test_speed_classes(words: str, expected: Ssr, marks: tuple[str, ...], least: int) -> None:
    decoded = decode_ssr(ssr(words))
    assert decoded == expected
    assert decoded.marks == marks
    assert decoded.least_write_bytes_per_second == least * 10**6


# --- what is no register of an SD card --------------------------------------------------------------------------------


def test_an_emmc_looks_alike_and_is_refused() -> None:
    # A CID published of the memory soldered into a small laptop: its checksum is right.
    text = "45010053454d31364790e03506aebf4d"
    with pytest.raises(RegisterInvalid, match="type 'MMC'"):
        decode_cid(text, card_type="MMC")
    with pytest.raises(RegisterInvalid, match="type 'MMC'"):
        decode_csd("400e00325b5900003b377f800a4040af", card_type="MMC")
    # Taken for an SD card it would have no month: 15.
    assert decode_cid(text, card_type="SD").month is None


@given(bit=st.integers(8, 127), row=st.sampled_from([row[0] for row in CIDS if row[1].last_byte is not ABSENT]))
def test_a_single_wrong_bit_is_seen(bit: int, row: str) -> None:
    damaged = f"{int(row, 16) ^ 1 << bit:032x}"
    with pytest.raises(RegisterInvalid, match="damaged"):
        decode_cid(damaged, card_type="SD")


@pytest.mark.parametrize(
    "text", ["", "00", "x" * 32, "0" * 32, "0" * 30 + "01", "035344534331364780ecf4c851011b8", "é" * 32]
)
def test_what_is_no_register_says_so(text: str) -> None:
    with pytest.raises(RegisterInvalid, match="CID"):
        decode_cid(text, card_type="SD")
    with pytest.raises(RegisterInvalid, match="CSD"):
        decode_csd(text, card_type="SD")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("0" * 16, "all zero"),
        ("02", "16 hexadecimal digits"),
        ("1235800100000000", "structure"),
        ("0335800100000000", "edition"),
    ],
)
def test_what_is_no_configuration_register_says_so(text: str, why: str) -> None:
    with pytest.raises(RegisterInvalid, match=why):
        decode_scr(text)


def test_a_status_register_that_was_not_read_says_so() -> None:
    # All zero, as an emulated card has it.
    with pytest.raises(RegisterInvalid, match="all zero"):
        decode_ssr("0" * 128)
    with pytest.raises(RegisterInvalid, match="128 hexadecimal digits"):
        decode_ssr("80")


def test_a_version_that_there_is_not() -> None:
    with pytest.raises(RegisterInvalid, match="version"):
        decode_csd("c00e00325b5900003b377f800a404000", card_type="SD")


digits = st.sampled_from([16, 32, 128]).flatmap(lambda length: st.text("0f4e", min_size=length, max_size=length))


@given(st.text(max_size=140) | digits)
def test_no_text_does_more_than_be_refused(text: str) -> None:
    for decode in (
        lambda: decode_cid(text, card_type="SD"),
        lambda: decode_csd(text, card_type="SD"),
        lambda: decode_scr(text),
        lambda: decode_ssr(text),
    ):
        with suppress(RegisterInvalid):
            assert decode() is not None
