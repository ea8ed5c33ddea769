"""Publishers' checksum files: every form of a line, what is refused, and how they compare with what is there."""

from __future__ import annotations

import hashlib
import zlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.checksums import Comparison, Digester, ListedFile, compare, describe, parse, placed
from mediaprep.errors import ManifestInvalid
from mediaprep.model import Algorithm

# Checksums of the message "abc": FIPS 180-4 examples for the SHAs, RFC 1321 (appendix A.5) for MD5.
SHA512 = (
    "ddaf35a193617abacc417349ae20413112e6fa4e89a97ea20a9eeee64b55d39a"
    "2192992a274fc1a836ba3c23a3feebbd454d4423643ce80e2a9ac94fa54ca49f"
)
SHA256 = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
SHA1 = "a9993e364706816aba3e25717850c26c9cd0d89d"
MD5 = "900150983cd24fb0d6963f7d28e17f72"
CRC32 = "352441c2"  # zlib's; the catalogued check value is that of "123456789", tested below
OTHER = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # SHA-256 of the empty message
HEX = {
    Algorithm.SHA512: SHA512,
    Algorithm.SHA256: SHA256,
    Algorithm.SHA1: SHA1,
    Algorithm.MD5: MD5,
    Algorithm.CRC32: CRC32,
}
TAGS = {Algorithm.SHA512: "SHA512", Algorithm.SHA256: "SHA256", Algorithm.SHA1: "SHA1", Algorithm.MD5: "MD5"}


# --- lines -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("algorithm", TAGS)
@pytest.mark.parametrize("end", ["\n", "\r\n", ""])
@pytest.mark.parametrize(
    ("form", "path"),
    [
        ("{hex}  plain", "plain"),
        ("{hex} *binary", "binary"),
        ("{hex}  *star", "*star"),
        ("{hex}   lead", " lead"),
        ("{hex} * lead", " lead"),
        ("{hex}  trail ", "trail "),
        ("{HEX}  upper", "upper"),
        ("{hex}  ./nav/a", "nav/a"),
        ("\\{hex}  a\\\\n", "a\\n"),
        ("\\{hex} *a\\nb", "a\nb"),
        ("{hex}  a\\nb", "a\\nb"),
        ("{tag} (plain) = {hex}", "plain"),
        ("{tag} (a) = b) = {HEX}", "a) = b"),
        ("\\{tag} (cr\\rx) = {hex}", "cr\rx"),
        ("{tag}(openssl)= {hex}", "openssl"),
    ],
)
def test_each_form_of_a_line_is_read(form: str, path: str, algorithm: Algorithm, end: str) -> None:
    digest = HEX[algorithm]
    line = form.format(hex=digest, HEX=digest.upper(), tag=TAGS[algorithm])
    assert parse(line + end) == (ListedFile(path, algorithm, digest),)


def test_openssl_names_two_of_them_otherwise() -> None:
    assert parse(f"SHA2-256(a)= {SHA256}\nSHA2-512(b)= {SHA512}\n") == (
        ListedFile("a", Algorithm.SHA256, SHA256),
        ListedFile("b", Algorithm.SHA512, SHA512),
    )


def test_entries_that_end_with_nul_have_names_as_they_are() -> None:
    text = f"{SHA256}  a\nb\0{SHA256}  c\\n\0\\{MD5}  d\0"
    with pytest.raises(ManifestInvalid, match="line 3"):
        parse(text)
    assert parse(text.replace("\\" + MD5, MD5)) == (
        ListedFile("a\nb", Algorithm.SHA256, SHA256),
        ListedFile("c\\n", Algorithm.SHA256, SHA256),
        ListedFile("d", Algorithm.MD5, MD5),
    )


@pytest.mark.parametrize("name", ["set.sfv", "SET.SFV"])
def test_sfv_is_read(name: str) -> None:
    text = f"; Made for the test\r\n\r\nnav\\a b.bin {CRC32.upper()}\r\n./plain.bin   {CRC32}  \r\n; end {CRC32}\r\n"
    assert parse(text, name) == (
        ListedFile("nav/a b.bin", Algorithm.CRC32, CRC32),
        ListedFile("plain.bin", Algorithm.CRC32, CRC32),
    )


def test_empty_lines_comments_and_a_byte_order_mark_are_passed_over() -> None:
    assert parse(f"\ufeff# set of spring\r\n\r\n{SHA256}  a\n\n{OTHER} *b\n") == (
        ListedFile("a", Algorithm.SHA256, SHA256),
        ListedFile("b", Algorithm.SHA256, OTHER),
    )


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("nonsense", "this is not a SHA-512, SHA-256, SHA-1 or MD5 checksum"),
        (SHA256, "this is not a SHA-512"),
        (f"{SHA256}  ", "this is not a SHA-512"),
        (f"{SHA256} one-blank", "this is not a SHA-512"),
        (f"{SHA256[:-1]}  short", "63 digits are not those of a SHA-512, SHA-256, SHA-1 or MD5 checksum"),
        (f"SHA256 (short) = {SHA256[:-1]}", "63 digits are not those of a SHA256 checksum"),
        (f"MD5 (no hex) = {'g' * 32}", "32 digits are not those of a MD5 checksum"),
        (f"BLAKE2b (a) = {SHA512}", "this is a BLAKE2b checksum; SHA-512, SHA-256, SHA-1 or MD5 can be read"),
        (f"\\SHA3-256 (a) = {SHA256}", "this is a SHA3-256 checksum"),
        ("3582362371 3 a", "this is not a SHA-512"),  # what POSIX cksum prints for "abc"
        (f"\\{SHA256}  a\\tb", r"'\\t' in the name is none of the escapes"),
        (f"\\{SHA256}  a\\", r"'\\' in the name is none of the escapes"),
    ],
)
def test_a_line_that_cannot_be_read_is_named_by_its_number(line: str, problem: str) -> None:
    with pytest.raises(ManifestInvalid, match=rf"^SUMS, line 3: {problem}"):
        parse(f"{SHA256}  a\n\n{line}\n{SHA256}  b\n", name="SUMS")


@pytest.mark.parametrize("line", ["name-alone", f"name {CRC32[:-1]}", f"name{CRC32}", f" {CRC32}"])
def test_a_line_of_sfv_that_cannot_be_read_is_named_by_its_number(line: str) -> None:
    with pytest.raises(ManifestInvalid, match=r"^a\.sfv, line 2: this is not a file name and a CRC-32"):
        parse(f"; comment\n{line}\n", name="a.sfv")


@pytest.mark.parametrize("second", [f"{SHA256}  nav/a", f"{OTHER} *./nav/a", f"SHA256 (nav/a) = {SHA256}"])
def test_a_file_listed_twice_is_refused_with_both_lines(second: str) -> None:
    with pytest.raises(ManifestInvalid, match=r"^Checksum file, line 3: 'nav/a' stands in line 1 already"):
        parse(f"{SHA256}  nav/a\n{SHA256}  nav/b\n{second}\n")


def test_a_file_may_be_listed_with_two_kinds_of_checksum() -> None:
    assert [line.algorithm for line in parse(f"SHA256 (a) = {SHA256}\nMD5 (a) = {MD5}\n")] == [
        Algorithm.SHA256,
        Algorithm.MD5,
    ]


@pytest.mark.parametrize("text", ["", "# nothing\n\n", "\0"])
def test_a_list_of_nothing_is_refused(text: str) -> None:
    with pytest.raises(ManifestInvalid, match="SUMS lists no file"):
        parse(text, name="SUMS")


names = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0")
    | st.sampled_from("\\\n\r\t *#%()=\u2028\x85")
    | st.integers(0xDC80, 0xDCFF).map(chr),
    min_size=1,
).filter(lambda name: not name.startswith("./"))


@given(st.dictionaries(names, st.sampled_from(list(TAGS)), min_size=1), st.booleans())
def test_what_is_written_in_any_form_is_read_back(files: dict[str, Algorithm], tagged: bool) -> None:
    escapes = str.maketrans({"\\": "\\\\", "\n": "\\n", "\r": "\\r"})
    lines = []
    for name, algorithm in files.items():
        escaped = name.translate(escapes)
        line = f"{TAGS[algorithm]} ({escaped}) = {HEX[algorithm]}" if tagged else f"{HEX[algorithm]}  {escaped}"
        lines.append(line if escaped == name else "\\" + line)
    assert parse("\n".join(lines) + "\n") == tuple(
        ListedFile(name, algorithm, HEX[algorithm]) for name, algorithm in files.items()
    )


@given(st.text())
def test_whatever_a_list_holds_it_is_read_or_refused_by_name(text: str) -> None:
    for name in ("SUMS", "a.sfv"):
        try:
            assert parse(text, name)
        except ManifestInvalid as error:
            assert str(error).startswith(name)  # noqa: PT017 - either outcome is right


# --- comparing -------------------------------------------------------------------------------------------------------


def test_differing_missing_and_unexpected_files_are_told_apart() -> None:
    lines = [ListedFile(path, Algorithm.SHA256, SHA256) for path in ("same", "other", "gone")]
    found = {path: {Algorithm.SHA256: digest} for path, digest in (("same", SHA256), ("other", OTHER), ("new", OTHER))}
    comparison = compare(lines, found)
    assert comparison == Comparison(differing=("other",), missing=("gone",), unexpected=("new",))
    assert list(describe(comparison)) == ["other (differs)", "gone (missing)", "new (not listed)"]


def test_a_digest_that_was_never_reckoned_is_no_agreement() -> None:
    with pytest.raises(KeyError):
        compare([ListedFile("a", Algorithm.MD5, MD5)], {"a": {Algorithm.SHA256: SHA256}})


@pytest.mark.parametrize(
    ("paths", "present", "expected"),
    [
        (["nav/a", "b"], {"nav/a", "b"}, ["nav/a", "b"]),
        (["set/nav/a", "set/b"], {"nav/a", "b"}, ["nav/a", "b"]),
        (["data/nav/a", "data/b"], {"nav/a", "b"}, ["nav/a", "b"]),
        # A folder of the bundle's own name inside it, and a list from within: nothing is taken off.
        (["set/a"], {"set/a"}, ["set/a"]),
        # Nothing is found either way: as it stands.
        (["set/x"], {"a"}, ["set/x"]),
        # Not every line begins with the folder.
        (["set/a", "b"], {"a", "b"}, ["set/a", "b"]),
    ],
)
def test_a_list_from_beside_the_folder_is_understood(paths: list[str], present: set[str], expected: list[str]) -> None:
    lines = [ListedFile(path, Algorithm.MD5, MD5) for path in paths]
    found, _ = placed(lines, present, ["set", "data", ""])
    assert [line.path for line in found] == expected


# --- reckoning -------------------------------------------------------------------------------------------------------


def test_all_checksums_come_from_one_pass() -> None:
    digester = Digester(list(Algorithm))
    for chunk in (b"a", b"", b"bc"):
        digester.update(chunk)
    assert digester.digests() == HEX


def test_the_check_value_of_crc_32() -> None:
    # The catalogue's check value of CRC-32/ISO-HDLC (reveng.sourceforge.io/crc-catalogue), the one that SFV uses.
    digester = Digester([Algorithm.CRC32])
    digester.update(b"123456789")
    assert digester.digests() == {Algorithm.CRC32: "cbf43926"}


@given(st.lists(st.binary()))
def test_chunks_make_no_difference(chunks: list[bytes]) -> None:
    whole = b"".join(chunks)
    digester = Digester([Algorithm.SHA512, Algorithm.CRC32])
    for chunk in chunks:
        digester.update(chunk)
    assert digester.digests() == {
        Algorithm.SHA512: hashlib.sha512(whole).hexdigest(),
        Algorithm.CRC32: f"{zlib.crc32(whole):08x}",
    }


def test_weak_ones_are_marked() -> None:
    assert {one for one in Algorithm if one.weak} == {Algorithm.SHA1, Algorithm.MD5, Algorithm.CRC32}
    assert {one: len(HEX[one]) for one in Algorithm} == {one: one.hex_digits for one in Algorithm}
