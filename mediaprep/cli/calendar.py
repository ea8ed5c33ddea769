"""`mediaprep calendar`: an aircraft's dates for calendar programs, as a file or by subscription."""

from __future__ import annotations

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.cli.words import CAUTION, describe_instant
from mediaprep.errors import Usage

DEFAULT_PORT = 8437


@click.group(invoke_without_command=True, short_help="The dates for calendar programs.")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--out", metavar="FILE", help="Write it into a file, in the place of an earlier one of ours.")
@json_option
@click.pass_context
def calendar(context: click.Context, aircraft: str | None, out: str | None) -> None:
    """Show an aircraft's calendar: each change of cycle, and when what is loaded lapses, with alarms.

    A calendar program on a telephone keeps the dates and the alarms of a file, and reminds with this computer off.
    Written again, the file changes only the events that have changed.
    """
    if context.invoked_subcommand is not None:
        if aircraft or out:
            message = "The options before a subcommand of 'calendar' would have no effect"
            raise Usage(message, remedy="Write them after it, as in: mediaprep calendar address --aircraft NAME.")
        return
    from mediaprep.calendar import PRODID
    from mediaprep.cli.ourfiles import write_again
    from mediaprep.tracking import calendar_at

    desk = context.ensure_object(Desk)
    found = desk.aircraft(aircraft)
    content = calendar_at(desk.records, found.name, desk.clock.now()).decode()
    if out is None:
        desk.out.document(content)
        desk.out.result(aircraft=found.name, calendar=content, file=None)
        return
    path = existing_path(out)
    write_again(path, content, PRODID)
    desk.out.text(f"Calendar of {found.name}, {content.count('BEGIN:VEVENT')} events: {path}")
    desk.out.paragraph(CAUTION)
    desk.out.result(aircraft=found.name, calendar=None, file=str(path))


@calendar.command("address")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--port", default=DEFAULT_PORT, show_default=True, help="The port that 'mediaprep serve' uses.")
@json_option
@pass_desk
def address(desk: Desk, aircraft: str | None, port: int) -> None:
    """Give out the address of the feed, for a calendar program on this computer to subscribe to.

    The address is the key to the feed, so it is told once and only its digest is kept. Lost it: see 'renew'.
    """
    found = desk.aircraft(aircraft)
    given_out_at = desk.records.calendar_given_out_at(found.name)
    if given_out_at is not None:
        desk.out.paragraph(
            f"The feed of {found.name} was given an address on {describe_instant(given_out_at)} UTC. It is not kept "
            "here, so it cannot be shown again: look it up where you subscribed, or have a new one made with "
            "'mediaprep calendar renew'."
        )
        desk.out.result(aircraft=found.name, address=None, given_out_at=given_out_at)
        return
    _give_out(desk, found.name, port)


@calendar.command("renew")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--port", default=DEFAULT_PORT, show_default=True, help="The port that 'mediaprep serve' uses.")
@json_option
@pass_desk
def renew(desk: Desk, aircraft: str | None, port: int) -> None:
    """Give the feed a new address; the old one opens nothing from then on."""
    _give_out(desk, desk.aircraft(aircraft).name, port)


def _give_out(desk: Desk, aircraft: str, port: int) -> None:
    now = desk.clock.now()
    token = desk.records.renew_calendar_token(aircraft, at=now)
    shown = f"http://127.0.0.1:{port}/calendar/{token}.ics"
    desk.out.text(
        f"The calendar of {aircraft}, for programs on this computer while 'mediaprep serve' runs:", f"  {shown}"
    )
    desk.out.paragraph("Whoever has this address can read the dates. It is shown this once.")
    desk.out.result(aircraft=aircraft, address=shown, given_out_at=now)
