"""`mediaprep check`, `write`, `verify` and `install`: the main job, from the bench to the unit."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.cli.words import CAUTION, describe_receipt, describe_validity
from mediaprep.errors import PreflightRefused, PreflightUnknown, Usage
from mediaprep.model import Action, Fitness, Result
from mediaprep.quantities import format_bytes, parse_date_or_utc

if TYPE_CHECKING:
    from collections.abc import Sequence

    from mediaprep.bench import Wish
    from mediaprep.model import Finding, Load, Plan, Unit
    from mediaprep.session import Outcome


@click.command(short_help="Check host, card and bundle. Writes nothing.")
@click.argument("bundle")
@click.option("--on", "target", required=True, metavar="PATH", help="Where the card is mounted, or a folder.")
@click.option("--for", "unit", required=True, metavar="UNIT", help="The unit the card is for.")
@click.option("--accept", multiple=True, metavar="CHECK", help="Go on though this check is unknown. Repeatable.")
@click.option("--all", "everything", is_flag=True, help="Show the evidence of checks that pass, too.")
@json_option
@pass_desk
def check(desk: Desk, bundle: str, target: str, unit: str, accept: tuple[str, ...], everything: bool) -> None:
    """Check host, card and BUNDLE for a unit, and say what a write would do. Writes nothing."""
    from mediaprep.devices import open_card
    from mediaprep.gate import check_card
    from mediaprep.orders import order_check

    access = open_card(existing_path(target))
    wish = order_check(access, desk.records, desk.clock, bundle=bundle, unit=unit, accept=accept)
    checked = check_card(wish, desk.bench(access))
    desk.out.heading(_title("Preflight", wish))
    desk.out.findings(checked.findings, everything=everything)
    plan = checked.facts.plan
    kept = sum(1 for item in plan.files if item.action is Action.KEEP)
    desk.out.text(
        "",
        f"Plan: write {len(plan.files) - kept} files ({format_bytes(plan.bytes_to_write)}), keep {kept}, "
        f"remove {len(plan.remove)} of ours, leave {len(plan.foreign)} foreign files alone.",
    )
    subject = f"bundle {bundle} on card {wish.card.name} for unit {wish.unit.label}"
    if checked.verdict is Result.REFUSE:
        message = f"{subject} is refused"
        raise PreflightRefused(message)
    if checked.verdict is Result.UNKNOWN:
        message = f"{subject} cannot be judged whole"
        raise PreflightUnknown(message)
    desk.out.text(click.style("Ready", fg="green", bold=True) + f": {subject} may be written.")
    desk.out.result(verdict=checked.verdict, plan=_plan_paths(checked.facts.plan))


@click.command(short_help="Check, write, read back: one bundle on one card.")
@click.argument("bundle")
@click.option("--on", "target", required=True, metavar="PATH", help="Where the card is mounted, or a folder.")
@click.option("--for", "unit", required=True, metavar="UNIT", help="The unit the card is for.")
@click.option("--card", "name", help="What to call a card that is new here; else it gets the next number.")
@click.option("--accept", multiple=True, metavar="CHECK", help="Go on though this check is unknown. Repeatable.")
@json_option
@pass_desk
def write(desk: Desk, bundle: str, target: str, unit: str, name: str | None, accept: tuple[str, ...]) -> None:
    """Check, then put a BUNDLE on a card and prove that every byte is there.

    Other bundles on the card stay, a bundle of the same kind is replaced, and files that mediaprep did not write are
    never touched. Run it again after an interruption: it resumes.
    """
    from mediaprep.devices import open_card
    from mediaprep.orders import order_write
    from mediaprep.session import prepare_card

    access = open_card(existing_path(target))
    wish = order_write(access, desk.records, desk.clock, bundle=bundle, unit=unit, accept=accept, card=name)
    desk.out.heading(_title("Writing", wish))
    bench = desk.bench(access, on_findings=lambda findings: _show(desk, findings))
    with desk.stoppable():
        outcome = prepare_card(wish, bench)
    _finish(desk, outcome)


@click.command(short_help="Read a card back and compare every byte.")
@click.argument("target", metavar="PATH")
@json_option
@pass_desk
def verify(desk: Desk, target: str) -> None:
    """Read back a card at PATH and compare every byte with its bundles.

    Put the card in again after a write that could not prove the folders, and this finishes the proof.
    """
    from mediaprep.devices import open_card
    from mediaprep.orders import order_verify
    from mediaprep.session import verify_card

    access = open_card(existing_path(target))
    card, unit = order_verify(access, desk.records, target)
    desk.out.heading(f"Reading back card {card.name}")
    with desk.stoppable():
        outcome = verify_card(card, unit, desk.bench(access))
    _finish(desk, outcome)


@click.command(short_help="Log a card to its unit: accepted or rejected.")
@click.argument("card")
@click.option("--in", "unit", required=True, metavar="UNIT", help="The unit the card was carried to.")
@click.option("--slot", help="The slot it was put in.")
@click.option("--accepted", is_flag=True, help="The unit took it.")
@click.option("--rejected", metavar="REASON", help="The unit did not take it: what it showed.")
@click.option(
    "--shown-until",
    multiple=True,
    metavar="[KIND=]DATE",
    help="With --accepted: the last day, as the unit itself shows it. KIND where the card holds several. Repeatable.",
)
@click.option("--hours", help="With --accepted: the aircraft's hour meter, for example 1234.5.")
@click.option("--note", default="", help="A remark for the logbook.")
@json_option
@pass_desk
def install(
    desk: Desk,
    card: str,
    unit: str,
    slot: str | None,
    accepted: bool,
    rejected: str | None,
    shown_until: tuple[str, ...],
    hours: str | None,
    note: str,
) -> None:
    """Log that a CARD was carried to a unit and, once known, whether the unit took it.

    One card may be carried to several units, one after the other.
    """
    if accepted and rejected is not None:
        message = "A unit cannot both accept and reject a card"
        raise Usage(message, remedy="Give --accepted or --rejected REASON.")
    if (shown_until or hours) and not accepted:
        message = "The dates the unit shows and the aircraft's hours go with --accepted"
        raise Usage(message, remedy="Give --accepted too, or say it with --note or --rejected REASON.")
    found = desk.records.find_unit(unit)
    reading = _hours(hours) if hours else None
    shown = _shown_until(shown_until, _kinds_for(desk, card, found)) if shown_until else {}
    if slot is not None and slot not in found.slots:
        message = f"Unit {found.label} has no slot called {slot}"
        raise Usage(message, remedy=f"Its slots: {', '.join(found.slots) or 'none entered'}.")
    now = desk.clock.now()
    loads = desk.records.install(card, found, slot, at=now, reason=note)
    if accepted:
        loads = desk.records.accept(loads, at=now, reason=note, shown_until=shown, aircraft_hours=reading)
        for load in loads:
            _compare(desk, load, shown.get(load.kind))
    elif rejected is not None:
        loads = desk.records.reject(loads, at=now, reason=rejected)
    for load in loads:
        simulated = " (simulated card)" if load.simulated else ""
        desk.out.text(
            f"Card {load.card} in unit {found.label}: {load.bundle} {load.state.value}{simulated}, "
            f"in force {describe_validity(load.validity)}."
        )
    if not accepted and rejected is None:
        desk.out.text("Next, when the unit has answered: the same command with --accepted or --rejected REASON.")
    desk.out.paragraph(f"Compare the dates the unit shows with these. {CAUTION}")
    desk.out.result(loads=loads)


def _hours(text: str) -> str:
    from mediaprep.lists import parse_hours

    try:
        return parse_hours(text)
    except ValueError as error:
        message = f"--hours: {error}"
        raise Usage(message, remedy="Write decimal hours, for example 1234.5.") from None


def _kinds_for(desk: Desk, card: str, unit: Unit) -> list[str]:
    """Return the kinds of data on a card that a unit takes."""
    on_card = {desk.records.bundle(name).kind.name for name in desk.records.card_bundles(card)}
    return sorted(on_card & set(unit.kinds))


def _shown_until(given: Sequence[str], kinds: Sequence[str]) -> dict[str, date]:
    """Return by kind the dates that a unit showed. A date without a kind goes with the only one there is."""
    found: dict[str, date] = {}
    for text in given:
        kind, named, day = text.rpartition("=")
        if not named and len(kinds) == 1:
            kind = kinds[0]
        if kind not in kinds:
            message = f"--shown-until {text} does not say which of these it is of: {', '.join(kinds) or 'none'}"
            raise Usage(message, remedy=f"Write it as {kinds[0] if kinds else 'KIND'}=2026-12-24.")
        shown = parse_date_or_utc(day)
        if isinstance(shown, datetime):
            message = f"--shown-until {text} is a time, and units show days"
            raise Usage(message, remedy=f"Write it as {kind}=2026-12-24.")
        found[kind] = shown
    return found


def _compare(desk: Desk, load: Load, shown: date | None) -> None:
    """Warn where a unit shows another end than the records: by more than a day, as the last day may count or not."""
    lapses_at = load.validity.lapses_at
    if shown is None or (lapses_at is not None and abs((lapses_at.date() - shown).days) <= 1):
        return
    ours = f"lapses {lapses_at:%Y-%m-%d}" if lapses_at else "does not lapse"
    desk.out.note(
        f"Unit {load.aircraft}/{load.unit} shows {shown} for {load.bundle}, and by the records it {ours}. Find out "
        "which is right before you fly with it."
    )


def _title(verb: str, wish: Wish) -> str:
    bundle = wish.bundle
    size = f"{bundle.file_count} files, {format_bytes(bundle.total_bytes)}"
    return f"{verb}: bundle {bundle.name} ({size}) on card {wish.card.name} for unit {wish.unit.label}"


def _show(desk: Desk, findings: Sequence[Finding]) -> None:
    desk.end_progress()
    desk.out.findings(findings)


def _finish(desk: Desk, outcome: Outcome) -> None:
    from mediaprep.proving import missing_proof

    desk.end_progress()
    receipt = outcome.receipt
    desk.out.text("", *describe_receipt(receipt))
    missing = missing_proof(receipt)
    if missing is not None:
        if desk.records.fitness(receipt.card) is not Fitness.VERIFIED:
            raise missing
        desk.out.text("The card stays verified: its folders were proven before, and nothing was written to it since.")
    # One line for each unit, however many bundles are on the card.
    for load in {(load.aircraft, load.unit): load for load in outcome.loads}.values():
        desk.out.text(
            f"Carry card {load.card} to unit {load.aircraft}/{load.unit}, then: "
            f"mediaprep install {load.card} --in {load.unit}"
        )
    desk.out.result(receipt=receipt, loads=outcome.loads)


def _plan_paths(plan: Plan) -> dict[str, object]:
    return {
        "write": [item.entry.path for item in plan.files if item.action is Action.WRITE],
        "replace": [item.entry.path for item in plan.files if item.action is Action.REPLACE],
        "keep": [item.entry.path for item in plan.files if item.action is Action.KEEP],
        "remove": plan.remove,
        "foreign": plan.foreign,
        "bytes_to_write": plan.bytes_to_write,
        "bytes_to_read": plan.bytes_to_read,
    }
