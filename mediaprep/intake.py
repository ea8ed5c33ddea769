"""Taking a bundle in: read it, hold it against its publisher's checksums, and later see what changed since."""

from __future__ import annotations

import os
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from mediaprep.bundles.bag import BagBundle
from mediaprep.checksums import Digester, ListedFile, compare, describe, parse, placed
from mediaprep.errors import BundleUnreadable, ChecksumsDisagree, Interrupted, ManifestInvalid
from mediaprep.model import Algorithm, BundleSignature, Manifest, PublisherCheck
from mediaprep.ports import BundleSource, Cancelled, ProgressSink
from mediaprep.progress import Phase, Progress
from mediaprep.signatures import Claim, verify

# A list of half a million files has about 100 MB. More than this is no list.
LIST_BYTES_MAX = 2**29
_CHUNK_BYTES = 2**20
_NAMES_MAX = 1000
_DEPTH_MAX = 3


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What reading a bundle gave. `notes` are what its own rules let pass."""

    manifest: Manifest
    checks: tuple[PublisherCheck, ...]
    notes: tuple[str, ...]
    signature: BundleSignature | None = None


@dataclass(frozen=True, slots=True)
class Changes:
    """What differs in a bundle's files from what was taken in, each path in one place only."""

    differing: tuple[str, ...]
    missing: tuple[str, ...]
    new: tuple[str, ...]

    def __bool__(self) -> bool:
        return bool(self.differing or self.missing or self.new)


@dataclass(frozen=True, slots=True)
class _List:
    path: Path
    lines: tuple[ListedFile, ...]


# --- taking in -------------------------------------------------------------------------------------------------------


def take_in(
    source: BundleSource,
    checksum_files: Sequence[Path],
    *,
    unlisted_too: bool,
    claim: Claim | None = None,
    progress: ProgressSink,
    cancelled: Cancelled,
) -> TakenIn:
    """Read a bundle and hold it against checksum files.

    They may name its files as seen from the bundle or from beside its folder, or the archive that it is, among others.
    `unlisted_too`: files that no list names are let pass. `claim`: a signature over one of the lists, or over the
    archive that the bundle is; it is looked to first. Raise SignatureInvalid for it, ManifestInvalid or
    BundleUnreadable for a list, ChecksumsDisagree with every file that does not agree, and what `BundleSource.take_in`
    raises.
    """
    lists, signature = _read_lists(checksum_files, claim)
    archive = Path(source.location)
    whole = [one for one in (_of_archive(one, archive) for one in lists) if one.lines] if archive.is_file() else []
    _check_archive(archive, whole, progress, cancelled)
    manifest = source.take_in(progress, cancelled)
    done = {one.path for one in whole}
    inner = [_of_files(one, source, manifest) for one in lists if one.path not in done]
    _check_files(source, manifest, inner, unlisted_too=unlisted_too, progress=progress, cancelled=cancelled)
    own, notes = (source.checks, source.notes) if isinstance(source, BagBundle) else ((), ())
    return TakenIn(manifest, own + tuple(_proven([*whole, *inner])), notes, signature)


def _read_lists(paths: Sequence[Path], claim: Claim | None) -> tuple[list[_List], BundleSignature | None]:
    """Return the lists, and what a claim proves. A signed list is proven as the very bytes that are gone by."""
    lists, signature = [], None
    for path in paths:
        content = _bytes_of(path)
        if claim is not None and claim.signed == path:
            signature = verify(claim, content=content)
        lists.append(_List(path, parse(content.decode("utf-8", "surrogateescape"), path.name)))
    if claim is not None and signature is None:
        signature = verify(claim)
    return lists, signature


def _bytes_of(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            raw = file.read(LIST_BYTES_MAX + 1)
    except OSError as error:
        message = f"The checksum file {path} cannot be read: {error.strerror}"
        raise BundleUnreadable(message) from error
    if len(raw) > LIST_BYTES_MAX:
        message = f"{path} has more than {LIST_BYTES_MAX} bytes: that is no checksum file"
        raise ManifestInvalid(message, remedy="Name the file that holds the publisher's checksums.")
    return raw


def _of_archive(one: _List, archive: Path) -> _List:
    """Return the lines of a list that are about the archive itself: a publisher's list names many downloads."""
    return _List(one.path, tuple(line for line in one.lines if line.path.rpartition("/")[2] == archive.name))


def _of_files(one: _List, source: BundleSource, manifest: Manifest) -> _List:
    present = {entry.path for entry in manifest.entries}
    folders = [Path(source.location).name, *(["data"] if source.form == "bag" else [])]
    lines, _ = placed(one.lines, present, folders)
    return _List(one.path, lines)


def _check_archive(archive: Path, lists: Sequence[_List], progress: ProgressSink, cancelled: Cancelled) -> None:
    if not lists:
        return
    digester = Digester({line.algorithm for one in lists for line in one.lines})
    try:
        total_bytes = archive.stat().st_size
        done_bytes = 0
        with archive.open("rb") as file:
            while chunk := file.read(_CHUNK_BYTES):
                _stop_if(cancelled, str(archive))
                digester.update(chunk)
                done_bytes += len(chunk)
                progress(Progress(Phase.CHECK, 0, 1, done_bytes, total_bytes, archive.name))
    except OSError as error:
        message = f"The bundle {archive} cannot be read: {error.strerror}"
        raise BundleUnreadable(message) from error
    found = digester.digests()
    for one in lists:
        wrong = sorted({line.algorithm.value for line in one.lines if found[line.algorithm] != line.digest})
        if wrong:
            message = f"The archive {archive} is not what {one.path.name} says"
            raise ChecksumsDisagree(message, (f"{archive.name} (differs in {' and '.join(wrong)})",))


def _check_files(
    source: BundleSource,
    manifest: Manifest,
    lists: Sequence[_List],
    *,
    unlisted_too: bool,
    progress: ProgressSink,
    cancelled: Cancelled,
) -> None:
    if not lists:
        return
    lines = [line for one in lists for line in one.lines]
    found = _digests(source, manifest, lines, progress, cancelled)
    # A list that lies among the files cannot name itself.
    for one in lists:
        found.pop(_within(one.path, source), None)
    comparison = compare(lines, found)
    amiss = tuple(text for text in describe(comparison) if not (unlisted_too and text.endswith("(not listed)")))
    if amiss:
        names = " and ".join(one.path.name for one in lists)
        message = f"The bundle {source.location} is not what {names} {'say' if len(lists) > 1 else 'says'}"
        only_unlisted = not (comparison.differing or comparison.missing)
        remedy = "Take these files out, or let them pass with --unlisted-too: no checksum speaks for them."
        raise ChecksumsDisagree(message, amiss, remedy=remedy if only_unlisted else None)


def _digests(
    source: BundleSource,
    manifest: Manifest,
    lines: Sequence[ListedFile],
    progress: ProgressSink,
    cancelled: Cancelled,
) -> dict[str, dict[Algorithm, str]]:
    """Return the digests of every file that the lines ask for: SHA-256 is known, others take a second reading."""
    entries = {entry.path: entry for entry in manifest.entries}
    found = {path: {Algorithm.SHA256: entry.sha256} for path, entry in entries.items()}
    asked: dict[str, set[Algorithm]] = {}
    for line in lines:
        if line.path in entries and line.algorithm is not Algorithm.SHA256:
            asked.setdefault(line.path, {Algorithm.SHA256}).add(line.algorithm)
    total_bytes, done_bytes = sum(entries[path].size_bytes for path in asked), 0
    with source.hand_out(asked, cancelled) as files:
        for number, (path, chunks) in enumerate(files):
            digester = Digester(asked[path])
            for chunk in chunks:
                _stop_if(cancelled, path)
                digester.update(chunk)
                done_bytes += len(chunk)
                progress(Progress(Phase.CHECK, number, len(asked), done_bytes, total_bytes, path))
            digests = digester.digests()
            if digests[Algorithm.SHA256] != entries[path].sha256:
                message = f"{path} in the bundle {source.location} was changed while it was being read"
                raise BundleUnreadable(message, remedy="Wait until whatever writes it is done, then take it in again.")
            found[path] = digests
            progress(Progress(Phase.CHECK, number + 1, len(asked), done_bytes, total_bytes, path))
    return found


def _within(path: Path, source: BundleSource) -> str:
    """Return a list's path as the bundle would have it, or nothing where it lies elsewhere."""
    root = Path(source.location) / ("data" if source.form == "bag" else "")
    try:
        return path.resolve().relative_to(root.resolve()).as_posix()
    except ValueError:
        return ""


def _proven(lists: Sequence[_List]) -> Iterator[PublisherCheck]:
    for one in lists:
        for algorithm, count in sorted(Counter(line.algorithm for line in one.lines).items()):
            yield PublisherCheck(one.path.name, algorithm, count, algorithm.weak)


def _stop_if(cancelled: Cancelled, path: str) -> None:
    if cancelled():
        message = f"Stopped on request while {path} was being read"
        raise Interrupted(message)


# --- later, and before -----------------------------------------------------------------------------------------------


def changes_since(manifest: Manifest, source: BundleSource, *, progress: ProgressSink, cancelled: Cancelled) -> Changes:
    """Read a bundle's files again, every byte, and say what differs from what was taken in.

    Raise what `BundleSource.take_in` raises: a bundle that would be refused now has changed too.
    """
    before = {entry.path: entry.sha256 for entry in manifest.entries}
    now = {entry.path: entry.sha256 for entry in source.take_in(progress, cancelled).entries}
    return Changes(
        differing=tuple(sorted(path for path in before.keys() & now.keys() if before[path] != now[path])),
        missing=tuple(sorted(before.keys() - now.keys())),
        new=tuple(sorted(now.keys() - before.keys())),
    )


def names_at(path: Path) -> Iterator[str]:
    """Yield the name of a folder or archive, then names of what is in the folder, top first: some, not all.

    Nothing is opened but folders, and one that cannot be is passed over.
    """
    yield path.name
    waiting = [(path, 0)]
    left = _NAMES_MAX
    while waiting and left > 0:
        folder, depth = waiting.pop(0)
        try:
            with os.scandir(folder) as entries:
                found = sorted(entries, key=lambda entry: entry.name)[:left]
        except OSError:
            continue
        left -= len(found)
        yield from (entry.name for entry in found)
        if depth < _DEPTH_MAX:
            waiting += [(Path(entry.path), depth + 1) for entry in found if entry.is_dir(follow_symlinks=False)]
