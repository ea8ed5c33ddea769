"""A bag (RFC 8493) as a bundle: what lies below `data/`, once all its manifests agree. And a new bag, written.

Everything is read once, for all the checksums that the manifests ask for and our own SHA-256 together.
"""

from __future__ import annotations

import os
from collections import defaultdict
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import date
from pathlib import Path

from mediaprep import __version__
from mediaprep.bagcheck import Wanted, judge
from mediaprep.bagit import (
    DECLARATION,
    PAYLOAD,
    Bag,
    Fault,
    Severity,
    declaration_text,
    info_text,
    is_text_of_bag,
    manifest_text,
    path_problem,
    read_bag,
)
from mediaprep.bundles.folder import FolderBundle, kind_problem, walk
from mediaprep.bundles.hashing import Hashed, hash_files
from mediaprep.checksums import Digester
from mediaprep.errors import BagInvalid, BundleEmpty, BundleUnreadable, BundleUnsafe, ChecksumsDisagree, OutputFailed
from mediaprep.model import Algorithm, Manifest, ManifestEntry, PublisherCheck
from mediaprep.names import is_litter, printable
from mediaprep.ports import Cancelled, ProgressSink

# A manifest of half a million files has about 100 MB. More than this is no manifest.
TEXT_BYTES_MAX = 2**29
# What a bag of ours is written with: RFC 8493, section 2.4, asks every reader to know both.
WRITTEN = (Algorithm.SHA256, Algorithm.SHA512)


def is_bag(folder: Path) -> bool:
    """Say whether a folder says of itself that it is a bag."""
    return (folder / DECLARATION).is_file()


class BagBundle:
    """The payload of a bag in a folder of this computer. It is only ever read.

    `lenient`: take it in with faults of form, as long as every byte is proven. After `take_in`, `checks` says what its
    manifests proved, and `notes` what was let pass or is worth knowing.
    """

    form = "bag"

    def __init__(self, path: Path, *, lenient: bool = False) -> None:
        self._files = FolderBundle(path)
        self._root = path.resolve()
        self.location = self._files.location
        self.checks: tuple[PublisherCheck, ...] = ()
        self.notes: tuple[str, ...] = ()
        self._lenient = lenient

    def take_in(self, progress: ProgressSink, cancelled: Cancelled) -> Manifest:
        """Validate the bag and return the manifest of its payload, without `data/`.

        Raise BagInvalid where its texts break the rules or the bag is not whole, ChecksumsDisagree where files are not
        what the manifests say, and what `FolderBundle.take_in` raises. Nothing is hashed in a bag that is not whole.
        """
        found = self._found()
        bag = read_bag(self._texts(found))
        wanted, faults = judge(bag, {path: info.st_size for path, info in found.items()})
        stops = [fault for fault in faults if self._stops(fault)]
        # Sizes that do not add up say that something is wrong, not what: then the checksums name the files.
        if any(fault.path != PAYLOAD for fault in stops):
            raise self._invalid(stops)
        carried = sorted(path for path in wanted if _is_carried(path))
        if not carried:
            message = f"The bag {self.location} holds no file below {PAYLOAD}"
            raise BundleEmpty(message, remedy="Name the bag that holds the files themselves.")
        algorithms = {
            path: {*digests, Algorithm.SHA256} if _is_carried(path) else {*digests}
            for path, digests in sorted(wanted.items())
        }
        total_bytes = sum(found[path].st_size for path in wanted)
        hashed = hash_files(
            algorithms, self._files.open, total_bytes=total_bytes, progress=progress, cancelled=cancelled
        )
        self._require_agreement(wanted, hashed)
        if stops:
            raise self._invalid(stops)
        self.checks = _checks(bag)
        self.notes = tuple(map(str, faults))
        return Manifest(
            tuple(
                ManifestEntry(
                    path.removeprefix(PAYLOAD),
                    hashed[path].size_bytes,
                    hashed[path].digests[Algorithm.SHA256],
                    found[path].st_mtime_ns,
                )
                for path in carried
            )
        )

    def changed_paths(self, manifest: Manifest) -> tuple[str, ...]:
        """Name files of the payload that are missing, new, or differ in size or time. Reads no contents."""
        payload = self._root / PAYLOAD
        if payload.is_symlink() or not payload.is_dir():
            return tuple(entry.path for entry in manifest.entries)
        return FolderBundle(payload).changed_paths(manifest)

    @contextmanager
    def open(self, path: str) -> Iterator[Iterable[bytes]]:
        """Open one file of the payload and yield its bytes in chunks. Raise BundleUnreadable."""
        with self._files.open(PAYLOAD + path) as chunks:
            yield chunks

    @contextmanager
    def hand_out(self, paths: Collection[str], cancelled: Cancelled) -> Iterator[Iterator[tuple[str, Iterable[bytes]]]]:
        """Yield these files of the payload with their bytes. See `ports.BundleSource`."""
        with self._files.hand_out([PAYLOAD + path for path in paths], cancelled) as files:
            yield ((path.removeprefix(PAYLOAD), chunks) for path, chunks in files)

    def staging_bytes(self, manifest: Manifest) -> int:
        """Return 0: files are handed out from where they lie."""
        return self._files.staging_bytes(manifest)

    def _found(self) -> dict[str, os.stat_result]:
        """Return every file of the bag. Raise BundleUnsafe or BundleUnreadable, naming the first that is amiss."""
        found = {}
        try:
            for path, info in walk(self._root, strict=True, with_litter=True):
                problem = path_problem(path) or kind_problem(info)
                if problem is None:
                    found[path] = info
                elif not (is_litter(path) or is_litter(path.removeprefix(PAYLOAD))):
                    message = f"{printable(path)} in the bag {self.location} {problem}"
                    raise BundleUnsafe(message)
        except OSError as error:
            message = f"{error.filename} in the bag {self.location} cannot be read: {error.strerror}"
            raise BundleUnreadable(message) from error
        return found

    def _texts(self, found: Mapping[str, os.stat_result]) -> dict[str, bytes]:
        texts = {}
        for name, info in found.items():
            if not is_text_of_bag(name):
                continue
            if info.st_size > TEXT_BYTES_MAX:
                message = f"{name} in the bag {self.location} has {info.st_size} bytes: that is no text of a bag"
                raise BagInvalid(message)
            with self._files.open(name) as chunks:
                texts[name] = b"".join(chunks)
        return texts

    def _stops(self, fault: Fault) -> bool:
        return fault.severity is Severity.BROKEN or (fault.severity is Severity.FORM and not self._lenient)

    def _invalid(self, faults: Sequence[Fault]) -> BagInvalid:
        form_alone = all(fault.severity is Severity.FORM for fault in faults)
        return BagInvalid(
            f"The bag {self.location} is refused",
            tuple(map(str, faults)),
            remedy=None if form_alone else "Have the bag supplied again, whole.",
        )

    def _require_agreement(self, wanted: Wanted, hashed: Mapping[str, Hashed]) -> None:
        differing = []
        for path, digests in sorted(wanted.items()):
            wrong = [
                algorithm.value for algorithm, digest in digests.items() if hashed[path].digests[algorithm] != digest
            ]
            if wrong:
                differing.append(f"{path} (differs in {' and '.join(wrong)})")
        if differing:
            message = f"The bag {self.location} is not what its manifests say"
            raise ChecksumsDisagree(message, tuple(differing))


def write_bag(
    folder: Path,
    files: Iterable[tuple[str, Iterable[bytes]]],
    *,
    bagged_on: date,
    info: Sequence[tuple[str, str]] = (),
) -> Manifest:
    """Write a bag of version 1.0 into a new folder, from paths without `data/` and their bytes; return what it holds.

    `info` is what else `bag-info.txt` shall say. `bagit.txt` is written last: a folder that was left half done is no
    bag. Raise BundleUnsafe for a path that is unsafe or comes twice, OutputFailed where the folder is there already or
    cannot be written, ValueError for a label in `info` that cannot be written.
    """
    entries: list[ManifestEntry] = []
    payload: dict[Algorithm, dict[str, str]] = defaultdict(dict)
    tags: dict[Algorithm, dict[str, str]] = defaultdict(dict)
    try:
        (folder / PAYLOAD).mkdir(parents=True)
        for path, chunks in files:
            problem = path_problem(path) or ("comes twice" if PAYLOAD + path in payload[Algorithm.SHA256] else None)
            if problem is not None:
                message = f"{printable(path)} cannot go into the bag {folder}: it {problem}"
                raise BundleUnsafe(message)
            size_bytes, digests = _write_file(folder / PAYLOAD / path, chunks)
            entries.append(ManifestEntry(path, size_bytes, digests[Algorithm.SHA256]))
            for algorithm, digest in digests.items():
                payload[algorithm][PAYLOAD + path] = digest
        octets = sum(entry.size_bytes for entry in entries)
        texts = {
            "bag-info.txt": info_text(
                [
                    *info,
                    ("Bagging-Date", bagged_on.isoformat()),
                    ("Payload-Oxum", f"{octets}.{len(entries)}"),
                    ("Bag-Software-Agent", f"mediaprep {__version__}"),
                ]
            ),
            **{f"manifest-{one.value}.txt": manifest_text(payload[one]) for one in WRITTEN},
            DECLARATION: declaration_text(),
        }
        for name, text in texts.items():
            digester = Digester(WRITTEN)
            digester.update(text.encode())
            for algorithm, digest in digester.digests().items():
                tags[algorithm][name] = digest
        declaration = texts.pop(DECLARATION)
        texts |= {f"tagmanifest-{one.value}.txt": manifest_text(tags[one]) for one in WRITTEN}
        for name, text in {**texts, DECLARATION: declaration}.items():
            _write_file(folder / name, [text.encode()])
    except OSError as error:
        message = f"The bag {folder} cannot be written: {error.strerror}"
        raise OutputFailed(message) from error
    return Manifest(tuple(sorted(entries, key=lambda entry: entry.path)))


def _write_file(path: Path, chunks: Iterable[bytes]) -> tuple[int, dict[Algorithm, str]]:
    digester = Digester(WRITTEN)
    size_bytes = 0
    path.parent.mkdir(parents=True, exist_ok=True)
    with path.open("xb") as file:
        for chunk in chunks:
            file.write(chunk)
            digester.update(chunk)
            size_bytes += len(chunk)
        file.flush()
        os.fsync(file.fileno())
    return size_bytes, digester.digests()


def _is_carried(path: str) -> bool:
    return path.startswith(PAYLOAD) and not is_litter(path.removeprefix(PAYLOAD))


def _checks(bag: Bag) -> tuple[PublisherCheck, ...]:
    return tuple(
        PublisherCheck(listing.name, listing.algorithm, len(listing.lines), listing.algorithm.weak)
        for listing in bag.payload
    )
