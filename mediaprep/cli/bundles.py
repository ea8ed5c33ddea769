"""`mediaprep bundle`: take in a folder of files, and list what was taken in."""

from __future__ import annotations

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.cli.words import describe_validity
from mediaprep.errors import BundleFactsInvalid
from mediaprep.model import Bundle
from mediaprep.quantities import format_bytes, parse_date_or_utc


@click.group(invoke_without_command=True, short_help="Bundles: take in files you have, list them.")
@json_option
@click.pass_context
def bundle(context: click.Context) -> None:
    """List the bundles that were taken in, or take one in."""
    if context.invoked_subcommand is None:
        desk = context.ensure_object(Desk)
        bundles = desk.records.bundles()
        desk.out.table(
            ("BUNDLE", "KIND", "CYCLE", "IN FORCE (UTC)", "FILES", "SIZE", "FOR"),
            [
                (
                    one.name,
                    one.kind.name,
                    one.validity.cycle or "-",
                    describe_validity(one.validity),
                    str(one.file_count),
                    format_bytes(one.total_bytes),
                    ", ".join(f"{aircraft}/{unit}" for aircraft, unit in one.units) or "any unit",
                )
                for one in bundles
            ],
            empty="No bundle yet. Take one in: mediaprep bundle add FOLDER --kind KIND",
        )
        desk.out.result(bundles=bundles)


@bundle.command("add")
@click.argument("folder", type=click.Path())
@click.option("--kind", "kind_name", required=True, help="What kind of data it is: see 'mediaprep unit kinds'.")
@click.option("--name", help="What to call it. Without: the kind and the cycle, or the folder's name.")
@click.option("--cycle", help="Its cycle's identifier, for example 2613.")
@click.option("--effective", help="The date or time (UTC) it takes effect.")
@click.option("--lapses", help="The date or time (UTC) from which it is no longer in force.")
@click.option("--for", "units", multiple=True, metavar="UNIT", help="A unit it was bought for. Repeatable.")
@click.option("--least-software", help="The least software version of the unit that can read it.")
@json_option
@pass_desk
def add_bundle(
    desk: Desk,
    folder: str,
    kind_name: str,
    name: str | None,
    cycle: str | None,
    effective: str | None,
    lapses: str | None,
    units: tuple[str, ...],
    least_software: str | None,
) -> None:
    """Take in a FOLDER: read and hash every file, and note what you say about it.

    The folder stays where it is and is never altered; keep it until the card is written. Nothing inside it is
    interpreted: the cycle and the dates are the ones you state.
    """
    from mediaprep.bundles import open_bundle
    from mediaprep.cycles import validity_for
    from mediaprep.manifest import digest

    kind = desk.records.kinds().get(kind_name)
    if kind is None:
        known = ", ".join(desk.records.kinds())
        message = f"No kind of data is called {kind_name}"
        raise BundleFactsInvalid(message, remedy=f"Choose one of {known}, or add it: mediaprep unit kind.")
    validity = validity_for(
        kind.cycle_rule,
        cycle=cycle,
        effective_on=parse_date_or_utc(effective) if effective else None,
        lapses_on=parse_date_or_utc(lapses) if lapses else None,
    )
    source = open_bundle(existing_path(folder))
    with desk.stoppable():
        manifest = source.take_in(desk.throttle, desk.stopped)
    desk.end_progress()
    taken_in = Bundle(
        name=name or _name_for(kind_name, validity.cycle, folder),
        kind=kind,
        validity=validity,
        source=source.location,
        source_form=source.form,
        manifest_sha256=digest(manifest),
        file_count=len(manifest.entries),
        total_bytes=manifest.total_bytes,
        taken_in_at=desk.clock.now(),
        units=tuple((unit.aircraft, unit.name) for unit in map(desk.records.find_unit, units)),
        least_software=least_software,
    )
    desk.records.add_bundle(taken_in, manifest)
    desk.out.text(
        f"Took in bundle {taken_in.name}: {taken_in.file_count} files, {format_bytes(taken_in.total_bytes)}.",
        f"In force: {describe_validity(validity)} (as you stated; check it against what came with the data).",
        f"Next: mediaprep write {taken_in.name} --on CARD-PATH --for UNIT",
    )
    desk.out.result(bundle=taken_in)


@bundle.command("show")
@click.argument("name")
@json_option
@pass_desk
def show_bundle(desk: Desk, name: str) -> None:
    """Show one bundle and its manifest, in the form that 'sha256sum -c' reads."""
    from mediaprep.manifest import to_text

    found = desk.records.bundle(name)
    manifest = desk.records.manifest(name)
    if not desk.out.json_lines:
        click.echo(to_text(manifest), nl=False)
    desk.out.result(bundle=found, files=manifest.entries)


def _name_for(kind: str, cycle: str | None, folder: str) -> str:
    return f"{kind}-{cycle}" if cycle else existing_path(folder).name
