"""A plan carried out and proven, and the receipt for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from mediaprep import __version__
from mediaprep.bench import Bench, Wish
from mediaprep.errors import (
    CardNotReady,
    ForeignFileInTheWay,
    ProofIncomplete,
    ReadbackMismatch,
)
from mediaprep.gate import file_system_of
from mediaprep.model import (
    Action,
    Card,
    CardFacts,
    Job,
    Mismatch,
    PlannedFile,
    PreflightFacts,
    ProvenBundle,
    ReadbackReport,
    Receipt,
    RecordedFile,
    StructureEvidence,
    Verdict,
    value_or_none,
)
from mediaprep.ports import Records
from mediaprep.readback import joined, read_back
from mediaprep.write import clear_away, copy_files, recorded_after, to_copy


def write_and_prove(
    facts: PreflightFacts, wish: Wish, bench: Bench, job: Job
) -> tuple[int, tuple[str, ...], ReadbackReport]:
    """Carry out a plan and read everything back; return (bytes written, kept files written again, report)."""
    plan = facts.plan

    def journal(written: Sequence[RecordedFile], removed: Sequence[str]) -> None:
        bench.records.files_flushed(job.number, written, removed)

    def copy(files: Sequence[PlannedFile]) -> int:
        return copy_files(
            files,
            card=bench.card,
            source=wish.source,
            journal=journal,
            progress=bench.progress,
            cancelled=bench.cancelled,
        )

    clear_away(plan, card=bench.card, journal=journal)
    for folder in plan.make_folders:
        bench.card.make_folder(folder)
    written_bytes = copy(to_copy(plan))
    report = read_back_all(plan.files, bench.card.remount(), facts.card, bench)

    # A kept file was only believed to be whole. One of ours that is not is written now; a foreign one is not touched.
    differing = {mismatch.path for mismatch in report.mismatches}
    kept = [item for item in plan.files if item.action is Action.KEEP and item.entry.path in differing]
    foreign = [item.entry.path for item in kept if not item.ours]
    if foreign:
        message = f"{foreign[0]} on card {wish.card.name} was not put there by mediaprep and differs from the bundle"
        raise ForeignFileInTheWay(message)
    again = [item for item in kept if item.bundle == wish.bundle.name]
    if len(again) < len(differing):
        others = differing - {item.entry.path for item in again}
        raise _mismatch(wish.card, [one for one in report.mismatches if one.path in others])
    if again:
        bench.records.begin_touching(job.number, soon_ours(again), value_or_none(facts.card.insertion), ())
        written_bytes += copy(again)
        report = joined(report, read_back_all(again, bench.card.remount(), facts.card, bench))
        refuse_mismatches(wish.card, report)
    # What was kept is proven now: from here on it belongs to this bundle, whichever cycle it came with.
    journal([recorded_after(item) for item in plan.files if item.bundle == wish.bundle.name], ())
    return written_bytes, tuple(item.entry.path for item in again), report


def expected_files(card: Card, recorded: Sequence[RecordedFile], records: Records) -> list[PlannedFile]:
    """Return every file of every bundle on a card, as its manifest has it: also those an unfinished write left out.

    Raise CardNotReady where a new bundle has not wholly taken the place of an old one.
    """
    bundles: dict[str, set[str]] = {}
    for item in recorded:
        bundles.setdefault(item.kind, set()).add(item.bundle)
    for kind, names in bundles.items():
        if len(names) > 1:
            both = " and ".join(sorted(names))
            message = f"The write that changes {kind} on card {card.name} was not finished: it holds parts of {both}"
            raise CardNotReady(message, remedy="Give the same 'mediaprep write' command again: it resumes.")
    return [
        PlannedFile(entry, Action.KEEP, bundle, kind)
        for kind, names in sorted(bundles.items())
        for bundle in names
        for entry in records.manifest(bundle).entries
    ]


def read_back_all(
    files: Sequence[PlannedFile], structure: StructureEvidence, facts: CardFacts, bench: Bench
) -> ReadbackReport:
    """Read files back from the card of a bench. `structure` is as in `readback.read_back`."""
    return read_back(
        [item.entry for item in files],
        card=bench.card,
        structure=structure,
        file_system=file_system_of(facts),
        clock=bench.clock,
        progress=bench.progress,
        cancelled=bench.cancelled,
    )


def refuse_mismatches(card: Card, report: ReadbackReport) -> None:
    """Raise ReadbackMismatch naming every file that a readback found to differ, if it found any."""
    if report.mismatches:
        raise _mismatch(card, report.mismatches)


def make_receipt(
    card: Card,
    facts: CardFacts,
    files: Sequence[PlannedFile],
    report: ReadbackReport,
    bench: Bench,
    *,
    written_bytes: int = 0,
    rewritten: tuple[str, ...] = (),
    accepted: tuple[str, ...] = (),
) -> Receipt:
    """Return the receipt for a readback of `files`, all that the bundles on a card have there, under a new number."""
    return Receipt(
        number=bench.records.next_receipt_number(),
        card=card.name,
        card_identity=card.identity,
        simulated=facts.simulated,
        bundles=tuple(_proven(files, bench.records)),
        station=bench.records.station,
        tool_version=__version__,
        written_bytes=written_bytes,
        rewritten=rewritten,
        readback=report,
        accepted=accepted,
        issued_at=bench.clock.now(),
    )


def missing_proof(receipt: Receipt) -> ProofIncomplete | None:
    """Return what a receipt still lacks of the word verified, as an error that says what to do; None if nothing."""
    verdict = receipt.readback.verdict
    if verdict is Verdict.VERIFIED:
        return None
    if verdict is Verdict.UNPROVEN:
        return ProofIncomplete(
            f"Card {receipt.card} could only be read through this computer's memory, which proves nothing",
            remedy="Take the card out, put it in again, and run 'mediaprep verify' on it; on a volume that lives in "
            "memory there is nothing to prove.",
        )
    return ProofIncomplete(f"Card {receipt.card}: data read back, put the card in again to finish")


def _mismatch(card: Card, found: Sequence[Mismatch]) -> ReadbackMismatch:
    return ReadbackMismatch(card.name, tuple(f"{one.path} ({one.detail})" for one in found))


def _proven(files: Sequence[PlannedFile], records: Records) -> Iterator[ProvenBundle]:
    for name in sorted({item.bundle for item in files}):
        bundle = records.bundle(name)
        yield ProvenBundle(name, bundle.kind.name, bundle.manifest_sha256, bundle.file_count, bundle.total_bytes)


def soon_ours(files: Sequence[PlannedFile]) -> list[RecordedFile]:
    """Return how the records know files that are about to be written."""
    return [replace(recorded_after(item), flushed=False) for item in files]
