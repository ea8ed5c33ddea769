"""A whole aircraft as one bag (RFC 8493): its records as JSON lines, and the texts that prove them whole. Pure.

The same records give the same bytes, whenever and wherever they are written: nothing here tells the time.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeAlias

from mediaprep.bagit import DECLARATION, declaration_text, manifest_text
from mediaprep.errors import ImportInvalid
from mediaprep.logchain import canonical_json

Rows: TypeAlias = Mapping[str, Sequence[Mapping[str, Any]]]
"""Rows by the name of their table, in the order in which they are written."""

FORM_LABEL = "Mediaprep-Records-Form"
_MANIFEST = "manifest-sha256.txt"
_TAG_MANIFEST = "tagmanifest-sha256.txt"
_INFO = "bag-info.txt"


def to_bag(rows: Rows, *, aircraft: str, form: str) -> dict[str, bytes]:
    """Return the files of the bag by their paths, in path order. `form` names the form of the records' tables."""
    payload = {
        f"data/{table}.jsonl": "".join(canonical_json(dict(row)) + "\n" for row in found).encode()
        for table, found in rows.items()
    }
    octets = sum(map(len, payload.values()))
    info = (
        f"External-Identifier: {aircraft}\n"
        f"External-Description: Records of one aircraft, as JSON lines\n"
        f"{FORM_LABEL}: {form}\n"
        f"Payload-Oxum: {octets}.{len(payload)}\n"
    )
    tags = {
        DECLARATION: declaration_text().encode(),
        _INFO: info.encode(),
        _MANIFEST: _sums(payload),
    }
    return dict(sorted((payload | tags | {_TAG_MANIFEST: _sums(tags)}).items()))


def from_bag(
    files: Mapping[str, bytes], tables: Sequence[str], *, form: str, name: str
) -> dict[str, list[dict[str, Any]]]:
    """Return the rows of a bag after proving every file of it, by table. `name` is what errors call the bag.

    Raise ImportInvalid, naming the file, where one is missing, too much or altered, or the form is another.
    """
    wanted = [f"data/{table}.jsonl" for table in tables]
    expected = {*wanted, DECLARATION, _INFO, _MANIFEST, _TAG_MANIFEST}
    for path in sorted(expected ^ set(files)):
        problem = "is missing" if path in expected else "does not belong there"
        raise _invalid(name, path, problem)
    if files[DECLARATION] != declaration_text().encode():
        raise _invalid(name, DECLARATION, "is not that of a bag of version 1.0")
    for manifest, paths in ((_TAG_MANIFEST, [DECLARATION, _INFO, _MANIFEST]), (_MANIFEST, wanted)):
        _prove(files, manifest, paths, name)
    stated = _info(files[_INFO]).get(FORM_LABEL)
    if stated != form:
        raise ImportInvalid(
            f"{name} holds records of the form {stated or '(not said)'}, and this mediaprep knows {form}",
            remedy="Bring mediaprep to the same version on both computers, then export again.",
        )
    return {table: _read_lines(files[path], path, name) for table, path in zip(tables, wanted, strict=True)}


def _sums(files: Mapping[str, bytes]) -> bytes:
    return manifest_text({path: hashlib.sha256(content).hexdigest() for path, content in files.items()}).encode()


def _prove(files: Mapping[str, bytes], manifest: str, paths: Iterable[str], name: str) -> None:
    wanted = _sums({path: files[path] for path in paths}).decode().split("\n")
    # Not by position: another program that repacks the bag may order the lines otherwise.
    listed = files[manifest].decode("utf-8", "replace").split("\n")
    for line in wanted:
        if line not in listed:
            raise _invalid(name, line.partition("  ")[2], f"does not agree with {manifest}: it was altered or damaged")
    if len(listed) != len(wanted):
        raise _invalid(name, manifest, "lists more files than the bag has")


def _info(content: bytes) -> dict[str, str]:
    lines = (line.partition(": ") for line in content.decode("utf-8", "replace").splitlines())
    return {label: value for label, _, value in lines}


def _read_lines(content: bytes, path: str, name: str) -> list[dict[str, Any]]:
    rows = []
    for number, line in enumerate(content.split(b"\n"), start=1):
        if not line:
            continue
        try:
            row = json.loads(line)
        except ValueError:
            row = None
        if not isinstance(row, dict):
            raise _invalid(name, path, f"line {number} is not a JSON object")
        rows.append(row)
    return rows


def _invalid(name: str, path: str, problem: str) -> ImportInvalid:
    return ImportInvalid(f"{name}: {path} {problem}")
