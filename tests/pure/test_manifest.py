"""Manifests as text and back, and paths that are unsafe anywhere."""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.errors import ManifestInvalid
from mediaprep.manifest import (
    ListedFile,
    digest,
    parse,
    parse_bag,
    safe_path_problem,
    to_bag_text,
    to_text,
)
from mediaprep.model import Manifest, ManifestEntry

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4 example "abc"
OTHER = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"  # and of the empty message

# Any name at all, undecodable bytes (surrogates that `surrogateescape` makes) and line ends of every kind among them.
names = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0")
    | st.sampled_from("\\\n\r\t *#%()=\u2028\x85")
    | st.integers(0xDC80, 0xDCFF).map(chr),
    min_size=1,
).filter(lambda name: not name.startswith("./"))
hexes = st.binary(min_size=32, max_size=32).map(bytes.hex)
entries = st.builds(ManifestEntry, names, st.integers(0, 2**40), hexes)
manifests = st.lists(entries, unique_by=lambda entry: entry.path).map(lambda found: Manifest(tuple(found)))


def manifest_of(*paths: str) -> Manifest:
    return Manifest(tuple(ManifestEntry(path, 3, ABC) for path in paths))


def listed(manifest: Manifest, folder: str = "") -> tuple[ListedFile, ...]:
    return tuple(
        sorted((ListedFile(folder + one.path, one.sha256) for one in manifest.entries), key=lambda one: one.path)
    )


# --- coreutils -------------------------------------------------------------------------------------------------------


@given(manifests)
def test_what_is_written_is_read_back_in_path_order(manifest: Manifest) -> None:
    assert parse(to_text(manifest)) == listed(manifest)


def test_a_manifest_reads_as_sha256sum_writes_it() -> None:
    # Forms as GNU coreutils 9.1 prints them.
    manifest = manifest_of("nav/airways.bin", "a\\b", "new\nline", "cr\rx", "*star", " lead")
    assert to_text(manifest).split("\n") == [
        f"{ABC}   lead",
        f"{ABC}  *star",
        f"\\{ABC}  a\\\\b",
        f"\\{ABC}  cr\\rx",
        f"{ABC}  nav/airways.bin",
        f"\\{ABC}  new\\nline",
        "",
    ]


@given(manifests)
def test_the_digest_does_not_depend_on_the_order_of_entries(manifest: Manifest) -> None:
    assert digest(Manifest(manifest.entries[::-1])) == digest(manifest)


def test_the_digest_is_that_of_the_text_with_the_bytes_that_names_have() -> None:
    expected = hashlib.sha256(b"".join(ABC.encode() + b"  " + name + b"\n" for name in (b"a", b"caf\xc3\xa9", b"\xff")))
    assert digest(manifest_of("a", "café", b"\xff".decode("utf-8", "surrogateescape"))) == expected.hexdigest()


@pytest.mark.parametrize(
    ("line", "path"),
    [
        (f"{ABC}  plain", "plain"),
        (f"{ABC} *binary", "binary"),
        (f"{ABC}  *star", "*star"),
        (f"{ABC}   lead", " lead"),
        (f"{ABC} * lead", " lead"),
        (f"{ABC}  trail ", "trail "),
        (f"{ABC.upper()}  upper", "upper"),
        (f"{ABC}  ./nav/a", "nav/a"),
        (f"\\{ABC}  a\\\\n", "a\\n"),
        (f"\\{ABC} *a\\nb", "a\nb"),
        (f"{ABC}  a\\nb", "a\\nb"),
        (f"SHA256 (plain) = {ABC}", "plain"),
        (f"SHA256 (a) = b) = {ABC.upper()}", "a) = b"),
        (f"\\SHA256 (cr\\rx) = {ABC}", "cr\rx"),
        (f"SHA256(openssl)= {ABC}", "openssl"),
    ],
)
@pytest.mark.parametrize("end", ["\n", "\r\n", ""])
def test_each_form_of_a_line_is_read(line: str, path: str, end: str) -> None:
    assert parse(line + end) == (ListedFile(path, ABC),)


def test_empty_lines_comments_and_a_byte_order_mark_are_passed_over() -> None:
    assert parse(f"\ufeff# set of spring\r\n\r\n{ABC}  a\n\n{OTHER} *b\n") == (
        ListedFile("a", ABC),
        ListedFile("b", OTHER),
    )
    assert parse("") == ()


@pytest.mark.parametrize(
    ("line", "problem"),
    [
        ("nonsense", "this is not a SHA-256 checksum"),
        (f"{ABC}", "this is not a SHA-256 checksum"),
        (f"{ABC}  ", "this is not a SHA-256 checksum"),
        (f"{ABC} one-blank", "this is not a SHA-256 checksum"),
        (f"{ABC[:-1]}  short", "this is not a SHA-256 checksum"),
        (f"SHA256 (short) = {ABC[:-1]}", "this is not a SHA-256 checksum"),
        ("900150983cd24fb0d6963f7d28e17f72  a", "this is a MD5 checksum"),
        ("a9993e364706816aba3e25717850c26c9cd0d89d *a", "this is a SHA-1 checksum"),
        (f"{ABC}{ABC}  a", "this is a SHA-512 checksum"),
        (f"BLAKE2b (a) = {ABC}{ABC}", "this is a BLAKE2b checksum"),
        ("\\MD5 (a) = 900150983cd24fb0d6963f7d28e17f72", "this is a MD5 checksum"),
        (f"\\{ABC}  a\\tb", r"'\\t' in the name is none of the escapes"),
        (f"\\{ABC}  a\\", r"'\\' in the name is none of the escapes"),
    ],
)
def test_a_line_that_cannot_be_read_is_named_by_its_number(line: str, problem: str) -> None:
    with pytest.raises(ManifestInvalid, match=rf"^SHA256SUMS, line 3: {problem}"):
        parse(f"{ABC}  a\n\n{line}\n{ABC}  b\n", name="SHA256SUMS")


@pytest.mark.parametrize("second", [f"{ABC}  nav/a", f"{OTHER} *./nav/a", f"SHA256 (nav/a) = {ABC}"])
def test_a_file_listed_twice_is_refused_with_both_lines(second: str) -> None:
    with pytest.raises(ManifestInvalid, match=r"^Checksum file, line 3: 'nav/a' stands in line 1 already"):
        parse(f"{ABC}  nav/a\n{ABC}  nav/b\n{second}\n")


# --- bags ------------------------------------------------------------------------------------------------------------


@given(manifests)
def test_a_bag_manifest_is_read_back(manifest: Manifest) -> None:
    assert parse_bag(to_bag_text(manifest)) == listed(manifest, "data/")


def test_a_bag_manifest_encodes_line_ends_and_percent_signs_only() -> None:
    # RFC 8493, section 2.1.3
    assert to_bag_text(manifest_of("a%0A b", "x\r\ny", "tilde~ü")) == (
        f"{ABC}  data/a%250A b\n{ABC}  data/tilde~ü\n{ABC}  data/x%0D%0Ay\n"
    )
    assert to_bag_text(manifest_of("a"), folder="data/nav") == f"{ABC}  data/nav/a\n"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
def test_a_bag_manifest_is_read_with_any_blanks_and_line_ends(end: str) -> None:
    text = f"{ABC} data/a%0ab%25{end}{OTHER.upper()}\t \tdata/c%7Ed{end}"
    assert parse_bag(text) == (ListedFile("data/a\nb%", ABC), ListedFile("data/c%7Ed", OTHER))


def test_a_bag_manifest_line_that_cannot_be_read_is_named_by_its_number() -> None:
    with pytest.raises(ManifestInvalid, match=r"^manifest-sha256\.txt, line 2: this is a SHA-512 checksum"):
        parse_bag(f"{ABC}  data/a\n{ABC}{ABC}  data/b\n", name="manifest-sha256.txt")
    with pytest.raises(ManifestInvalid, match=r"^Bag manifest, line 2: 'data/a' stands in line 1 already"):
        parse_bag(f"{ABC}  data/a\n{ABC}  data/a\n")


# --- paths -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "path", ["a", "nav/airways.bin", "a b/c.d/..e", "...", "~x", "naïve/Ünïcode", "-rf", "a/.hidden"]
)
def test_an_ordinary_path_has_no_problem(path: str) -> None:
    assert safe_path_problem(path) is None


@pytest.mark.parametrize(
    ("path", "problem"),
    [
        ("", "is empty"),
        ("/etc/passwd", "starts at the root"),
        ("//server/share", "starts at the root"),
        ("nav\\a", "backslash"),
        ("\\\\?\\C", "backslash"),
        ("C:/a", "colon"),
        ("c:a", "colon"),
        ("a:stream", "colon"),
        ("a//b", "part without a name"),
        ("a/", "part without a name"),
        (".", "'.' as a part"),
        ("./a", "'.' as a part"),
        ("a/./b", "'.' as a part"),
        ("..", "'..' as a part"),
        ("../a", "'..' as a part"),
        ("a/../../b", "'..' as a part"),
        ("a\0b", "control character"),
        ("a\nb", "control character"),
        ("a\x7f", "control character"),
        ("a\x9b31m", "control character"),
        (b"a\xff".decode("utf-8", "surrogateescape"), "not UTF-8"),
        ("a\ud800", "not UTF-8"),
    ],
)
def test_an_unsafe_path_is_named_for_what_it_is(path: str, problem: str) -> None:
    assert problem in safe_path_problem(path)


@given(st.text(st.sampled_from("ab./\\:\n ")))
def test_a_path_without_a_problem_stays_below_its_folder(path: str) -> None:
    parts = path.split("/")
    harmless = not ({"", ".", ".."} & set(parts)) and not ({"\\", ":", "\n"} & set(path))
    assert (safe_path_problem(path) is None) is harmless
