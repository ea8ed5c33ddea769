"""What the card really holds: every byte read from the medium again and hashed, with how strong that proof is."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

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
from mediaprep.ports import Cancelled, CardAccess, Clock, ProgressSink
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

    `structure` says how folders and allocation table were made to come from the medium before this call. Names are
    compared as `file_system` compares them: a card may spell an old folder's name in another case. The data
    evidence is the weakest of all files, and CACHED when the device's own counter moved by less than the bytes
    compared: then they came from memory, whatever was asked for. Raise CardGone, ReadbackFailed or Interrupted.
    """
    started_at = clock.now()
    counter_before = card.medium_bytes_read()
    on_card = {comparison_key(entry.path, file_system): entry for entry in card.entries()}
    total_bytes = sum(entry.size_bytes for entry in wanted)
    done_bytes = 0
    evidence = DataEvidence.DIRECT
    mismatches: list[Mismatch] = []
    for number, entry in enumerate(wanted):
        problem = _differs_at_sight(entry, on_card.get(comparison_key(entry.path, file_system)))
        if problem is not None:
            mismatches.append(Mismatch(entry.path, entry.sha256, None, problem))
            continue
        digest = hashlib.sha256()
        reading = card.read(entry.path)
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
    counter_after = card.medium_bytes_read()
    medium_bytes = None
    if counter_before is not None and counter_after is not None:
        medium_bytes = counter_after - counter_before
        if medium_bytes < done_bytes:
            evidence = DataEvidence.CACHED
    return ReadbackReport(
        files=len(wanted),
        bytes=done_bytes,
        data_evidence=evidence,
        structure_evidence=structure,
        medium_bytes=medium_bytes,
        mismatches=tuple(mismatches),
        started_at=started_at,
        finished_at=clock.now(),
    )


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
