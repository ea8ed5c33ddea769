import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from mediaprep.model import FileSystem
from mediaprep.names import (
    LITTER,
    collisions,
    comparison_key,
    directory_slots,
    is_litter,
    name_problems,
    part_name,
    printable,
    temporary_collisions,
    unicode_twins,
    utf16_units,
)

FOLDING = [FileSystem.FAT12, FileSystem.FAT16, FileSystem.FAT32, FileSystem.VFAT, FileSystem.EXFAT]
ALL = [*FOLDING, FileSystem.OTHER]
file_systems = st.sampled_from(ALL)
names = st.text(st.characters(exclude_characters="/"), min_size=1, max_size=30)


@pytest.mark.parametrize("file_system", ALL)
@pytest.mark.parametrize(
    "path", ["a", "nav/airways.bin", "x+y,z;=[].t", "CONSOLE", "com10.txt", "é/日本", " lead", "a.b.c"]
)
def test_good_names(path: str, file_system: FileSystem) -> None:
    assert name_problems(path, file_system) == []


@pytest.mark.parametrize("file_system", FOLDING)
@pytest.mark.parametrize(
    ("path", "words"),
    [
        # Microsoft, "Naming Files, Paths, and Namespaces"; Linux vfat answers EINVAL to each of these characters.
        *[(f"nav/a{letter}b", f"forbids|{letter}") for letter in '"*:<>?\\|'],
        ("a\x07b", "U+0007"),
        ("a\x7fb", "U+007F"),  # fsck.fat: "Bad short file name"
        ("CON", "reserves"),
        ("aux.h", "reserves"),
        ("com1.tar.gz", "reserves"),
        ("lpt9 .txt", "reserves"),
        ("nul/x", "reserves"),
        ("trail ", "space"),
        ("trail.", "dot"),
        ("folder./x", "dot"),
        ("a" * 256, "256 characters"),
        ("\U0001f6e9" * 128, "256 characters"),
        ("a" * 200 + "/" + "b" * 57, "whole path is 263 characters long while it is being written"),
        ("a" * 200 + "/" + "b" * 70, "whole path is 276 characters long while it is being written"),
    ],
)
def test_names_that_fat_and_exfat_refuse(path: str, words: str, file_system: FileSystem) -> None:
    found = " ".join(name_problems(path, file_system))
    assert all(word in found for word in words.split("|")), found


@pytest.mark.parametrize("path", ["a:b", "CON", "trail.", "a\x07b"])
def test_names_that_only_fat_and_exfat_refuse(path: str) -> None:
    assert name_problems(path, FileSystem.OTHER) == []


@pytest.mark.parametrize(
    ("path", "words"),
    [("a\0b", "U+0000"), ("é" * 128, "256 bytes"), ("/".join(["a" * 200] * 21), "whole path is 4225 bytes")],
)
def test_names_that_others_refuse(path: str, words: str) -> None:
    assert words in " ".join(name_problems(path, FileSystem.OTHER))


@pytest.mark.parametrize("file_system", ALL)
@pytest.mark.parametrize("path", ["", "/a", "a//b", "a/", "../a", "a/./b", "bad\udc80"])
def test_what_is_no_name_anywhere(path: str, file_system: FileSystem) -> None:
    assert name_problems(path, file_system)


def test_a_long_path_whose_temporary_name_is_cut_is_judged_by_itself() -> None:
    # The name has 255 characters, its temporary one too.
    assert name_problems("a" * 255, FileSystem.FAT32) == []
    assert "is 257 characters long;" in name_problems("a/" + "b" * 255, FileSystem.FAT32)[0]


def test_each_problem_is_said_and_can_be_printed() -> None:
    problems = name_problems('CON/a"b\x1b?.', FileSystem.FAT32)
    assert len(problems) == 5
    assert all(problem.isprintable() for problem in problems)


@given(path=st.text(), file_system=file_systems)
def test_judging_a_name_never_fails_and_can_be_printed(path: str, file_system: FileSystem) -> None:
    assert all(problem.isprintable() for problem in name_problems(path, file_system))


def test_printable() -> None:
    assert printable("nav/é.bin") == "nav/é.bin"
    assert printable("a\x1b[2Jb\udc80") == "a\\u001b[2Jb\\udc80"


@given(names)
def test_a_good_name_has_a_good_temporary_name(name: str) -> None:
    assume(not name_problems(name, FileSystem.FAT32))
    temporary = part_name(f"a/{name}")
    assert temporary.startswith("a/")
    assert temporary.endswith(".part")
    assert not name_problems(temporary.removeprefix("a/"), FileSystem.FAT32)


@given(st.text(st.characters(exclude_characters="/", exclude_categories=["Cs"]), min_size=1, max_size=300))
def test_a_temporary_name_fits_every_file_system(name: str) -> None:
    temporary = part_name(name)
    assert utf16_units(temporary) <= 255
    assert len(temporary.encode()) <= 255
    if len(name.encode()) <= 250:
        assert temporary == f"{name}.part"


@pytest.mark.parametrize(
    ("name", "slots"),
    [
        # Linux vfat, 511 free entries: 511 names of this kind, 255 of 13 characters, 170 of 14, and lower case 8.3
        # names as long ones.
        ("AIRWAYS1.BIN", 1), ("A", 1), ("A.B", 1), ("abcdefghijklm", 2), ("abcdefghijklmn", 3), ("readme.txt", 2),
        # 3120 names of 255 characters fill a folder of 65536 entries, `.` and `..` included.
        ("a" * 255, 21),
        ("TOOLONGNAME.BIN", 3), ("A B.TXT", 2), ("A.B.C", 2), ("A.", 2), ("É.TXT", 2), ("\U0001f6e9" * 7, 3),
    ],
)  # fmt: skip
def test_entries_a_name_takes_on_fat(name: str, slots: int) -> None:
    assert {directory_slots(name, file_system) for file_system in FOLDING[:-1]} == {slots}


@pytest.mark.parametrize(("name", "slots"), [("A", 3), ("a" * 15, 3), ("a" * 16, 4), ("a" * 255, 19)])
def test_entries_a_name_takes_on_exfat(name: str, slots: int) -> None:
    # Microsoft exFAT specification, 7.4, 7.6 and 7.7: one file entry, one stream entry, 15 units in each name entry.
    assert directory_slots(name, FileSystem.EXFAT) == slots


@pytest.mark.parametrize("file_system", FOLDING)
@pytest.mark.parametrize(
    ("one", "other", "same"),
    [
        ("Case.TXT", "case.txt", True),
        ("É.t", "é.t", True),  # Linux vfat with utf8
        ("Я", "я", True),
        ("\u1fb3", "\u1fbc", True),  # a pair that str.upper does not join
        ("e\u0301", "\u00e9", False),  # Linux vfat does not normalise
        ("straße", "STRASSE", False),
        ("trail.", "trail", True),  # Linux vfat removes dots at the end
        ("dots.../x", "dots/x", True),
        ("end /x", "end/x", True),
        ("a/b", "a/c", False),
    ],
)
def test_the_same_file(one: str, other: str, same: bool, file_system: FileSystem) -> None:
    assert (comparison_key(one, file_system) == comparison_key(other, file_system)) is same
    assert comparison_key(one, FileSystem.OTHER) != comparison_key(other, FileSystem.OTHER)


@given(path=st.text(), file_system=file_systems)
def test_the_key_of_a_key_is_itself(path: str, file_system: FileSystem) -> None:
    key = comparison_key(path, file_system)
    assert comparison_key(key, file_system) == key


def test_collisions() -> None:
    paths = ["nav/a.bin", "NAV/A.BIN", "b", "b/c/d", "B/e", "f"]
    assert collisions(paths, FileSystem.FAT32) == [("NAV/A.BIN", "nav/a.bin"), ("b", "B/e"), ("b", "b/c/d")]
    assert collisions(paths, FileSystem.OTHER) == [("b", "b/c/d")]
    assert collisions(["a", "b/a", "ba"], FileSystem.EXFAT) == []


def test_temporary_names_collide_too() -> None:
    assert temporary_collisions(["a", "A.PART", "b"], FileSystem.FAT32) == [("a", "A.PART")]
    assert temporary_collisions(["a", "A.PART", "b"], FileSystem.OTHER) == []


def test_unicode_twins() -> None:
    assert unicode_twins(["e\u0301", "\u00e9", "e", "a/\u00e9"]) == [("e\u0301", "\u00e9")]
    assert unicode_twins(["\u00e9", "\u00e9"]) == []


@pytest.mark.parametrize(
    "path",
    [
        "._airways.bin", "nav/._airways.bin", ".DS_Store", "nav/.ds_store", ".Spotlight-V100/Store-V2/x", ".Trashes",
        "System Volume Information", "system volume information/WPSettings.dat", "$RECYCLE.BIN/$I123.txt",
        "nav/Thumbs.db", "desktop.ini", "FOUND.000/FILE0000.CHK", "FSCK0001.REC", "fsck0000.000", "LOST.DIR",
        ".Trash-1000/files/x", "nav/.directory", ".fseventsd/no_log",
    ],
)  # fmt: skip
def test_litter(path: str) -> None:
    assert is_litter(path)


@pytest.mark.parametrize(
    "path",
    ["nav/airways.bin", "DCIM/1.jpg", "nav/LOST.DIR", "FOUND.0000", "XDS_Store", "System Volume", "FSCK1.REC", "a._b"],
)
def test_not_litter(path: str) -> None:
    assert not is_litter(path)


@pytest.mark.parametrize("litter", LITTER, ids=lambda litter: litter.pattern)
def test_every_kind_of_litter_is_found(litter) -> None:
    name = litter.pattern.replace("#", "0").replace("*", "x")
    assert is_litter(name)
    assert is_litter(name.swapcase())
    assert is_litter(f"folder/{name}") is not litter.root_only
    assert is_litter(f"{name}/inside") is litter.root_only
    assert litter.written_by
