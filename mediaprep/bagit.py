"""The text formats of bags, RFC 8493, and of the drafts before it back to 0.93: read and written.

A bag is a folder with `bagit.txt`, at least one payload manifest `manifest-ALGORITHM.txt`, and the payload below
`data/`. It proves that what left the sender arrived; not who the sender was (RFC 8493, section 5.2).

What is amiss comes back as faults. A BROKEN bag is refused always. A fault of FORM breaks a rule of the version that
the bag says it follows, though every byte may be proven: it is refused unless the reader is lenient. A NOTE refuses
nothing.
"""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TypeAlias

from mediaprep.checksums import ListedFile
from mediaprep.errors import BagInvalid
from mediaprep.manifest import safe_path_problem
from mediaprep.model import Algorithm
from mediaprep.names import printable

Version: TypeAlias = tuple[int, int]

DECLARATION = "bagit.txt"
PAYLOAD = "data/"
FETCH = "fetch.txt"
RFC: Version = (1, 0)
# `bag-info.txt` had another name up to 0.95.
_INFO_NAMES = ("bag-info.txt", "package-info.txt")
_VERSIONS = {(0, 93), (0, 94), (0, 95), (0, 96), (0, 97), RFC}
_ENCODINGS = re.compile(r"utf-8|utf-16(-[bl]e)?|utf-32(-[bl]e)?|ascii|iso8859-\d+|cp125\d")

_LINE_END = re.compile(r"\r\n|\n|\r")
_MANIFEST_NAME = re.compile(r"(?P<tag>tag)?manifest-(?P<algorithm>[A-Za-z0-9-]+)\.txt")
_MANIFEST_LINE = re.compile(r"(?P<digest>[0-9A-Fa-f]+)[ \t]+(?P<path>.+)")
_FETCH_LINE = re.compile(r"(?P<url>\S+)[ \t]+(?P<length>\d+|-)[ \t]+(?P<path>.+)")
_INFO_LINE = re.compile(r"(?P<label>[^:\s][^:]*?)(?P<blank>\s*):[ \t]*(?P<value>.*)")
_OXUM = re.compile(r"(?P<octets>\d{1,18})\.(?P<files>\d{1,18})")
_VERSION_LINE = re.compile(r"BagIt-Version(?P<before>\s*):(?P<after>\s*)(?P<major>\d{1,4})\.(?P<minor>\d{1,4})\s*")
_ENCODING_LINE = re.compile(r"Tag-File-Character-Encoding(?P<before>\s*):(?P<after>\s*)(?P<encoding>\S+)\s*")

_CODES = {"%": "%25", "\n": "%0A", "\r": "%0D"}
_ENCODED = str.maketrans(_CODES)
_DECODED = {code: plain for plain, code in _CODES.items()}


class Severity(StrEnum):
    """What a fault means for the bag."""

    NOTE = "note"
    FORM = "form"
    BROKEN = "broken"


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is amiss in a bag: which file, and the end of a sentence that starts with it."""

    severity: Severity
    path: str
    detail: str

    def __str__(self) -> str:
        return f"{printable(self.path)} {self.detail}"


@dataclass(frozen=True, slots=True)
class FetchItem:
    """One line of `fetch.txt`: a file that the sender left out. mediaprep fetches nothing."""

    url: str
    size_bytes: int | None
    path: str


@dataclass(frozen=True, slots=True)
class Listing:
    """One manifest: its name in the bag, its algorithm, and its lines, their paths decoded by the version's rule."""

    name: str
    algorithm: Algorithm
    lines: tuple[ListedFile, ...]


@dataclass(frozen=True)
class Bag:
    """What the texts of a bag say. `info` keeps the order and the labels of `bag-info.txt`."""

    version: Version
    encoding: str
    info: tuple[tuple[str, str], ...]
    oxum: tuple[int, int] | None
    payload: tuple[Listing, ...]
    tags: tuple[Listing, ...]
    fetch: tuple[FetchItem, ...]
    faults: tuple[Fault, ...] = field(default=())


# --- names -----------------------------------------------------------------------------------------------------------


def encode_path(path: str) -> str:
    """Return a path as a manifest of version 1.0 writes it: LF, CR and % encoded, and these only (section 2.1.3)."""
    return path.translate(_ENCODED)


def decode_path(text: str, version: Version) -> str:
    """Return the path that a manifest's text stands for.

    1.0 encodes LF, CR and %; 0.97 LF and CR, and leaves % as it is; the drafts before encode nothing.
    """
    if version < (0, 97):
        return text
    codes = r"%(?:0[AaDd]|25)" if version >= RFC else r"%0[AaDd]"
    return re.sub(codes, lambda found: _DECODED[found[0].upper()], text)


def path_problem(path: str) -> str | None:
    """Return what makes a path in a bag unsafe (section 5.1), None where nothing does."""
    return "starts at a user's home folder" if path.startswith("~") else safe_path_problem(path)


def is_text_of_bag(name: str) -> bool:
    """Say whether a file at the top of a bag is one that `read_bag` reads."""
    return name in {DECLARATION, FETCH, *_INFO_NAMES} or _MANIFEST_NAME.fullmatch(name) is not None


# --- reading ---------------------------------------------------------------------------------------------------------


def read_bag(texts: Mapping[str, bytes]) -> Bag:
    """Read the texts of a bag, by their names. What is amiss in them is in the bag's faults.

    Raise BagInvalid where `bagit.txt` does not say which version this is, or a text is not in the encoding it names.
    """
    faults: list[Fault] = []
    version, encoding = _read_declaration(texts.get(DECLARATION), faults)
    decoded = {
        name: _decode(raw, encoding, name, faults)
        for name, raw in sorted(texts.items())
        if name != DECLARATION and is_text_of_bag(name)
    }
    info_name = next((name for name in _INFO_NAMES if name in decoded), "")
    info = _read_info(decoded.get(info_name, ""), info_name, version, faults)
    listings: dict[bool, list[Listing]] = {True: [], False: []}
    for name, text in decoded.items():
        match = _MANIFEST_NAME.fullmatch(name)
        if match is not None:
            listing = _read_manifest(text, match, version, faults)
            if listing is not None:
                listings[match["tag"] is not None].append(listing)
    if not listings[False]:
        faults.append(Fault(Severity.BROKEN, "manifest-sha512.txt", "or another payload manifest is missing"))
    return Bag(
        version=version,
        encoding=encoding,
        info=info,
        oxum=_read_oxum(info, info_name, faults),
        payload=tuple(listings[False]),
        tags=tuple(listings[True]),
        fetch=_read_fetch(decoded.get(FETCH, ""), version, faults),
        faults=tuple(faults),
    )


def _read_declaration(raw: bytes | None, faults: list[Fault]) -> tuple[Version, str]:
    if raw is None:
        message = f"{DECLARATION} is missing: this is no bag"
        raise BagInvalid(message)
    text = _decode(raw, "utf-8", DECLARATION, faults)
    lines = [line for line in _LINE_END.split(text) if line]
    version_line = _VERSION_LINE.fullmatch(lines[0]) if lines else None
    encoding_line = _ENCODING_LINE.fullmatch(lines[1]) if len(lines) > 1 else None
    if version_line is None or encoding_line is None:
        message = f"{DECLARATION} does not say 'BagIt-Version: M.N' and 'Tag-File-Character-Encoding: ENCODING'"
        raise BagInvalid(message)
    version = int(version_line["major"]), int(version_line["minor"])
    if version not in _VERSIONS:
        message = f"{DECLARATION} says version {version[0]}.{version[1]}, which is not known here"
        raise BagInvalid(message, remedy="Have the bag supplied as version 1.0 (RFC 8493).")
    if len(lines) > 2:
        faults.append(Fault(Severity.FORM, DECLARATION, "has more than two lines"))
    strict = all(line["before"] == "" and line["after"] == " " for line in (version_line, encoding_line))
    if not strict and version >= RFC:
        faults.append(Fault(Severity.FORM, DECLARATION, "has blanks around a colon that are not one blank after it"))
    try:
        encoding = codecs.lookup(encoding_line["encoding"]).name
    except LookupError:
        encoding = ""
    if _ENCODINGS.fullmatch(encoding) is None:
        message = f"{DECLARATION} names the encoding {encoding_line['encoding']}, which is not known here"
        raise BagInvalid(message)
    return version, encoding


def _decode(raw: bytes, encoding: str, name: str, faults: list[Fault]) -> str:
    try:
        text = raw.decode(encoding)
    except UnicodeDecodeError as error:
        message = f"{name} is not text in {encoding}: byte {error.start + 1} cannot be read"
        raise BagInvalid(message) from error
    if text.startswith("\ufeff"):
        faults.append(Fault(Severity.FORM, name, "starts with a byte order mark"))
    return text.removeprefix("\ufeff")


def _read_info(text: str, name: str, version: Version, faults: list[Fault]) -> tuple[tuple[str, str], ...]:
    found: list[tuple[str, str]] = []
    for number, line in enumerate(_LINE_END.split(text), start=1):
        if not line.strip():
            continue
        if line[0] in " \t" and found:
            label, value = found[-1]
            found[-1] = label, f"{value} {line.strip()}".strip()
            continue
        match = _INFO_LINE.fullmatch(line)
        if match is None:
            faults.append(Fault(Severity.FORM, name, f"line {number} is not a label, a colon and a value"))
            continue
        if match["blank"] and version >= RFC:
            faults.append(Fault(Severity.FORM, name, f"line {number} has a blank before its colon"))
        found.append((match["label"], match["value"].strip()))
    return tuple(found)


def _read_oxum(info: Iterable[tuple[str, str]], name: str, faults: list[Fault]) -> tuple[int, int] | None:
    stated = [value for label, value in info if label.lower() == "payload-oxum"]
    if len(stated) > 1:
        faults.append(Fault(Severity.FORM, name, "says Payload-Oxum more than once"))
    match = _OXUM.fullmatch(stated[0]) if stated else None
    if stated and match is None:
        faults.append(Fault(Severity.FORM, name, f"says Payload-Oxum '{stated[0]}', which is not OCTETS.FILES"))
    return (int(match["octets"]), int(match["files"])) if match else None


def _read_manifest(text: str, name: re.Match[str], version: Version, faults: list[Fault]) -> Listing | None:
    try:
        algorithm = Algorithm(name["algorithm"].replace("-", "").lower())
    except ValueError:
        faults.append(Fault(Severity.FORM, name[0], "has an algorithm that is not known here and was not checked"))
        return None
    found: dict[str, ListedFile] = {}
    for number, line in enumerate(_LINE_END.split(text), start=1):
        match = _MANIFEST_LINE.fullmatch(line)
        if match is None or len(match["digest"]) != algorithm.hex_digits:
            if line:
                what = f"is not a {algorithm.value} checksum of {algorithm.hex_digits} digits and a path"
                faults.append(Fault(Severity.BROKEN, name[0], f"line {number} {what}"))
            continue
        path = _tidy(decode_path(match["path"], version), f"{name[0]} line {number}", version, faults)
        problem = path_problem(path)
        if problem is None and name["tag"] is None and not path.startswith(PAYLOAD):
            problem = "is not below data/"
        if problem is not None:
            faults.append(Fault(Severity.BROKEN, path, f"in {name[0]} line {number} {problem}"))
            continue
        listed = ListedFile(path, algorithm, match["digest"].lower())
        if found.setdefault(path, listed) != listed:
            faults.append(Fault(Severity.BROKEN, path, f"stands twice in {name[0]} with different checksums"))
        elif found[path] is not listed:
            severity = Severity.FORM if version >= RFC else Severity.NOTE
            faults.append(Fault(severity, path, f"stands twice in {name[0]}"))
    return Listing(name[0], algorithm, tuple(found.values()))


def _tidy(path: str, where: str, version: Version, faults: list[Fault]) -> str:
    """Take off what checksum programs put before a name: a star for binary, and the folder they were called in."""
    tidy = path.removeprefix("*").removeprefix("./")
    if tidy != path:
        severity = Severity.FORM if version >= RFC else Severity.NOTE
        faults.append(Fault(severity, where, "has '*' or './' before the path"))
    return tidy


def _read_fetch(text: str, version: Version, faults: list[Fault]) -> tuple[FetchItem, ...]:
    found = []
    for number, line in enumerate(_LINE_END.split(text), start=1):
        if not line.strip():
            continue
        match = _FETCH_LINE.fullmatch(line)
        if match is None:
            faults.append(Fault(Severity.BROKEN, FETCH, f"line {number} is not an address, a length and a path"))
            continue
        path = decode_path(match["path"], version)
        problem = path_problem(path) or (None if path.startswith(PAYLOAD) else "is not below data/")
        if problem is not None:
            faults.append(Fault(Severity.BROKEN, path, f"in {FETCH} line {number} {problem}"))
            continue
        size_bytes = None if match["length"] == "-" else int(match["length"])
        found.append(FetchItem(match["url"], size_bytes, path))
    return tuple(found)


# --- writing ---------------------------------------------------------------------------------------------------------


def declaration_text() -> str:
    """Return `bagit.txt` of a bag of version 1.0."""
    return "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def manifest_text(digests: Mapping[str, str]) -> str:
    """Return a manifest in path order: the digest of each path in the bag, `data/` and all."""
    return "".join(f"{digest}  {encode_path(path)}\n" for path, digest in sorted(digests.items()))


def info_text(entries: Iterable[tuple[str, str]]) -> str:
    """Return `bag-info.txt`, its lines no longer than 79 characters where words allow; runs of blanks become one.

    Raise ValueError for a label that could not be read back.
    """
    lines = []
    for label, value in entries:
        match = _INFO_LINE.fullmatch(f"{label}:")
        if match is None or match["label"] != label or label != " ".join(label.split()):
            message = f"'{label}' cannot be a label of bag-info.txt"
            raise ValueError(message)
        line = f"{label}:"
        for word in value.split():
            if len(line) + 1 + len(word) > 79 and line != f"{label}:":
                lines.append(line)
                line = ""
            line += f" {word}"
        lines.append(line)
    return "".join(f"{line}\n" for line in lines)
