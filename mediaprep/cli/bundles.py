"""`mediaprep bundle`: take in files that the owner has, and show what was taken in."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.cli.library import check_bundles, places_of, remove_bundle, tidy_bundles
from mediaprep.cli.signing import claim_of
from mediaprep.cli.words import describe_checks, describe_instant, describe_signature, describe_validity
from mediaprep.errors import BundleFactsInvalid, RecordExists, Usage
from mediaprep.model import Bundle, CycleScheme, DataKind, Whereabouts
from mediaprep.quantities import format_bytes, parse_date_or_utc

if TYPE_CHECKING:
    from mediaprep.bundles.place import StoreUrl

WEAK = (
    "Caution: SHA-1, MD5 and CRC-32 tell an accident on the way, not a forgery. "
    "Ask the publisher for SHA-256 or SHA-512."
)
SIGNED_WEAK = (
    "Caution: the signature is good for the list of checksums, but these are weak: it does not tell forged files."
)


@click.group(invoke_without_command=True)
@json_option
@click.pass_context
def bundle(context: click.Context) -> None:
    """List the bundles in the library and where each is now, or take one in."""
    if context.invoked_subcommand is None:
        desk = context.ensure_object(Desk)
        bundles = desk.records.bundles()
        places = places_of(desk, bundles)
        desk.out.table(
            ("BUNDLE", "KIND", "CYCLE", "IN FORCE (UTC)", "FILES", "SIZE", "FOR", "ON CARDS", "IN UNITS", "CHECKED BY"),
            [
                (
                    one.name,
                    one.kind.name,
                    one.validity.cycle or "-",
                    describe_validity(one.validity),
                    str(one.file_count),
                    format_bytes(one.total_bytes),
                    _units(one.units) or "any unit",
                    ", ".join(place.cards) or "-",
                    _units(place.units) or "-",
                    describe_checks(one.checks) or "-",
                )
                for one, place in zip(bundles, places, strict=True)
            ],
            empty="No bundle yet. Take one in: mediaprep bundle add SOURCE --kind KIND",
        )
        desk.out.result(bundles=bundles, whereabouts=places)


@bundle.command("add")
@click.argument("source", type=click.Path())
@click.option("--kind", "kind_name", required=True, help="What kind of data it is: see 'mediaprep unit kinds'.")
@click.option("--name", help="What to call it. Without: the kind and the cycle, or the source's name.")
@click.option("--cycle", help="Its cycle's identifier, for example 2613.")
@click.option("--effective", help="The date or time (UTC) it takes effect.")
@click.option("--lapses", help="The date or time (UTC) from which it is no longer in force.")
@click.option("--for", "units", multiple=True, metavar="UNIT", help="A unit it was bought for. Repeatable.")
@click.option("--least-software", help="The least software version of the unit that can read it.")
@click.option(
    "--checksums",
    "checksum_files",
    multiple=True,
    metavar="FILE",
    help="The publisher's checksums: as sha256sum and its kin or BSD write them, or SFV. Repeatable.",
)
@click.option(
    "--signature", metavar="FILE", help="The publisher's detached OpenPGP signature over the checksums or the archive."
)
@click.option("--key", metavar="FILE", help="The publisher's public OpenPGP key, for --signature.")
@click.option(
    "--signs", metavar="FILE", help="What --signature is over. Without: the one --checksums file, else SOURCE itself."
)
@click.option("--unlisted-too", is_flag=True, help="With --checksums: let files pass that no list names.")
@click.option("--lenient", is_flag=True, help="Take a bag in with faults of form, as long as every byte is proven.")
@click.option("--again", is_flag=True, help="Take it in though a bundle with the same files is in the library.")
@json_option
@pass_desk
def add_bundle(
    desk: Desk,
    source: str,
    kind_name: str,
    name: str | None,
    cycle: str | None,
    effective: str | None,
    lapses: str | None,
    units: tuple[str, ...],
    least_software: str | None,
    checksum_files: tuple[str, ...],
    signature: str | None,
    key: str | None,
    signs: str | None,
    unlisted_too: bool,
    lenient: bool,
    again: bool,
) -> None:
    """Take in a SOURCE: read and hash every file, and note what you say about it.

    SOURCE is a folder, a zip or tar archive, a bag (RFC 8493), or a prefix of an S3-compatible store, written as
    s3://BUCKET/PREFIX. It stays where it is and is never altered; keep it until the card is written. Nothing inside it
    is interpreted: the cycle and the dates are the ones you state.
    """
    from mediaprep.bundles import open_bundle
    from mediaprep.bundles.place import find_place
    from mediaprep.cycles import validity_for
    from mediaprep.intake import take_in
    from mediaprep.manifest import digest

    kind = desk.records.kinds().get(kind_name)
    if kind is None:
        known = ", ".join(desk.records.kinds())
        message = f"No kind of data is called {kind_name}"
        raise BundleFactsInvalid(message, remedy=f"Choose one of {known}, or add it: mediaprep unit kind.")
    place = find_place(source)
    lists = [existing_path(one) for one in checksum_files]
    archive = place if isinstance(place, Path) and place.is_file() else None
    claim = claim_of(lists, archive=archive, signature=signature, key=key, signs=signs, at=desk.clock.now())
    _ask_for_facts(desk, kind, place, stated=(cycle, effective))
    validity = validity_for(
        kind.cycle_rule,
        cycle=cycle,
        effective_on=parse_date_or_utc(effective) if effective else None,
        lapses_on=parse_date_or_utc(lapses) if lapses else None,
    )
    opened = open_bundle(place, lenient=lenient)
    with desk.stoppable():
        taken = take_in(
            opened,
            lists,
            unlisted_too=unlisted_too,
            claim=claim,
            progress=desk.throttle,
            cancelled=desk.stopped,
        )
    desk.end_progress()
    found = Bundle(
        name=name or _name_for(kind_name, validity.cycle, place),
        kind=kind,
        validity=validity,
        source=opened.location,
        source_form=opened.form,
        manifest_sha256=digest(taken.manifest),
        file_count=len(taken.manifest.entries),
        total_bytes=taken.manifest.total_bytes,
        taken_in_at=desk.clock.now(),
        units=tuple((unit.aircraft, unit.name) for unit in map(desk.records.find_unit, units)),
        least_software=least_software,
        checks=taken.checks,
        signature=taken.signature,
    )
    same = desk.records.bundles_of_content(found.manifest_sha256)
    if same and not again:
        message = f"{place} holds the same files as bundle {same[0].name}, which is in the library"
        raise RecordExists(message, remedy=f"Use {same[0].name}, or take it in once more with --again.")
    desk.records.add_bundle(found, taken.manifest)
    for note in taken.notes:
        desk.out.note(note)
    desk.out.text(
        f"Took in bundle {found.name}: {found.file_count} files, {format_bytes(found.total_bytes)}.",
        *(f"Checked: {describe_checks([one])} of {one.listed_in}, {one.file_count} files." for one in found.checks),
        *([f"Signed: {describe_signature(found.signature)}."] if found.signature else []),
        *([SIGNED_WEAK] if _is_signature_weak(found) else []),
        *([WEAK] if found.checks and all(one.weak for one in found.checks) else []),
        f"In force: {describe_validity(validity)} (as you stated; check it against what came with the data).",
        f"Next: mediaprep write {found.name} --on CARD-PATH --for UNIT",
    )
    desk.out.result(bundle=found, same_as=[one.name for one in same], notes=taken.notes)


@bundle.command("show")
@click.argument("name")
@json_option
@pass_desk
def show_bundle(desk: Desk, name: str) -> None:
    """Show one bundle and its manifest, in the form that 'sha256sum -c' reads."""
    from mediaprep.manifest import to_text

    found = desk.records.bundle(name)
    manifest = desk.records.manifest(name)
    (place,) = places_of(desk, [found])
    if not desk.out.json_lines:
        # `sha256sum -c` passes over lines that begin with a number sign.
        for line in _described(found, place):
            click.echo(f"# {line}")
        click.echo(to_text(manifest), nl=False)
    desk.out.result(bundle=found, files=manifest.entries, whereabouts=place)


def _described(bundle: Bundle, place: Whereabouts) -> Iterator[str]:
    yield f"Bundle {bundle.name} ({bundle.kind.name}), taken in from {bundle.source} ({bundle.source_form})"
    yield f"In force: {describe_validity(bundle.validity)}"
    yield f"On cards: {', '.join(place.cards) or 'none'}; in units: {_units(place.units) or 'none'}"
    for check in bundle.checks:
        yield f"Checked: {describe_checks([check])} of {check.listed_in}, {check.file_count} files"
    if bundle.signature is not None:
        yield f"Signed: {describe_signature(bundle.signature)}"
    if bundle.removed_at is not None:
        yield f"Removed from the library on {describe_instant(bundle.removed_at)}"


def _is_signature_weak(bundle: Bundle) -> bool:
    """Tell whether a signature is over a list of weak checksums alone: then it proves the list, and not the files."""
    signed = bundle.signature.signed if bundle.signature else None
    listed = [check for check in bundle.checks if check.listed_in == signed]
    return bool(listed) and all(check.weak for check in listed)


def _ask_for_facts(desk: Desk, kind: DataKind, place: Path | StoreUrl, stated: tuple[str | None, str | None]) -> None:
    """Ask for a cycle or date that is missing, with what the names suggest; say where they suggest another cycle."""
    from mediaprep.intake import names_at
    from mediaprep.suggest import suggest

    cycle, effective = stated
    is_grid = kind.cycle_rule.scheme in {CycleScheme.AIRAC_28, CycleScheme.GRID_56}
    if kind.cycle_rule.scheme is CycleScheme.NONE or (effective and not cycle):
        return
    names = names_at(place) if isinstance(place, Path) else (place.name,)
    guesses = suggest(kind.cycle_rule, names, desk.clock.now().date())
    if is_grid and cycle is not None:
        own = [guess for guess in guesses if guess.name == place.name and guess.value != cycle]
        if own and all(guess.value != cycle for guess in guesses):
            desk.out.note(f"The name {place.name} suggests cycle {own[0].value}, and you stated {cycle}.")
    elif effective is None:
        what = "cycle" if is_grid else "date from which it is in force"
        message = f"The {what} of {place} is not stated"
        told = "; or ".join(map(str, guesses[:3]))
        option = "--cycle, such as --cycle 2613" if is_grid else "--effective, such as --effective 2026-12-24"
        raise Usage(message, remedy=f"{told[:1].upper()}{told[1:]}." if told else f"State it with {option}.")


def _name_for(kind: str, cycle: str | None, place: Path | StoreUrl) -> str:
    if cycle:
        return f"{kind}-{cycle}"
    if isinstance(place, Path) and place.is_file():
        return place.stem.removesuffix(".tar")
    return place.name


def _units(units: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{aircraft}/{unit}" for aircraft, unit in units)


for _command in (check_bundles, remove_bundle, tidy_bundles):
    bundle.add_command(_command)
