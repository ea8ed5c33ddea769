"""Folders and files of raw volumes against the tools that wrote them: mtools on FAT, the FUSE driver on exFAT."""

from __future__ import annotations

import hashlib
import os
import random
import struct
from collections.abc import Mapping
from pathlib import Path

import pytest

from mediaprep.rawcard import RawCard, stream_file, walk_card
from mediaprep.rawcard.fat_folder import short_name_checksum
from mediaprep.volumes import VolumeUnreadable, in_bytes, read_fat
from tests.images import make_exfat, make_fat, mounted_exfat, patch, reading
from tests.pure.small_volumes import SECTOR, exfat_set, fat_entry, fat_table, long_name, small_exfat, small_fat
from tests.tools import need, run

MIB = 2**20


def digests(image: Path) -> tuple[dict[str, str], RawCard]:
    """Every file of a volume with the SHA-256 of what is read of it, folders with none."""
    with reading(image) as read:
        card = walk_card(read)
        found = {}
        for file in card.files:
            digest = hashlib.sha256()
            for chunk in stream_file(read, card, file):
                digest.update(chunk)
            found[file.path] = "" if file.is_folder else digest.hexdigest()
        return found, card


def make_tree(folder: Path, names: Mapping[str, int]) -> dict[str, str]:
    """Write files of these sizes; return what `digests` should find of them."""
    chance = random.Random(len(names))
    wanted = {}
    for path, size_bytes in names.items():
        content = chance.randbytes(size_bytes)
        file = folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(content)
        wanted[path] = hashlib.sha256(content).hexdigest()
        for above in Path(path).parents:
            wanted.setdefault(str(above), "")
    wanted.pop(".", None)
    return wanted


TREE = {
    **{f"Navigation data/Region number {number:03}.bin": number * 997 for number in range(60)},
    **{f"Navigation data/Deeper/still deeper/AIRWAYS{number}.BIN": 2048 * number for number in range(6)},
    "Größe/Übersicht Flughäfen.text": 5000,
    "\u65e5\u672c/\u5730\u56f3.data": 70_000,
    "README.TXT": 0,
    "NOTES.TXT": 1,
    "lower.txt": 2,
    "x" * 250: 3,
    "A name of 13.": 4,
    "emoji \U0001f6e9 in a name": 5,
}


@pytest.mark.parametrize(
    ("width", "size_bytes", "options"),
    [(12, 2 * MIB, ("-F12", "-s1")), (16, 64 * MIB, ("-F16",)), (32, 64 * MIB, ("-F32", "-s1")), (32, 600 * MIB, ())],
)
def test_a_tree_that_mtools_wrote(tmp_path: Path, width: int, size_bytes: int, options: tuple[str, ...]) -> None:
    need("mcopy", "fsck.vfat")
    image = make_fat(tmp_path / "card.img", size_bytes, *options)
    names = dict(TREE)
    # mtools takes the dot at a name's end away, as Windows does, and its characters end at 16 bits.
    del names["A name of 13."], names["emoji \U0001f6e9 in a name"]
    wanted = make_tree(tmp_path / "tree", names)
    run("mcopy", "-i", image, "-s", "-Q", *sorted((tmp_path / "tree").iterdir()), "::")
    found, card = digests(image)
    assert found == wanted
    assert card.problems == {}
    assert card.label == "TESTVOL"
    assert card.volume.cluster_count > 0
    run("fsck.vfat", "-n", image)


def test_deleted_and_overwritten_files_of_mtools(tmp_path: Path) -> None:
    # Holes in the folder where names were, new names in the holes, and files in several pieces.
    need("mcopy", "mdel", "fsck.vfat")
    image = make_fat(tmp_path / "card.img", 4 * MIB, "-F12", "-s4")
    old = {f"An old name, number {number:02}.bin": 6000 for number in range(60)}
    make_tree(tmp_path / "old", old)
    run("mcopy", "-i", image, "-Q", *sorted((tmp_path / "old").iterdir()), "::")
    for number in range(0, 60, 2):
        run("mdel", "-i", image, f"::An old name, number {number:02}.bin")
    new = {"Large enough to lie in pieces.bin": 90_000, "b": 1, "Another one.bin": 45_678}
    wanted = make_tree(tmp_path / "new", new)
    run("mcopy", "-i", image, "-Q", *sorted((tmp_path / "new").iterdir()), "::")
    found, card = digests(image)
    assert {path: found[path] for path in new} == wanted
    assert set(found) == {*new, *(name for number, name in enumerate(old) if number % 2)}
    assert any(len(file.runs) > 1 for file in card.files)
    assert card.problems == {}
    run("fsck.vfat", "-n", image)


def test_the_checksum_of_a_short_name() -> None:
    # An independent form of the rule of Microsoft's FAT specification: rotate right, then add.
    total = 0
    for octet in b"ALONGE~1DAT":
        total = (((total << 7) | (total >> 1)) & 0xFF) + octet & 0xFF
    assert short_name_checksum(b"ALONGE~1DAT") == total


# --- exFAT -----------------------------------------------------------------------------------------------------------


def test_a_tree_on_exfat(tmp_path: Path) -> None:
    need("fsck.exfat")
    image = make_exfat(tmp_path / "card.img", 64 * MIB)
    # The FUSE driver's own limit of names is in bytes; trailing dots stay.
    place = tmp_path / "here"
    with mounted_exfat(image, place):
        wanted = make_tree(place, TREE)
        # Files in pieces: two grow in turns.
        with (place / "one").open("wb") as one, (place / "two").open("wb") as two:
            for number in range(40):
                for file in (one, two):
                    file.write(bytes([number]) * 4096)
                    file.flush()
                    os.fsync(file.fileno())
        (place / "gone").write_bytes(b"x" * 9000)
        (place / "gone").unlink()
    found, card = digests(image)
    pieces = hashlib.sha256(b"".join(bytes([number]) * 4096 for number in range(40))).hexdigest()
    assert found == {**wanted, "one": pieces, "two": pieces}
    assert card.problems == {}
    assert any(file.is_contiguous and file.size_bytes for file in card.files)
    in_pieces = [file for file in card.files if len(file.runs) > 1]
    assert in_pieces
    assert not any(file.is_contiguous for file in in_pieces)
    run("fsck.exfat", "-n", image)


# --- what is wrong with a card, told ----------------------------------------------------------------------------------


def card_of(data: bytes) -> RawCard:
    return walk_card(in_bytes(data))


def paths(card: RawCard) -> list[str]:
    return [file.path for file in card.files]


def spoilt_fat(width: int, **entries: int) -> RawCard:
    """The small volume with entries of its allocation table changed, by cluster: `c4=6`."""
    data = bytearray(small_fat(width))
    volume = read_fat(in_bytes(data))
    end = {12: 0xFFF, 16: 0xFFFF, 32: 0x0FFFFFFF}[width]
    chain = [end, end, end, end, 6, end, 5, end]
    for name, value in entries.items():
        chain[int(name[1:])] = value
    table = fat_table(chain, width)
    data[volume.table_offset : volume.table_offset + len(table)] = table
    return card_of(bytes(data))


@pytest.mark.parametrize("width", [12, 16, 32])
def test_chains_that_are_wrong(width: int) -> None:
    file = "FOLDER/THREE.BIN"
    assert spoilt_fat(width).problems == {}
    assert "loop" in spoilt_fat(width, c6=4).problems[file]
    assert "free" in spoilt_fat(width, c6=0).problems[file]
    bad = {12: 0xFF7, 16: 0xFFF7, 32: 0x0FFFFFF7}[width]
    assert "bad" in spoilt_fat(width, c6=bad).problems[file]
    assert "does not exist" in spoilt_fat(width, c6=1).problems[file]
    assert "ends after 2 clusters, and it needs 3" in spoilt_fat(width, c6=spoilt_end(width)).problems[file]
    assert "goes on after the 3 clusters" in spoilt_fat(width, c5=8).problems[file]


def spoilt_end(width: int) -> int:
    """The least value that ends a chain."""
    return {12: 0xFF8, 16: 0xFFF8, 32: 0x0FFFFFF8}[width]


@pytest.mark.parametrize("width", [12, 16, 32])
def test_files_that_share_a_cluster_are_both_blamed(width: int) -> None:
    problems = spoilt_fat(width, c6=7).problems
    assert "shares cluster 7 with A longer name.data" in problems["FOLDER/THREE.BIN"]
    assert "shares cluster 7 with FOLDER/THREE.BIN" in problems["A longer name.data"]


def test_a_folder_within_itself_is_not_followed() -> None:
    data = bytearray(small_fat(16))
    volume = read_fat(in_bytes(data))
    inner = volume.heap_offset + volume.cluster_bytes + 96
    data[inner : inner + 32] = fat_entry(b"SELF       ", 0x10, 3, 0)
    card = card_of(bytes(data))
    assert "shares cluster 3 with FOLDER" in card.problems["FOLDER/SELF"]
    assert paths(card) == ["FOLDER", "A longer name.data", "FOLDER/THREE.BIN", "FOLDER/SELF"]


def test_a_hole_ends_a_folder_and_is_told(tmp_path: Path) -> None:
    # As after a loss of power: Linux lists what lies behind the hole, mtools does not.
    need("mcopy", "mdir")
    image = make_fat(tmp_path / "card.img", 4 * MIB, "-F12")
    make_tree(tmp_path / "tree", {f"FILE{number}.BIN": 10 for number in range(6)})
    run("mcopy", "-i", image, "-Q", *sorted((tmp_path / "tree").iterdir()), "::")
    with reading(image) as read:
        top = read_fat(read).root_offset
    patch(image, top + 32 * 4, bytes(32))  # the label, and files 0 to 2, stand before
    found, card = digests(image)
    assert list(found) == ["FILE0.BIN", "FILE1.BIN", "FILE2.BIN"]
    assert "2 entries after its end mark" in card.problems[""]
    assert run("mdir", "-i", image, "-b", "::").split() == ["::/FILE0.BIN", "::/FILE1.BIN", "::/FILE2.BIN"]


def top_of(*entries: bytes) -> RawCard:
    """The small FAT16 volume with these entries in its top folder."""
    data = bytearray(small_fat(16))
    at = read_fat(in_bytes(data)).root_offset
    listing = b"".join(entries).ljust(16 * 32, b"\0")
    data[at : at + len(listing)] = listing
    return card_of(bytes(data))


SHORT = fat_entry(b"ALONGE~1DAT", 0x20, 7, 100)


def test_a_long_name_that_belongs_to_another_is_not_used() -> None:
    name = long_name("A longer name.data", b"ALONGE~1DAT")
    assert paths(top_of(name, SHORT)) == ["A longer name.data"]
    for parts in (
        long_name("A longer name.data", b"OTHER      "),  # a wrong checksum
        name[32:],  # the last part is missing
        name[:32],  # the first part is missing
        name + b"\xe5" + bytes(31),  # a deleted entry comes between
        name[32:] + name[:32],  # in the wrong order
    ):
        card = top_of(parts, SHORT)
        assert paths(card) == ["ALONGE~1.DAT"]
        assert "belong to no file" in card.problems[""]


def test_short_names_in_lower_case_and_beyond_ascii() -> None:
    entry = bytearray(fat_entry(b"\x05ABC    TXT", 0x20, 7, 100))
    entry[12] = 0x18
    # Code page 437: 0xE5, which stands as 0x05 where it comes first, is a small sigma.
    assert paths(top_of(bytes(entry))) == ["σabc.txt"]


def test_names_that_no_path_can_hold_and_names_that_come_twice() -> None:
    card = top_of(long_name("a/b", b"A~1        "), fat_entry(b"A~1        ", 0x20, 0, 0), SHORT, SHORT)
    assert paths(card) == ["ALONGE~1.DAT"]
    assert "no path can hold: 'a/b'" in card.problems[""]
    assert "two of this name" in card.problems["ALONGE~1.DAT"]


def test_a_top_folder_that_loops_is_no_volume() -> None:
    data = bytearray(small_fat(32))
    at = read_fat(in_bytes(data)).table_offset
    struct.pack_into("<I", data, at + 8, 2)
    with pytest.raises(VolumeUnreadable, match="loop"):
        card_of(bytes(data))


def test_what_exfat_says_is_not_written_reads_as_zeros() -> None:
    data = small_exfat()
    card = card_of(data)
    file = next(file for file in card.files if file.path.endswith("fifteen letters"))
    content = b"".join(stream_file(in_bytes(data), card, file))
    assert content == b"6" * SECTOR + b"7" + bytes(2 * SECTOR - 1)
    assert file.is_contiguous


@pytest.mark.parametrize(
    ("entries", "table", "path", "why"),
    [
        (exfat_set("f", 9, 3 * SECTOR), {10: 9}, "f", "loop"),
        (exfat_set("f", 9, 3 * SECTOR), {11: 0}, "f", "free"),
        (exfat_set("f", 9, 3 * SECTOR), {11: 0xFFFFFFF7}, "f", "bad"),
        (exfat_set("f", 60, 9 * SECTOR, contiguous=True), {}, "f", "do not all exist"),
        (exfat_set("f", 2**32 - 1, 2**63, contiguous=True), {}, "f", "do not all exist"),
        (exfat_set("f", 3, 2 * SECTOR, contiguous=True), {}, "f", "shares cluster 4 with the top folder"),
        (exfat_set("f", 9, 3 * SECTOR, valid_bytes=9999), {}, "f", "said to be written"),
        (exfat_set("f", 5, 2**40, is_folder=True, contiguous=True), {}, "f", "a folder cannot have"),
        (exfat_set("f", 9, 3 * SECTOR).replace(b"f\0", b"g\0"), {}, "g", "wrong checksum"),
        (exfat_set("f", 9, 3 * SECTOR)[:64], {}, "", "belong to no file"),
        (exfat_set("f", 9, 3 * SECTOR)[32:], {}, "", "belong to no file"),
        (bytes(32) + exfat_set("f", 9, 3 * SECTOR), {}, "", "1 entry after its end mark"),
    ],
)
def test_what_is_wrong_on_exfat(entries: bytes, table: dict[int, int], path: str, why: str) -> None:
    assert why in card_of(small_exfat([entries], table)).problems[path]
