"""`mediaprep status`, `due` and `cycles`: what is current, what lapses when, and the grid of cycles."""

from __future__ import annotations

import sys
from datetime import datetime, timedelta
from itertools import islice

import click

from mediaprep.cli import timeline
from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.cli.words import CAUTION, CURRENCY_STYLE, describe_instant
from mediaprep.model import CycleRule, CycleScheme, KindStatus, PanelStatus, Validity
from mediaprep.quantities import parse_utc

SOON_DAYS = 7


@click.command(short_help="What each unit holds, and until when.")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--at", "instant", metavar="DATE", help="As of another date or time (UTC), such as the day of a trip.")
@json_option
@pass_desk
def status(desk: Desk, aircraft: str | None, instant: str | None) -> None:
    """Show what each unit of the panel holds, and until when."""
    panel = _panel(desk, aircraft, instant)
    plain = not _draws_blocks()
    desk.out.heading(f"Panel of {panel.aircraft} at {describe_instant(panel.at)} UTC")
    if not panel.kinds:
        desk.out.text("No unit yet. Add one: mediaprep unit add AIRCRAFT/UNIT --kind KIND --rule RULE")
    units, kinds = timeline.unit_width(panel), max([len("KIND"), *(len(one.kind) for one in panel.kinds)])
    cycles = max([len("CYCLE"), *(len(timeline.cycle_of(one)) for one in panel.kinds)])
    desk.out.text(f"{'UNIT':{units}}  {'KIND':{kinds}}  {'CYCLE':{cycles}}  {timeline.axis(panel.at)}")
    for one in panel.kinds:
        words = click.style(timeline.describe(one, panel.at), fg=CURRENCY_STYLE[one.currency])
        picture = timeline.bar(one, panel.at, plain=plain)
        desk.out.text(f"{one.unit:{units}}  {one.kind:{kinds}}  {timeline.cycle_of(one):{cycles}}  {picture}  {words}")
    desk.out.text("", timeline.legend(plain=plain))
    for kind, held in panel.split_kinds:
        parts = ", ".join(f"{unit} holds {cycle}" for unit, cycle in held)
        desk.out.text(click.style("Different cycles", fg="yellow", bold=True) + f" of {kind}: {parts}.")
    if any(one.load is not None and one.load.simulated for one in panel.kinds):
        desk.out.text("Some of these loads came from simulated cards.")
    desk.out.paragraph(CAUTION)
    desk.out.result(status=panel)


@click.command(short_help="What lapses soon or has lapsed: what to do next.")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--within", default=28, show_default=True, type=click.IntRange(min=0), help="How many days ahead.")
@json_option
@pass_desk
def due(desk: Desk, aircraft: str | None, within: int) -> None:
    """List what lapses soon, has lapsed, or was never loaded: the next things to do, soonest first."""
    from mediaprep.status import due as due_by

    panel = _panel(desk, aircraft, None)
    late: tuple[KindStatus, ...] = tuple(due_by(panel.kinds, panel.at + timedelta(days=within)))
    desk.out.table(
        ("UNIT", "KIND", "CYCLE", "STATUS"),
        [(one.unit, one.kind, timeline.cycle_of(one), timeline.describe(one, panel.at)) for one in late],
        empty=f"Nothing lapses within {within} days.",
    )
    desk.out.paragraph(CAUTION)
    desk.out.result(due=late, within_days=within)


@click.command(short_help="The dates of the AIRAC grid.")
@click.argument("identifier", required=False)
@click.option("--from", "start", metavar="DATE", help="From which date on; without: today.")
@click.option("--count", default=6, show_default=True, type=click.IntRange(1, 400), help="How many cycles.")
@click.option("--56", "every_56", is_flag=True, help="The 56-day grid in place of the 28-day one.")
@json_option
@pass_desk
def cycles(desk: Desk, identifier: str | None, start: str | None, count: int, every_56: bool) -> None:
    """List the cycles of the AIRAC grid, or the one with an IDENTIFIER such as 2613.

    The dates are computed (every 28 days; every second one for 56 days). A State may publish nothing on a date.
    """
    from mediaprep.cycles import cycles_between, validity_for

    rule = CycleRule(CycleScheme.GRID_56 if every_56 else CycleScheme.AIRAC_28)
    if identifier is not None:
        listed = [validity_for(rule, cycle=identifier, effective_on=None, lapses_on=None)]
    else:
        at = parse_utc(start) if start else desk.clock.now()
        # From the one in force at that instant on: look one cycle back, and further ahead than needed.
        span = cycles_between(rule, at - timedelta(days=56), at + timedelta(days=56 * count))
        listed = list(islice((one for one in span if one.lapses_at is None or one.lapses_at > at), count))
    now = desk.clock.now()
    desk.out.table(
        ("CYCLE", "EFFECTIVE", "UNTIL (not included)", ""),
        [
            (one.cycle or "-", describe_instant(one.effective_at), describe_instant(one.lapses_at), _tense(one, now))
            for one in listed
        ],
        empty="",
    )
    desk.out.text("Times of day differ between publishers (00:00 or 09:01 UTC): go by what came with the data.")
    desk.out.result(cycles=listed)


def _panel(desk: Desk, aircraft: str | None, instant: str | None) -> PanelStatus:
    from mediaprep.status import panel_status

    found = desk.aircraft(aircraft)
    at = parse_utc(instant) if instant else desk.clock.now()
    return panel_status(
        found.name,
        desk.records.units(found.name),
        desk.records.kinds(),
        desk.records.loads(found.name),
        at,
        soon_days=SOON_DAYS,
    )


def _tense(validity: Validity, now: datetime) -> str:
    if validity.effective_at is not None and now < validity.effective_at:
        return "to come"
    if validity.lapses_at is not None and now >= validity.lapses_at:
        return "over"
    return "in force now"


def _draws_blocks() -> bool:
    try:
        "".join(mark[0] for mark in (timeline.FULL, timeline.NEXT, timeline.GAP, timeline.NOW)).encode(
            sys.stdout.encoding or "ascii"
        )
    except UnicodeEncodeError:
        return False
    return True
