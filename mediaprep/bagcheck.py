"""A bag's texts held against the files that are there (RFC 8493, section 3), before any content is read."""

from __future__ import annotations

import unicodedata
from collections import Counter, defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import TypeAlias

from mediaprep.bagit import FETCH, PAYLOAD, RFC, Bag, Fault, Severity, Version, decode_path
from mediaprep.model import Algorithm
from mediaprep.names import is_litter, printable

Wanted: TypeAlias = dict[str, dict[Algorithm, str]]


def judge(bag: Bag, present: Mapping[str, int]) -> tuple[Wanted, tuple[Fault, ...]]:
    """Hold a bag's texts against the files that are there, by path in the bag and size in bytes; read no content.

    Return which digests each file must have, and all faults: those of the texts, and what is missing or too much. What
    desktop systems leave below `data/` is passed over unless a manifest lists it.
    """
    faults = list(bag.faults)
    names = _Names(present)
    wanted: defaultdict[str, dict[Algorithm, str]] = defaultdict(dict)
    listed_by: dict[str, set[str]] = {}
    missing: dict[str, str] = {}
    for listing in (*bag.payload, *bag.tags):
        here = listed_by.setdefault(listing.name, set())
        for line in listing.lines:
            path = names.find(line.path, bag.version, faults)
            here.add(path or line.path)
            if path is not None:
                wanted[path][line.algorithm] = line.digest
            else:
                missing.setdefault(line.path, listing.name)
    to_fetch = {item.path for item in bag.fetch}
    for path, manifest in missing.items():
        left_out = f"is not in the bag but left to be fetched by {FETCH}; mediaprep fetches nothing"
        faults.append(
            Fault(Severity.BROKEN, path, left_out if path in to_fetch else f"is missing, though {manifest} lists it")
        )
    payload = {path for path in present if path.startswith(PAYLOAD)}
    faults += _judge_payload(bag, payload, listed_by)
    faults += _judge_tags(bag, listed_by)
    faults += _judge_fetch(bag, listed_by)
    faults += _judge_oxum(bag, {path: present[path] for path in payload if path in wanted})
    faults += names.hazards(path for path in payload if path in wanted)
    return dict(wanted), tuple(faults)


def _judge_payload(bag: Bag, payload: Collection[str], listed_by: Mapping[str, Collection[str]]) -> Iterator[Fault]:
    everywhere = set().union(*(listed_by[listing.name] for listing in bag.payload))
    for path in sorted(payload):
        if path not in everywhere and not is_litter(path.removeprefix(PAYLOAD)):
            yield Fault(Severity.BROKEN, path, "is in the bag, but no payload manifest lists it")
    if bag.version >= RFC:
        for listing in bag.payload:
            for path in sorted(everywhere - set(listed_by[listing.name])):
                yield Fault(Severity.FORM, path, f"is not in {listing.name}: each payload manifest lists every file")


def _judge_tags(bag: Bag, listed_by: Mapping[str, Collection[str]]) -> Iterator[Fault]:
    severity = Severity.FORM if bag.version >= RFC else Severity.NOTE
    for listing in bag.tags:
        for path in sorted(listed_by[listing.name]):
            if path.startswith((PAYLOAD, "tagmanifest-")):
                yield Fault(severity, path, f"is no business of {listing.name}")
        for manifest in bag.payload:
            if manifest.name not in listed_by[listing.name]:
                yield Fault(severity, manifest.name, f"is not in {listing.name}")


def _judge_fetch(bag: Bag, listed_by: Mapping[str, Collection[str]]) -> Iterator[Fault]:
    for item in bag.fetch:
        for listing in bag.payload:
            if item.path not in listed_by[listing.name]:
                yield Fault(Severity.BROKEN, item.path, f"is in {FETCH} but not in {listing.name}")


def _judge_oxum(bag: Bag, payload: Mapping[str, int]) -> Iterator[Fault]:
    found = sum(payload.values()), len(payload)
    if bag.oxum is not None and bag.oxum != found:
        stated = f"{bag.oxum[0]} bytes in {bag.oxum[1]} files, but there are {found[0]} bytes in {found[1]} files"
        yield Fault(Severity.FORM, PAYLOAD, f"should hold {stated} (Payload-Oxum)")


class _Names:
    """The files that are there, found again under the names that manifests give them."""

    def __init__(self, present: Collection[str]) -> None:
        self._present = set(present)
        self._by_nfc: defaultdict[str, list[str]] = defaultdict(list)
        for path in present:
            self._by_nfc[unicodedata.normalize("NFC", path)].append(path)

    def find(self, listed: str, version: Version, faults: list[Fault]) -> str | None:
        """Return the file that a manifest means, None where it is not there.

        Before 1.0 some programs encoded what others did not: there the name as it stands comes first, then each code
        taken for what it stands for. Accented letters may be composed in one place and not in the other.
        """
        if listed in self._present:
            return listed
        if version < RFC and (path := decode_path(listed, RFC)) in self._present:
            faults.append(Fault(Severity.NOTE, listed, f"stands for {printable(path)}"))
            return path
        alike = self._by_nfc.get(unicodedata.normalize("NFC", listed), [])
        if len(alike) == 1:
            faults.append(Fault(Severity.NOTE, listed, "has its accented letters composed otherwise in the folder"))
            return alike[0]
        return None

    @staticmethod
    def hazards(paths: Iterable[str]) -> Iterator[Fault]:
        """Yield names that some systems take for the same (section 6)."""
        folded = {path: unicodedata.normalize("NFC", path).casefold() for path in paths}
        counts = Counter(folded.values())
        for path, key in sorted(folded.items()):
            if counts[key] > 1:
                yield Fault(Severity.NOTE, path, "has the name of another file, but for case or composition of letters")
