"""The one orchestration that the command line and the service both call: check, plan, write, prove, record.

`prepare_card()` is the main job and reads from top to bottom; `verify_card()` is its second half, for a card that was
written before. Both take everything that touches the world as one `Bench`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace

from mediaprep import __version__
from mediaprep.checks import preflight, verdict
from mediaprep.errors import (
    CardNotReady,
    ForeignFileInTheWay,
    Interrupted,
    MediaPrepError,
    PreflightRefused,
    PreflightUnknown,
    ProofIncomplete,
    ReadbackMismatch,
    TargetUnsafe,
)
from mediaprep.model import (
    Action,
    Bundle,
    Card,
    CardFacts,
    FileSystem,
    Finding,
    Job,
    JobKind,
    JobState,
    Known,
    Load,
    Manifest,
    Plan,
    PlannedFile,
    PreflightFacts,
    ProvenBundle,
    ReadbackReport,
    Receipt,
    RecordedFile,
    Result,
    StructureEvidence,
    Unit,
    Verdict,
    value_or_none,
)
from mediaprep.plan import make_plan
from mediaprep.ports import BundleSource, Cancelled, CardAccess, Clock, HostAccess, ProgressSink, Records
from mediaprep.progress import Phase, Progress
from mediaprep.readback import joined, read_back
from mediaprep.write import clear_away, copy_files, recorded_after, stop_if, to_copy

# What the records take on the host for each file of a bundle, rounded up: a row in the journal and its indexes.
RECORD_BYTES_PER_FILE = 1024


@dataclass(frozen=True)
class Bench:
    """Everything a job touches: one card, the computer, the records, the clock, and who listens.

    `places` are (role, path) of the host's folders that the job uses: `records`, `temp`, `staging`. `on_job` hears of
    the job as soon as the records hold it, `on_findings` all findings of the preflight before anything else happens.
    """

    card: CardAccess
    host: HostAccess
    records: Records
    clock: Clock
    places: tuple[tuple[str, str], ...]
    progress: ProgressSink = lambda _: None
    on_job: Callable[[Job], None] = lambda _: None
    on_findings: Callable[[Sequence[Finding]], None] = lambda _: None
    cancelled: Cancelled = lambda: False


@dataclass(frozen=True)
class Wish:
    """What the owner asks for: this bundle, on this card, for this unit.

    `accept` names checks whose unknown findings the owner goes on with.
    """

    bundle: Bundle
    source: BundleSource
    unit: Unit
    card: Card
    accept: frozenset[str] = field(default_factory=frozenset)


@dataclass(frozen=True)
class Preflight:
    """What the checks said, and the plan they judged."""

    facts: PreflightFacts
    findings: tuple[Finding, ...]
    verdict: Result


@dataclass(frozen=True)
class Outcome:
    """What a finished job left: its receipt, and the loads prepared for the unit."""

    job: int
    receipt: Receipt
    loads: tuple[Load, ...]


def check_card(wish: Wish, bench: Bench) -> Preflight:
    """Gather the facts, make the plan and judge both. Writes nothing anywhere."""
    records, source = bench.records, wish.source
    manifest = records.manifest(wish.bundle.name)
    card = bench.card.facts()
    entries = tuple(bench.card.entries())
    # A card that is only looked at need not be in the records yet; then nothing on it is ours.
    recorded = records.recorded_files(wish.card.name) if records.recognise(wish.card.identity) else ()
    plan = make_plan(
        bundle=wish.bundle,
        manifest=manifest,
        entries=entries,
        recorded=recorded,
        file_system=_file_system(card),
    )
    staying = {item.bundle for item in plan.files if item.bundle != wish.bundle.name}
    facts = PreflightFacts(
        now=bench.clock.now(),
        host=bench.host.facts(_host_needs(wish, bench, manifest, plan)),
        card=card,
        card_name=wish.card.name,
        entries=entries,
        plan=plan,
        bundle=wish.bundle,
        on_card=tuple(records.bundle(name) for name in sorted(staying)),
        unit=wish.unit,
        unit_loads=records.loads(wish.unit.aircraft, wish.unit.name),
        changed_paths=source.changed_paths(manifest),
    )
    findings = tuple(preflight(facts))
    return Preflight(facts, findings, verdict(findings, wish.accept))


def prepare_card(wish: Wish, bench: Bench) -> Outcome:
    """Check, write, prove and record: one bundle on one card for one unit.

    Raise PreflightRefused or PreflightUnknown before anything is touched; afterwards what the write and the readback
    raise. However it ends, the records say so, and a card that may have changed is unfit until a readback proves it.
    """
    records, clock = bench.records, bench.clock
    job = records.begin_job(JobKind.WRITE, wish.card, wish.bundle, wish.unit, at=clock.now())
    with _closing(job, bench):
        bench.on_job(job)
        checked = check_card(wish, bench)
        bench.on_findings(checked.findings)
        _refuse_unless_allowed(checked, wish)
        refuse_unsafe(checked.facts.card)
        stop_if(bench.cancelled)

        plan = checked.facts.plan
        insertion = value_or_none(checked.facts.card.insertion)
        records.begin_touching(job.number, _soon_ours(to_copy(plan)), insertion, checked.findings)
        written_bytes, rewritten, report = _write_and_prove(checked.facts, wish, bench, job)

        bench.progress(Progress(Phase.RECORD, 0, 1, 0, 0))
        accepted = tuple(sorted(f.check for f in checked.findings if f.result is Result.UNKNOWN))
        receipt = _receipt(
            wish.card,
            checked.facts.card,
            plan.files,
            report,
            bench,
            written_bytes=written_bytes,
            rewritten=rewritten,
            accepted=accepted,
        )
        loads = records.end_job_proven(job.number, receipt, wish.unit)
        bench.progress(Progress(Phase.RECORD, 1, 1, 0, 0))
    return Outcome(job.number, receipt, loads)


def verify_card(card: Card, unit: Unit | None, bench: Bench) -> Outcome:
    """Read back all that mediaprep put on a card, and finish the proof of a write that could not be proven then.

    `unit` is the one the card was written for, if known: its load is prepared when the proof is complete. Raise
    CardNotReady when nothing was ever put on the card, ReadbackMismatch naming every file that differs.
    """
    records, clock = bench.records, bench.clock
    facts = bench.card.facts()
    recorded = records.recorded_files(card.name)
    if not recorded:
        message = f"Card {card.name} holds nothing that mediaprep put there"
        raise CardNotReady(message, remedy="Write a bundle to it first: 'mediaprep write'.")
    job = records.begin_job(JobKind.VERIFY, card, None, unit, at=clock.now())
    with _closing(job, bench):
        bench.on_job(job)
        wanted = _expected(card, recorded, records)
        insertion, written_in = value_or_none(facts.insertion), records.written_insertion(card.name)
        if insertion is not None and written_in is not None and insertion != written_in:
            structure = StructureEvidence.REINSERTED
        else:
            structure = bench.card.remount()
        report = _read_back(wanted, structure, facts, bench)
        if report.mismatches:
            raise ReadbackMismatch(card.name, tuple(f"{m.path} ({m.detail})" for m in report.mismatches))
        receipt = _receipt(card, facts, wanted, report, bench)
        loads = records.end_job_proven(job.number, receipt, unit)
    return Outcome(job.number, receipt, loads)


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


def find_card(access: CardAccess, records: Records) -> Card | None:
    """Return the records' card for what is in the reader, or None where the records do not know it."""
    identity = access.facts().identity
    return records.recognise(identity.value) if isinstance(identity, Known) else None


def card_of(access: CardAccess, records: Records, clock: Clock, *, name: str | None = None) -> Card:
    """Return the records' card for what is in the reader, taking it in under `name` if it is new.

    Raise TargetUnsafe where it is no card at all, CardNotReady when it cannot be told from other cards or is known
    under another name.
    """
    facts = access.facts()
    refuse_unsafe(facts)
    known = find_card(access, records)
    if known is not None:
        if name is not None and name != known.name:
            message = f"The card at {facts.target} is {known.name}, not {name}"
            raise CardNotReady(message, remedy=f"Put card {name} in, or leave the name out.")
        return known
    if not isinstance(facts.identity, Known):
        message = f"The card at {facts.target} cannot be told from others: {facts.identity.reason}"
        raise CardNotReady(message, remedy=facts.identity.remedy or "Try another reader.")
    return records.register_card(
        name,
        identity=facts.identity.value,
        simulated=facts.simulated,
        capacity_bytes=value_or_none(facts.capacity_bytes),
        at=clock.now(),
    )


def _write_and_prove(
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
    report = _read_back(plan.files, bench.card.remount(), facts.card, bench)

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
        details = tuple(f"{m.path} ({m.detail})" for m in report.mismatches if m.path in others)
        raise ReadbackMismatch(wish.card.name, details)
    if again:
        bench.records.begin_touching(job.number, _soon_ours(again), value_or_none(facts.card.insertion), ())
        written_bytes += copy(again)
        report = joined(report, _read_back(again, bench.card.remount(), facts.card, bench))
        if report.mismatches:
            details = tuple(f"{m.path} ({m.detail})" for m in report.mismatches)
            raise ReadbackMismatch(wish.card.name, details)
    # What was kept is proven now: from here on it belongs to this bundle, whichever cycle it came with.
    journal([recorded_after(item) for item in plan.files if item.bundle == wish.bundle.name], ())
    return written_bytes, tuple(item.entry.path for item in again), report


def _read_back(
    files: Sequence[PlannedFile], structure: StructureEvidence, facts: CardFacts, bench: Bench
) -> ReadbackReport:
    return read_back(
        [item.entry for item in files],
        card=bench.card,
        structure=structure,
        file_system=_file_system(facts),
        clock=bench.clock,
        progress=bench.progress,
        cancelled=bench.cancelled,
    )


def _file_system(facts: CardFacts) -> FileSystem:
    # Where it is not known, the strictest names: a foreign README must not be taken for another file than readme.
    return value_or_none(facts.file_system) or FileSystem.VFAT


def _receipt(
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


def _proven(files: Sequence[PlannedFile], records: Records) -> Iterator[ProvenBundle]:
    for name in sorted({item.bundle for item in files}):
        bundle = records.bundle(name)
        yield ProvenBundle(name, bundle.kind.name, bundle.manifest_sha256, bundle.file_count, bundle.total_bytes)


def _expected(card: Card, recorded: Sequence[RecordedFile], records: Records) -> list[PlannedFile]:
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


def _soon_ours(files: Sequence[PlannedFile]) -> list[RecordedFile]:
    return [replace(recorded_after(item), flushed=False) for item in files]


def _host_needs(wish: Wish, bench: Bench, manifest: Manifest, plan: Plan) -> list[tuple[str, str, int]]:
    needed = {
        "records": RECORD_BYTES_PER_FILE * len(manifest.entries),
        "staging": wish.source.staging_bytes(manifest),
    }
    needs = [("bundle", wish.source.location, 0)]
    needs += [(role, path, needed.get(role, 0)) for role, path in bench.places]
    folder = bench.card.host_folder()
    if folder is not None:
        needs.append(("card folder", folder, plan.bytes_to_write))
    return needs


def _refuse_unless_allowed(checked: Preflight, wish: Wish) -> None:
    subject = f"bundle {wish.bundle.name} on card {wish.card.name} for unit {wish.unit.label}"
    if checked.verdict is Result.REFUSE:
        refused = [f.check for f in checked.findings if f.result is Result.REFUSE]
        message = f"Nothing was written: {subject} is refused by {', '.join(refused)}"
        raise PreflightRefused(message)
    if checked.verdict is Result.UNKNOWN:
        names = [f.check for f in checked.findings if f.result is Result.UNKNOWN and f.check not in wish.accept]
        message = f"Nothing was written: {subject} cannot be judged by {', '.join(names)}"
        options = " ".join(f"--accept {name}" for name in names)
        raise PreflightUnknown(message, remedy=f"Find the fact out as the finding says, or go on without: {options}")


def refuse_unsafe(facts: CardFacts) -> None:
    """Stand guard once more, apart from the checks: there is no override and no accepting here."""
    system_use = facts.system_use
    if not isinstance(system_use, Known):
        message = f"It is not known whether {facts.target} holds part of the running system: {system_use.reason}"
        raise TargetUnsafe(message)
    if system_use.value:
        message = f"{facts.target} {', '.join(system_use.value)}"
        raise TargetUnsafe(message)
    if not facts.simulated and isinstance(facts.removable, Known) and not facts.removable.value:
        message = f"{facts.target} is not removable media ({facts.removable.source})"
        raise TargetUnsafe(message)


@contextmanager
def _closing(job: Job, bench: Bench) -> Iterator[None]:
    """Make sure that a job which fails says so in the records, whatever ended it. The success path closes itself."""
    try:
        yield
    except MediaPrepError as error:
        if isinstance(error, Interrupted):
            state = JobState.CANCELLED
        elif isinstance(error, PreflightRefused | PreflightUnknown | TargetUnsafe):
            state = JobState.REFUSED
        else:
            state = JobState.FAILED
        bench.records.end_job(job.number, state, at=bench.clock.now(), code=error.code, detail=str(error))
        raise
    except KeyboardInterrupt:
        detail = "Stopped from the keyboard"
        bench.records.end_job(
            job.number, JobState.CANCELLED, at=bench.clock.now(), code=Interrupted.code, detail=detail
        )
        raise
    except BaseException as error:
        detail = f"{type(error).__name__}: {error}"
        bench.records.end_job(
            job.number, JobState.FAILED, at=bench.clock.now(), code=MediaPrepError.code, detail=detail
        )
        raise
