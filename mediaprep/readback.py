"""What the card really holds: every byte read from the medium again and hashed, with how strong that proof is."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from typing import NamedTuple

from mediaprep.model import (
    CardEntry,
    DataEvidence,
    FileSystem,
    ManifestEntry,
    Mismatch,
    ReadbackReport,
    StructureEvidence,
)
from mediaprep.names import comparison_key
from mediaprep.ports import Cancelled, CardAccess, Clock, MediumView, ProgressSink
from mediaprep.progress import Phase, Progress
from mediaprep.write import stop_if


def read_back(
    wanted: Sequence[ManifestEntry],
    *,
    card: CardAccess,
    structure: StructureEvidence,
    file_system: FileSystem,
    clock: Clock,
    progress: ProgressSink,
    cancelled: Cancelled,
) -> ReadbackReport:
    """Read every wanted file from the medium and compare it with its digest. All differences come back, not the first.

    `structure` says how folders and allocation table were made to come from the medium before this call. Where the raw
    device can be read, folders, table and bytes are all read from there, as a strict reader would: then the structure
    is at least READ_RAW, and what only this computer would find counts as missing. Names are compared as `file_system`
    compares them: a card may spell an old folder's name in another case. The data evidence is the weakest of all files,
    and CACHED when the device's own counter moved by less than the bytes compared: then they came from memory, whatever
    was asked for. Raise CardGone, WriteFailed, ReadbackFailed or Interrupted.
    """
    started_at = clock.now()
    view = card.medium_view()
    try:
        counter_before = card.medium_bytes_read()
        if view is None:
            compared = _compare(wanted, card, {}, file_system=file_system, progress=progress, cancelled=cancelled)
        else:
            structure = max(structure, StructureEvidence.READ_RAW, key=lambda level: level.rank)
            compared = _compare(
                wanted, view, view.problems, file_system=file_system, progress=progress, cancelled=cancelled
            )
        counter_after = card.medium_bytes_read()
    finally:
        if view is not None:
            view.close()
    evidence, medium_bytes = compared.evidence, None
    if counter_before is not None and counter_after is not None:
        medium_bytes = counter_after - counter_before
        if medium_bytes < compared.bytes:
            evidence = DataEvidence.CACHED
    return ReadbackReport(
        files=len(wanted),
        bytes=compared.bytes,
        data_evidence=evidence,
        structure_evidence=structure,
        medium_bytes=medium_bytes,
        mismatches=compared.mismatches,
        started_at=started_at,
        finished_at=clock.now(),
    )


class _Compared(NamedTuple):
    bytes: int
    evidence: DataEvidence
    mismatches: tuple[Mismatch, ...]


def _compare(
    wanted: Sequence[ManifestEntry],
    medium: CardAccess | MediumView,
    problems: Mapping[str, str],
    *,
    file_system: FileSystem,
    progress: ProgressSink,
    cancelled: Cancelled,
) -> _Compared:
    """Read and compare every file; `problems` says by path what of the medium cannot be relied on."""
    on_card = {comparison_key(entry.path, file_system): entry for entry in medium.entries()}
    blamed = {comparison_key(path, file_system): problem for path, problem in problems.items()}
    total_bytes = sum(entry.size_bytes for entry in wanted)
    done_bytes = 0
    evidence = DataEvidence.DIRECT
    mismatches: list[Mismatch] = []
    for number, entry in enumerate(wanted):
        key = comparison_key(entry.path, file_system)
        found = on_card.get(key)
        problem = _differs_at_sight(entry, found) or blamed.get(key)
        if found is None or problem is not None:
            why = _blame_above(key, blamed) if found is None else None
            mismatches.append(Mismatch(entry.path, entry.sha256, None, f"{problem}; {why}" if why else str(problem)))
            continue
        digest = hashlib.sha256()
        reading = medium.read(found.path)
        try:
            for chunk in reading:
                stop_if(cancelled)
                digest.update(chunk)
                done_bytes += len(chunk)
                progress(Progress(Phase.READBACK, number, len(wanted), done_bytes, total_bytes, entry.path))
        finally:
            reading.close()
        evidence = min(evidence, reading.evidence, key=lambda level: level.rank)
        if digest.hexdigest() != entry.sha256:
            held, wanted_digest = digest.hexdigest()[:16], entry.sha256[:16]
            detail = f"content differs: card holds sha256:{held}..., bundle says sha256:{wanted_digest}..."
            mismatches.append(Mismatch(entry.path, entry.sha256, digest.hexdigest(), detail))
    progress(Progress(Phase.READBACK, len(wanted), len(wanted), done_bytes, total_bytes))
    return _Compared(done_bytes, evidence, tuple(mismatches))


def _blame_above(key: str, blamed: Mapping[str, str]) -> str | None:
    """Say what is wrong with the nearest folder above a path, if anything is."""
    while key:
        key = key.rpartition("/")[0]
        if key in blamed:
            return f"{key or 'the top folder'}: {blamed[key]}"
    return None


def joined(first: ReadbackReport, again: ReadbackReport) -> ReadbackReport:
    """Return one report for a readback whose mismatches were written and read again: it has the second's mismatches."""
    counted = first.medium_bytes is not None and again.medium_bytes is not None
    return ReadbackReport(
        files=first.files,
        bytes=first.bytes + again.bytes,
        data_evidence=min(first.data_evidence, again.data_evidence, key=lambda level: level.rank),
        structure_evidence=min(first.structure_evidence, again.structure_evidence, key=lambda level: level.rank),
        medium_bytes=(first.medium_bytes or 0) + (again.medium_bytes or 0) if counted else None,
        mismatches=again.mismatches,
        started_at=first.started_at,
        finished_at=again.finished_at,
    )


def _differs_at_sight(entry: ManifestEntry, found: CardEntry | None) -> str | None:
    """Say what is wrong with a file without reading it: missing, a folder, another size. None: it must be read."""
    if found is None:
        return "missing on the card"
    if found.is_folder:
        return "a folder stands in its place"
    if found.size_bytes != entry.size_bytes:
        return f"card holds {found.size_bytes} bytes, bundle says {entry.size_bytes}"
    return None
