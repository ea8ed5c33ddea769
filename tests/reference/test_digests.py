"""SHA-256 against its standard, and our checksum files against the `sha256sum` of GNU coreutils, both ways."""

import hashlib
import os
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from mediaprep.checksums import ListedFile, parse
from mediaprep.manifest import digest, to_text
from mediaprep.model import Algorithm, Manifest, ManifestEntry

# Example messages published by NIST for FIPS 180-4.
VECTORS = [
    (b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"),
    (b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"),
    (
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
    ),
    (
        b"abcdefghbcdefghicdefghijdefghijkefghijklfghijklmghijklmnhijklmnoijklmnopjklmnopqklmnopqrlmnopqrsmnopqrstnopqrstu",
        "cf5b16a778af8380036ce59e7b0492370b249b11e8f07a51afac45037afee9d1",
    ),
    (b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0"),
]

AWKWARD = [
    b"plain",
    b"two words",
    b"*star",
    b" lead",
    b"trail ",
    b"-dash",
    b"#hash",
    b"a\\b",
    b"a\\nb",
    b"new\nline",
    b"cr\rx",
    b"cr at the end\r",
    b"tab\tx",
    b"a) = b",
    "caf\u00e9 \u822a\u7a7a".encode(),
    b"not utf-8 \xff\xfe",
    b"line separator \xe2\x80\xa8 x",
    b"folder/inside",
]


def name_of(raw: bytes) -> str:
    return raw.decode("utf-8", "surrogateescape")


@pytest.fixture
def sha256sum(tmp_path: Path) -> Callable[..., subprocess.CompletedProcess[bytes]]:
    """Runs `sha256sum` in a folder of its own."""
    program = shutil.which("sha256sum")
    if program is None:
        pytest.skip("needs sha256sum of GNU coreutils")

    def run(*arguments: str | bytes) -> subprocess.CompletedProcess[bytes]:
        return subprocess.run([program, *arguments], cwd=tmp_path, capture_output=True, check=False)

    return run


@pytest.fixture
def awkward(tmp_path: Path) -> Manifest:
    """Files with awkward names, each with a content of its own, and their manifest."""
    folder = os.fsencode(tmp_path)
    entries = []
    for raw in AWKWARD:
        content = b"content of " + raw
        path = Path(os.fsdecode(os.path.join(folder, raw)))  # noqa: PTH118 - Path takes no bytes
        path.parent.mkdir(exist_ok=True)
        try:
            path.write_bytes(content)
        except OSError:
            pytest.skip(f"this file system refuses the name {raw!r}")
        entries.append(ManifestEntry(name_of(raw), len(content), hashlib.sha256(content).hexdigest()))
    return Manifest(tuple(entries))


@pytest.mark.parametrize(("message", "expected"), VECTORS, ids=["empty", "abc", "448 bits", "896 bits", "a million a"])
def test_vectors_of_fips_180_4(
    message: bytes,
    expected: str,
    tmp_path: Path,
    sha256sum: Callable[..., subprocess.CompletedProcess[bytes]],
) -> None:
    assert hashlib.sha256(message).hexdigest() == expected
    (tmp_path / "message").write_bytes(message)
    (tmp_path / "SHA256SUMS").write_text(to_text(Manifest((ManifestEntry("message", len(message), expected),))))
    assert sha256sum("--check", "--strict", "SHA256SUMS").stdout == b"message: OK\n"
    assert parse(sha256sum("message").stdout.decode()) == (ListedFile("message", Algorithm.SHA256, expected),)


def test_the_digest_of_an_empty_manifest_is_that_of_the_empty_message() -> None:
    assert digest(Manifest(())) == VECTORS[0][1]


def test_a_manifest_s_digest_is_what_sha256sum_says_of_its_text(
    tmp_path: Path, awkward: Manifest, sha256sum: Callable[..., subprocess.CompletedProcess[bytes]]
) -> None:
    (tmp_path / "SHA256SUMS").write_bytes(to_text(awkward).encode("utf-8", "surrogateescape"))
    assert sha256sum("SHA256SUMS").stdout.decode() == f"{digest(awkward)}  SHA256SUMS\n"


def test_a_checksum_file_of_ours_passes_sha256sum(
    tmp_path: Path, awkward: Manifest, sha256sum: Callable[..., subprocess.CompletedProcess[bytes]]
) -> None:
    (tmp_path / "SHA256SUMS").write_bytes(to_text(awkward).encode("utf-8", "surrogateescape"))
    passed = sha256sum("--check", "--strict", "SHA256SUMS")
    assert (passed.returncode, passed.stderr) == (0, b"")
    assert passed.stdout.count(b": OK\n") == len(AWKWARD)

    (tmp_path / "plain").write_bytes(b"content of plaim")
    failed = sha256sum("--check", "--strict", "--quiet", "SHA256SUMS")
    assert (failed.returncode, failed.stdout) == (1, b"plain: FAILED\n")


def test_a_checksum_file_of_ours_is_what_sha256sum_writes(
    awkward: Manifest, sha256sum: Callable[..., subprocess.CompletedProcess[bytes]]
) -> None:
    in_order = sorted(AWKWARD, key=name_of)
    assert to_text(awkward).encode("utf-8", "surrogateescape") == sha256sum("--", *in_order).stdout


@pytest.mark.parametrize("form", ["--text", "--binary", "--tag"])
def test_checksum_files_of_sha256sum_are_read(
    form: str, awkward: Manifest, sha256sum: Callable[..., subprocess.CompletedProcess[bytes]]
) -> None:
    written = sha256sum(form, "--", *AWKWARD)
    assert written.returncode == 0
    found = parse(name_of(written.stdout))
    assert found == tuple(ListedFile(entry.path, Algorithm.SHA256, entry.sha256) for entry in awkward.entries)
