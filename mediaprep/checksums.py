"""Checksum files that publishers give out, read and compared with what is there.

Read are the forms of GNU coreutils and BSD (`sha256sum`, its `--tag` and `--zero`, and their kin for SHA-512, SHA-1
and MD5) and SFV (CRC-32). SHA-1, MD5 and CRC-32 are weak: they tell an accident on the way, not a forgery.

Texts are decoded as UTF-8 with `surrogateescape`, so that a name that is no UTF-8 keeps its bytes. Lines end with LF;
one CR before it is taken as part of the line's end, as coreutils does.
"""

from __future__ import annotations

import hashlib
import re
import zlib
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from mediaprep.errors import ManifestInvalid
from mediaprep.model import Algorithm

_BY_DIGITS = {algorithm.hex_digits: algorithm for algorithm in Algorithm if algorithm is not Algorithm.CRC32}
# As `--tag` writes them, and as OpenSSL does.
_BY_TAG = {
    "SHA512": Algorithm.SHA512,
    "SHA2-512": Algorithm.SHA512,
    "SHA256": Algorithm.SHA256,
    "SHA2-256": Algorithm.SHA256,
    "SHA1": Algorithm.SHA1,
    "MD5": Algorithm.MD5,
}
# A checksum, one blank, and a blank (text) or a star (binary). Whatever follows is the name, blanks and stars too.
_COREUTILS_LINE = re.compile(r"(?P<digest>[0-9A-Fa-f]+) [ *](?P<path>.+)", re.DOTALL)
# `sha256sum --tag`, and the same without blanks as OpenSSL writes it.
_TAGGED_LINE = re.compile(r"(?P<tag>[A-Z][A-Za-z0-9/-]*) ?\((?P<path>.+)\) ?= ?(?P<digest>[0-9A-Za-z+/=]+)", re.DOTALL)
_HEX = re.compile(r"[0-9A-Fa-f]+")
_SFV_LINE = re.compile(r"(?P<path>.*\S)\s+(?P<digest>[0-9A-Fa-f]{8})\s*")

_UNESCAPED = {"\\\\": "\\", "\\n": "\n", "\\r": "\r"}
_READ = "SHA-512, SHA-256, SHA-1 or MD5"


@dataclass(frozen=True, slots=True)
class ListedFile:
    """One line of a checksum file: a name as it stands there, and the digest in lower case. Such files tell no size."""

    path: str
    algorithm: Algorithm
    digest: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """What a checksum file says of what is there, each path in one place only.

    `differing` are listed and there, with other content; `missing` are listed and not there; `unexpected` are there
    and not listed.
    """

    differing: tuple[str, ...]
    missing: tuple[str, ...]
    unexpected: tuple[str, ...]


# --- reading ---------------------------------------------------------------------------------------------------------


def parse(text: str, name: str = "Checksum file") -> tuple[ListedFile, ...]:
    """Read a checksum file: SFV where `name` ends in `.sfv`, else the forms of coreutils and BSD, mixed as may be.

    Empty lines and comments (`#`, in SFV `;`) are passed over, and `./` at the start of a name is taken off. `name` is
    also what errors call the file. Whether a path may be used is not judged here: see `manifest.safe_path_problem`.

    Raise ManifestInvalid, with the number of the line, where one cannot be read or names a file a second time with the
    same kind of checksum, and where the file lists nothing.
    """
    text = text.removeprefix("\ufeff")
    if name.lower().endswith(".sfv"):
        found = _read((line.removesuffix("\r") for line in text.split("\n")), _read_sfv_line, name)
    elif "\0" in text:
        # `--zero`: each entry ends with NUL, and names stand as they are.
        found = _read(text.split("\0"), _read_plain_line, name)
    else:
        found = _read((line.removesuffix("\r") for line in text.split("\n")), _read_escaped_line, name)
    if not found:
        message = f"{name} lists no file"
        raise ManifestInvalid(message, remedy="Name the file that holds the publisher's checksums.")
    return found


def _read_escaped_line(line: str) -> ListedFile | None:
    if line.startswith("#"):
        return None
    return _read_plain_line(line.removeprefix("\\"), escaped=line.startswith("\\"))


def _read_plain_line(line: str, *, escaped: bool = False) -> ListedFile | None:
    if not line:
        return None
    match = _TAGGED_LINE.fullmatch(line) or _COREUTILS_LINE.fullmatch(line)
    if match is None:
        message = f"this is not a {_READ} checksum in hexadecimal digits and a file name"
        raise ValueError(message)
    algorithm = _algorithm(match)
    path = _unescape(match["path"]) if escaped else match["path"]
    return ListedFile(path.removeprefix("./"), algorithm, match["digest"].lower())


def _algorithm(match: re.Match[str]) -> Algorithm:
    tag, digest = match.groupdict().get("tag"), match["digest"]
    if tag is not None and tag not in _BY_TAG:
        message = f"this is a {tag} checksum; {_READ} can be read"
        raise ValueError(message)
    algorithm = _BY_TAG[tag] if tag is not None else _BY_DIGITS.get(len(digest))
    if algorithm is None or len(digest) != algorithm.hex_digits or not _HEX.fullmatch(digest):
        message = f"{len(digest)} digits are not those of a {_READ if tag is None else tag} checksum"
        raise ValueError(message)
    return algorithm


def _unescape(path: str) -> str:
    def plain(found: re.Match[str]) -> str:
        if found[0] not in _UNESCAPED:
            message = f"'{found[0]}' in the name is none of the escapes \\\\, \\n and \\r"
            raise ValueError(message)
        return _UNESCAPED[found[0]]

    return re.sub(r"\\.?", plain, path, flags=re.DOTALL)


def _read_sfv_line(line: str) -> ListedFile | None:
    if not line.strip() or line.startswith(";"):
        return None
    match = _SFV_LINE.fullmatch(line)
    if match is None:
        message = "this is not a file name and a CRC-32 of 8 hexadecimal digits"
        raise ValueError(message)
    # SFV comes from systems that separate folders with backslashes.
    return ListedFile(match["path"].replace("\\", "/").removeprefix("./"), Algorithm.CRC32, match["digest"].lower())


def _read(lines: Iterable[str], read_line: Callable[[str], ListedFile | None], name: str) -> tuple[ListedFile, ...]:
    found: dict[tuple[str, Algorithm], tuple[int, ListedFile]] = {}
    for number, line in enumerate(lines, start=1):
        try:
            listed = read_line(line)
        except ValueError as problem:
            message = f"{name}, line {number}: {problem}"
            raise ManifestInvalid(message) from None
        if listed is None:
            continue
        first, _ = found.setdefault((listed.path, listed.algorithm), (number, listed))
        if first != number:
            message = f"{name}, line {number}: '{listed.path}' stands in line {first} already"
            raise ManifestInvalid(message)
    return tuple(listed for _, listed in found.values())


# --- comparing -------------------------------------------------------------------------------------------------------


def placed(
    listed: Sequence[ListedFile], present: Collection[str], folders: Iterable[str]
) -> tuple[tuple[ListedFile, ...], str]:
    """Return the lines with their names as seen from the bundle, and the folder that was taken off them, or nothing.

    A publisher's list may stand beside the bundle's folder and name files from there: `set/nav/a` for what is `nav/a`
    in the bundle. So where every line begins with one of `folders`, and more files are found without it, it goes.
    """
    known = set(present)

    def hits(lines: Sequence[ListedFile]) -> int:
        return sum(line.path in known for line in lines)

    best, taken_off = tuple(listed), ""
    for folder in folders:
        start = f"{folder}/"
        if folder and all(line.path.startswith(start) for line in listed):
            shorter = tuple(ListedFile(line.path.removeprefix(start), line.algorithm, line.digest) for line in listed)
            if hits(shorter) > hits(best):
                best, taken_off = shorter, folder
    return best, taken_off


def compare(listed: Iterable[ListedFile], found: Mapping[str, Mapping[Algorithm, str]]) -> Comparison:
    """Compare lines with the digests of what is there: path to algorithm to digest.

    Raise KeyError where a file that is there lacks a digest that a line asks for.
    """
    named, differing, missing = set(), set(), set()
    for line in listed:
        named.add(line.path)
        if line.path not in found:
            missing.add(line.path)
        elif found[line.path][line.algorithm] != line.digest:
            differing.add(line.path)
    unexpected = found.keys() - named
    return Comparison(tuple(sorted(differing)), tuple(sorted(missing)), tuple(sorted(unexpected)))


def describe(comparison: Comparison) -> Iterator[str]:
    """Yield each file that does not agree, with what is amiss."""
    for paths, what in (
        (comparison.differing, "differs"),
        (comparison.missing, "missing"),
        (comparison.unexpected, "not listed"),
    ):
        for path in paths:
            yield f"{path} ({what})"


# --- reckoning -------------------------------------------------------------------------------------------------------


class Digester:
    """Several checksums of one file in one pass over its bytes."""

    def __init__(self, algorithms: Collection[Algorithm]) -> None:
        # MD5 and SHA-1 serve to tell accidents only; a system that forbids them for security lets that pass.
        self._hashes = {
            algorithm: hashlib.new(algorithm.value, usedforsecurity=False)
            for algorithm in algorithms
            if algorithm is not Algorithm.CRC32
        }
        self._crc: int | None = 0 if Algorithm.CRC32 in algorithms else None

    def update(self, chunk: bytes) -> None:
        """Take in the next bytes."""
        for one in self._hashes.values():
            one.update(chunk)
        if self._crc is not None:
            self._crc = zlib.crc32(chunk, self._crc)

    def digests(self) -> dict[Algorithm, str]:
        """Return the checksums of the bytes so far, in lower case."""
        found: dict[Algorithm, str] = {algorithm: one.hexdigest() for algorithm, one in self._hashes.items()}
        if self._crc is not None:
            found[Algorithm.CRC32] = f"{self._crc:08x}"
        return found
