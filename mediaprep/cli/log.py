"""`mediaprep log`: an aircraft's logbook, and the proof that nobody changed it."""

from __future__ import annotations

import json

import click

from mediaprep import logchain
from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.logtext import describe


@click.group(invoke_without_command=True, short_help="The logbook, and the proof that nobody changed it.")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--last", type=click.IntRange(min=1), help="Only the last so many entries.")
@json_option
@click.pass_context
def log(context: click.Context, aircraft: str | None, last: int | None) -> None:
    """Show an aircraft's logbook: what was written, installed, accepted, rejected."""
    if context.invoked_subcommand is not None:
        return
    desk = context.ensure_object(Desk)
    found = desk.aircraft(aircraft)
    after = max(0, desk.records.log_head(found.name).entries - last) if last else 0
    shown = desk.records.log(found.name, after)
    desk.out.table(
        ("NO", "TIME (UTC)", "DIGEST", "WHAT"),
        [(str(entry.sequence), f"{entry.at:%Y-%m-%d %H:%M:%S}", entry.sha256[:8], describe(entry)) for entry in shown],
        empty=f"The logbook of {found.name} is empty.",
    )
    desk.out.result(
        entries=[{**json.loads(entry.body), "sequence": entry.sequence, "sha256": entry.sha256} for entry in shown]
    )


@log.command("verify")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--head", metavar="SHA256", help="The digest of the last entry you noted: shows whether the end was cut.")
@json_option
@pass_desk
def verify_log(desk: Desk, aircraft: str | None, head: str | None) -> None:
    """Check that no entry of the logbook was edited, removed, reordered or inserted."""
    found = desk.aircraft(aircraft)
    proven = desk.records.verify_log(found.name, head)
    digest = proven.sha256 if proven.entries else None
    desk.out.text(f"The logbook of {found.name} is whole: {proven.entries} entries.")
    if digest:
        desk.out.text(f"Head digest, to note on paper: {digest}")
    desk.out.result(aircraft=found.name, entries=proven.entries, head=digest)


@log.command("correct")
@click.argument("number", type=click.IntRange(min=1))
@click.argument("text")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@json_option
@pass_desk
def correct_log(desk: Desk, number: int, text: str, aircraft: str | None) -> None:
    """Say in a new entry what is wrong with the entry of a NUMBER. No entry is ever changed or removed."""
    found = desk.aircraft(aircraft)
    entry = desk.records.correct_log(found.name, number, text, at=desk.clock.now())
    desk.out.text(f"Entry {entry.sequence} of the logbook of {found.name} now corrects entry {number}.")
    desk.out.result(entry={**json.loads(entry.body), "sequence": entry.sequence, "sha256": entry.sha256})


@log.command("export")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--format", "form", required=True, type=click.Choice(["csv", "jsonl", "html", "pdf"]), help="Which form.")
@click.option("--out", required=True, metavar="FILE", type=click.Path(), help="A new file.")
@json_option
@pass_desk
def export_log(desk: Desk, aircraft: str | None, form: str, out: str) -> None:
    """Export the logbook, after checking its chain: for a spreadsheet, for programs, or to print.

    The JSON lines hold all that is needed to check the chain without mediaprep.
    """
    from mediaprep.export import log_to_csv, log_to_json_lines
    from mediaprep.outfile import refuse_existing, write_new

    found = desk.aircraft(aircraft)
    entries = desk.records.log(found.name)
    head = logchain.verify(entries)
    path = existing_path(out)
    if form in {"html", "pdf"}:
        from mediaprep.cli.print import save
        from mediaprep.printing import content

        save(
            desk,
            content.logbook(found, entries, head=head, at=desk.clock.now()),
            out,
            letter=False,
            form=form,
        )
        return
    refuse_existing(path)
    lines = log_to_csv(entries) if form == "csv" else log_to_json_lines(entries)
    write_new(path, (line.encode() for line in lines))
    desk.out.text(f"Exported {head.entries} entries of the logbook of {found.name} to {path}")
    desk.out.result(file=str(path), entries=head.entries, head=head.sha256)
