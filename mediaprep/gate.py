"""What stands before a write: the facts gathered, the checks asked, and the guard that nothing overrides."""

from __future__ import annotations

from dataclasses import dataclass

from mediaprep.bench import Bench, Wish
from mediaprep.bundles.place import is_url
from mediaprep.checks import preflight, verdict
from mediaprep.errors import (
    PreflightRefused,
    PreflightUnknown,
    TargetUnsafe,
)
from mediaprep.model import (
    CardFacts,
    FileSystem,
    Finding,
    Known,
    Manifest,
    Plan,
    PreflightFacts,
    Result,
    value_or_none,
)
from mediaprep.plan import make_plan

# What the records take on the host for each file of a bundle, rounded up: a row in the journal and its indexes.
RECORD_BYTES_PER_FILE = 1024


@dataclass(frozen=True)
class Preflight:
    """What the checks said, and the plan they judged."""

    facts: PreflightFacts
    findings: tuple[Finding, ...]
    verdict: Result


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
        file_system=file_system_of(card),
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


def refuse_unless_allowed(checked: Preflight, wish: Wish) -> None:
    """Raise PreflightRefused or PreflightUnknown, naming the checks, unless the wish may be carried out."""
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


def file_system_of(facts: CardFacts) -> FileSystem:
    """Return the file system whose rules for names hold on a card."""
    # Where it is not known, the strictest names: a foreign README must not be taken for another file than readme.
    return value_or_none(facts.file_system) or FileSystem.VFAT


def _host_needs(wish: Wish, bench: Bench, manifest: Manifest, plan: Plan) -> list[tuple[str, str, int]]:
    needed = {
        "records": RECORD_BYTES_PER_FILE * len(manifest.entries),
        "staging": wish.source.staging_bytes(manifest),
    }
    # A store takes no room here, and is no volume of this computer that could be looked at.
    needs = [] if is_url(wish.source.location) else [("bundle", wish.source.location, 0)]
    needs += [(role, path, needed.get(role, 0)) for role, path in bench.places]
    folder = bench.card.host_folder()
    if folder is not None:
        needs.append(("card folder", folder, plan.bytes_to_write))
    return needs
