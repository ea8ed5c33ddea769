"""Manifests as text and back, and paths that are unsafe anywhere."""

import hashlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.checksums import ListedFile, parse
from mediaprep.manifest import digest, safe_path_problem, to_text
from mediaprep.model import Algorithm, Manifest, ManifestEntry

ABC = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"  # FIPS 180-4 example "abc"

# Any name at all, undecodable bytes (surrogates that `surrogateescape` makes) and line ends of every kind among them.
names = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0")
    | st.sampled_from("\\\n\r\t *#%()=\u2028\x85")
    | st.integers(0xDC80, 0xDCFF).map(chr),
    min_size=1,
).filter(lambda name: not name.startswith("./"))
hexes = st.binary(min_size=32, max_size=32).map(bytes.hex)
entries = st.builds(ManifestEntry, names, st.integers(0, 2**40), hexes)
manifests = st.lists(entries, min_size=1, unique_by=lambda entry: entry.path).map(lambda found: Manifest(tuple(found)))


def manifest_of(*paths: str) -> Manifest:
    return Manifest(tuple(ManifestEntry(path, 3, ABC) for path in paths))


# --- coreutils -------------------------------------------------------------------------------------------------------


@given(manifests)
def test_what_is_written_is_read_back_in_path_order(manifest: Manifest) -> None:
    assert parse(to_text(manifest)) == tuple(
        ListedFile(entry.path, Algorithm.SHA256, entry.sha256)
        for entry in sorted(manifest.entries, key=lambda entry: entry.path)
    )


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
