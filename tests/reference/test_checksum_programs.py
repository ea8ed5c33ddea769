"""Checksum files that real programs write are read, and what they say is what we reckon."""

from __future__ import annotations

import os
import subprocess
import zlib
from pathlib import Path

import pytest

from mediaprep.bundles import open_bundle
from mediaprep.checksums import Digester, ListedFile, parse
from mediaprep.intake import take_in
from mediaprep.model import Algorithm, Manifest
from tests.tools import need

# Names that programs escape or could be misread, each the content of its file.
NAMES = ["plain", "two words", "*star", " lead", "trail ", "a\\b", "new\nline", "cr\rx", "a) = b", "#hash", "caf\u00e9"]
PROGRAMS = {
    "sha512sum": Algorithm.SHA512,
    "sha256sum": Algorithm.SHA256,
    "sha1sum": Algorithm.SHA1,
    "md5sum": Algorithm.MD5,
}


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in NAMES:
        (tmp_path / name).write_bytes(name.encode())
    monkeypatch.chdir(tmp_path)
    return tmp_path


def expected(algorithm: Algorithm, names: list[str] = NAMES) -> tuple[ListedFile, ...]:
    found = []
    for name in names:
        digester = Digester([algorithm])
        digester.update(name.encode())
        found.append(ListedFile(name, algorithm, digester.digests()[algorithm]))
    return tuple(found)


def printed(*command: str) -> str:
    """Return what a program printed, its line ends untouched."""
    need(command[0])
    return subprocess.run(command, capture_output=True, check=True).stdout.decode("utf-8", "surrogateescape")


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("program", PROGRAMS)
@pytest.mark.parametrize("form", ["--text", "--binary", "--tag", "--zero"])
def test_what_the_sum_programs_write_is_read(program: str, form: str) -> None:
    assert parse(printed(program, form, "--", *NAMES)) == expected(PROGRAMS[program])


@pytest.mark.usefixtures("folder")
@pytest.mark.parametrize("program", ["sha512", "sha256", "sha1", "md5"])
def test_what_cksum_writes_is_read(program: str) -> None:
    algorithm = Algorithm(program)
    assert parse(printed("cksum", "-a", program, "--", *NAMES)) == expected(algorithm)
    assert parse(printed("cksum", "-a", program, "--untagged", "--", *NAMES)) == expected(algorithm)


def test_a_real_list_is_held_against_a_real_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "set"
    folder.mkdir()
    for name in ("plain", "two words", "#hash"):
        (folder / name).write_bytes(name.encode())
    monkeypatch.chdir(tmp_path)
    names = [f"set/{path.name}" for path in folder.iterdir()]
    (tmp_path / "SHA512SUMS").write_text(printed("sha512sum", "--tag", "--", *names))
    assert (tmp_path / "SHA512SUMS").read_text().startswith("SHA512 (set/")
    found = take_in(
        open_bundle(folder),
        [tmp_path / "SHA512SUMS"],
        unlisted_too=False,
        progress=lambda _: None,
        cancelled=lambda: False,
    )
    assert isinstance(found.manifest, Manifest)
    assert [(check.algorithm, check.file_count) for check in found.checks] == [(Algorithm.SHA512, 3)]


def test_sfv_made_by_hand_agrees_with_zlib(tmp_path: Path) -> None:
    names = ["plain", "two words", "nav\\a"]
    lines = [f"{name} {zlib.crc32(name.encode()):08X}" for name in names]
    text = os.linesep.join(["; made by hand", *lines])
    assert parse(text, "set.sfv") == tuple(
        ListedFile(name.replace("\\", "/"), Algorithm.CRC32, f"{zlib.crc32(name.encode()):08x}") for name in names
    )
