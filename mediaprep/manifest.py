"""Manifests as text and back: the checksum forms of GNU coreutils and of bags (RFC 8493), SHA-256 only.

Texts are decoded as UTF-8 with `surrogateescape`, so that a name that is no UTF-8 keeps its bytes. Lines end with LF;
one CR before it is taken as part of the line's end, as coreutils does.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Callable, Iterable
from dataclasses import dataclass

from mediaprep.errors import ManifestInvalid
from mediaprep.model import Manifest

_HEX = "(?P<sha256>[0-9A-Fa-f]{64})"
# A checksum, one blank, and a blank (text) or a star (binary). Whatever follows is the name, blanks and stars too.
_COREUTILS_LINE = re.compile(rf"{_HEX} [ *](?P<path>.+)", re.DOTALL)
# `sha256sum --tag`, and the same without blanks as OpenSSL writes it.
_TAGGED_LINE = re.compile(rf"SHA256 ?\((?P<path>.+)\) ?= ?{_HEX}", re.DOTALL)
_BAG_LINE = re.compile(rf"{_HEX}[ \t]+(?P<path>.+)", re.DOTALL)
_BAG_LINE_END = re.compile(r"\r\n|\n|\r")

_OTHER_TAG = re.compile(r"([A-Z][A-Za-z0-9/-]*) ?\(.*\) ?= ?[0-9A-Za-z+/=]+", re.DOTALL)
_OTHER_HEX = re.compile(r"([0-9A-Fa-f]+)[ \t]")
_ALGORITHM_BY_DIGITS = {32: "MD5", 40: "SHA-1", 56: "SHA-224", 96: "SHA-384", 128: "SHA-512"}

_UNESCAPED = {"\\\\": "\\", "\\n": "\n", "\\r": "\r"}
_ESCAPES = str.maketrans({plain: escape for escape, plain in _UNESCAPED.items()})
_BAG_DECODED = {"%25": "%", "%0A": "\n", "%0D": "\r"}
_BAG_CODES = str.maketrans({plain: code for code, plain in _BAG_DECODED.items()})


@dataclass(frozen=True, slots=True)
class ListedFile:
    """One line of a checksum file: a name as it stands there, and the digest in lower case. Such files tell no size."""

    path: str
    sha256: str


# --- coreutils -------------------------------------------------------------------------------------------------------


def to_text(manifest: Manifest) -> str:
    """Return the manifest as `sha256sum` writes it, in path order, for `sha256sum -c` to check.

    A name with a backslash, LF or CR is escaped, and its line starts with a backslash.
    """
    return "".join(_coreutils_line(entry.sha256, entry.path) for entry in _in_order(manifest))


def digest(manifest: Manifest) -> str:
    """Return the SHA-256 of the manifest's text: what names the content of a whole bundle.

    It depends on paths and contents only, not on times or on the order of the entries.
    """
    return hashlib.sha256(to_text(manifest).encode("utf-8", "surrogateescape")).hexdigest()


def parse(text: str, name: str = "Checksum file") -> tuple[ListedFile, ...]:
    """Read a checksum file in the forms that `sha256sum` writes: text, binary and `--tag`, mixed as may be.

    Empty lines and lines that start with `#` are passed over, and `./` at the start of a name is taken off. `name` is
    what errors call the file. Whether a path may be used is not judged here: see `safe_path_problem`.

    Raise ManifestInvalid, with the number of the line, where one cannot be read or names a file a second time.
    """
    lines = (line.removesuffix("\r") for line in text.removeprefix("\ufeff").split("\n"))
    return _read(lines, _read_coreutils_line, name)


def _coreutils_line(sha256: str, path: str) -> str:
    escaped = path.translate(_ESCAPES)
    mark = "" if escaped == path else "\\"
    return f"{mark}{sha256}  {escaped}\n"


def _read_coreutils_line(line: str) -> ListedFile | None:
    if not line or line.startswith("#"):
        return None
    body = line.removeprefix("\\")
    match = _COREUTILS_LINE.fullmatch(body) or _TAGGED_LINE.fullmatch(body)
    if match is None:
        raise ValueError(_why_unreadable(body))
    path = match["path"] if body == line else _unescape(match["path"])
    return ListedFile(path.removeprefix("./"), match["sha256"].lower())


def _unescape(path: str) -> str:
    def plain(found: re.Match[str]) -> str:
        if found[0] not in _UNESCAPED:
            message = f"'{found[0]}' in the name is none of the escapes \\\\, \\n and \\r"
            raise ValueError(message)
        return _UNESCAPED[found[0]]

    return re.sub(r"\\.?", plain, path, flags=re.DOTALL)


# --- bags ------------------------------------------------------------------------------------------------------------


def to_bag_text(manifest: Manifest, folder: str = "data") -> str:
    """Return the manifest as `manifest-sha256.txt` of a bag (RFC 8493, section 2.1.3) with its files below `folder`.

    LF, CR and % in a name are written %0A, %0D and %25, and nothing else is.
    """
    return "".join(f"{entry.sha256}  {folder}/{entry.path.translate(_BAG_CODES)}\n" for entry in _in_order(manifest))


def parse_bag(text: str, name: str = "Bag manifest") -> tuple[ListedFile, ...]:
    """Read a bag's `manifest-sha256.txt` or `tagmanifest-sha256.txt`; paths are those in the bag, `data/` and all.

    Raise ManifestInvalid, with the number of the line, where one cannot be read or names a file a second time.
    """
    return _read(_BAG_LINE_END.split(text), _read_bag_line, name)


def _read_bag_line(line: str) -> ListedFile | None:
    if not line:
        return None
    match = _BAG_LINE.fullmatch(line)
    if match is None:
        raise ValueError(_why_unreadable(line))
    path = re.sub(r"%(?:0[AaDd]|25)", lambda found: _BAG_DECODED[found[0].upper()], match["path"])
    return ListedFile(path, match["sha256"].lower())


# --- paths -----------------------------------------------------------------------------------------------------------


def safe_path_problem(path: str) -> str | None:
    """Return what makes a bundle's path unsafe on one system or another, None where nothing does.

    The answer is the end of a sentence that starts with the path: `contains a backslash`. What a certain file system
    would refuse is another matter, and not judged here.
    """
    parts = path.split("/")
    problems = (
        (not path, "is empty"),
        (path.startswith("/"), "starts at the root folder"),
        ("\\" in path, "contains a backslash"),
        # Windows reads `C:name` as a drive, and `name:more` as a hidden stream of a file.
        (":" in path, "contains a colon, which stands for a drive on some systems"),
        ("" in parts, "has a part without a name"),
        ("." in parts, "has '.' as a part"),
        (".." in parts, "has '..' as a part, which leaves the folder"),
        (any(unicodedata.category(char) == "Cc" for char in path), "contains a control character"),
        # Lone surrogates stand for bytes that are not UTF-8; the file systems of cards keep names as Unicode.
        (any(unicodedata.category(char) == "Cs" for char in path), "contains bytes that are not UTF-8 text"),
    )
    return next((problem for is_so, problem in problems if is_so), None)


# --- for both forms --------------------------------------------------------------------------------------------------


def _in_order(manifest: Manifest) -> list[ListedFile]:
    return sorted((ListedFile(entry.path, entry.sha256) for entry in manifest.entries), key=lambda listed: listed.path)


def _read(lines: Iterable[str], read_line: Callable[[str], ListedFile | None], name: str) -> tuple[ListedFile, ...]:
    found: dict[str, tuple[int, ListedFile]] = {}
    for number, line in enumerate(lines, start=1):
        try:
            listed = read_line(line)
        except ValueError as problem:
            message = f"{name}, line {number}: {problem}"
            raise ManifestInvalid(message) from None
        if listed is None:
            continue
        first, _ = found.setdefault(listed.path, (number, listed))
        if first != number:
            message = f"{name}, line {number}: '{listed.path}' stands in line {first} already"
            raise ManifestInvalid(message)
    return tuple(listed for _, listed in found.values())


def _why_unreadable(line: str) -> str:
    tag = _OTHER_TAG.fullmatch(line)
    digits = _OTHER_HEX.match(line)
    algorithm = tag[1] if tag else _ALGORITHM_BY_DIGITS.get(len(digits[1])) if digits else None
    if algorithm is not None and algorithm != "SHA256":
        return f"this is a {algorithm} checksum, and only SHA-256 is read"
    return "this is not a SHA-256 checksum of 64 hexadecimal digits and a file name"
