"""`mediaprep log`: an aircraft's logbook, and the proof that nobody changed it."""

from __future__ import annotations

import json

import click

from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.model import LogEntry


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
    entries = desk.records.log(found.name)
    shown = entries[-last:] if last else entries
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
    desk.records.verify_log(found.name, head)
    entries = desk.records.log(found.name)
    digest = entries[-1].sha256 if entries else None
    desk.out.text(f"The logbook of {found.name} is whole: {len(entries)} entries.")
    if digest:
        desk.out.text(f"Head digest, to note on paper: {digest}")
    desk.out.result(aircraft=found.name, entries=len(entries), head=digest)


def describe(entry: LogEntry) -> str:
    """Return an entry as one line."""
    body = json.loads(entry.body)
    held = ", ".join(one["bundle"] for one in body["bundles"]) if "bundles" in body else body.get("bundle")
    said = f"{str(body['kind']).replace('-', ' ')}: {held} on card {body.get('card')} for unit {body.get('unit')}"
    details = [f"receipt {body['receipt']}"] if body.get("receipt") else []
    details += [str(body[key]) for key in ("slot", "verdict", "reason") if body.get(key)]
    details += ["simulated"] if body.get("simulated") else []
    return f"{said} ({'; '.join(details)})"
