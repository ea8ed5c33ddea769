"""`mediaprep status`, `due` and `cycles`: what is current, what lapses when, and the grid of cycles."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime, time, timedelta
from itertools import islice

import click

from mediaprep.cli import timeline
from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.cli.output import line_width
from mediaprep.cli.words import CAUTION, CURRENCY_STYLE, describe_instant
from mediaprep.errors import Usage
from mediaprep.model import CycleRule, CycleScheme, KindStatus, PanelStatus, Trip, Validity
from mediaprep.quantities import parse_date_or_utc, parse_utc
from mediaprep.wire import Json, object_to_wire


@click.command(short_help="What each unit holds, and until when.")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--at", "instant", metavar="DATE", help="As of another date or time (UTC), such as the day of a trip.")
@click.option(
    "--from", "start", metavar="DATE", help="With --to: whether anything lapses on a trip; without: from now."
)
@click.option("--to", "end", metavar="DATE", help="The last day of the trip (UTC, whole), or the time of its end.")
@click.option("--svg", metavar="FILE", help="Also draw it into a file that a browser shows.")
@json_option
@pass_desk
def status(
    desk: Desk, aircraft: str | None, instant: str | None, start: str | None, end: str | None, svg: str | None
) -> None:
    """Show what each unit of the panel holds, and until when.

    With --from and --to it shows whether anything lapses on a trip, as the panel is loaded now.
    """
    from mediaprep.tracking import panel_at

    _refuse_two_questions(instant, start, end)
    at = parse_utc(start or instant or "") if start or instant else desk.clock.now()
    until = _end_of(end, at) if end else None
    panel = panel_at(desk.records, desk.aircraft(aircraft).name, at)
    picture = _save(svg, panel)
    asked = f"from {describe_instant(at)} to {end}" if until else f"at {describe_instant(at)}"
    desk.out.heading(f"Panel of {panel.aircraft} {asked} UTC")
    if not panel.kinds:
        desk.out.text("No unit yet. Add one: mediaprep unit add AIRCRAFT/UNIT --kind KIND --rule RULE")
    _draw(desk, panel, until)
    _tell_differences(desk, panel)
    more = _tell_trip(desk, panel, until) if until else {}
    if until is None and panel.next_step is not None:
        desk.out.paragraph(click.style("Next: ", bold=True) + timeline.describe_step(panel.next_step))
    if picture:
        desk.out.text(f"Drawn into {picture}")
    desk.out.paragraph(CAUTION)
    desk.out.result(status=panel, picture=picture, **more)


@click.command(short_help="What lapses soon, soonest first.")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option("--all-aircraft", "every", is_flag=True, help="Of all aircraft in the records.")
@click.option("--within", default=28, show_default=True, type=click.IntRange(min=0), help="How many days ahead.")
@json_option
@pass_desk
def due(desk: Desk, aircraft: str | None, every: bool, within: int) -> None:
    """List what lapses soon, has lapsed, or was never loaded: the next things to do, soonest first."""
    from mediaprep.status import due as due_by
    from mediaprep.tracking import fleet_at, panel_at

    if aircraft is not None and every:
        message = "--aircraft and --all-aircraft exclude each other"
        raise Usage(message, remedy="Leave one of them out.")
    now = desk.clock.now()
    panels = fleet_at(desk.records, now) if every else [panel_at(desk.records, desk.aircraft(aircraft).name, now)]
    before = now + timedelta(days=within)
    late = [(panel, one) for panel in panels for one in due_by(panel.kinds, before)]
    late.sort(key=lambda found: (found[1].lapses_at is not None, found[1].lapses_at or before))
    desk.out.table(
        (*(["AIRCRAFT"] if every else []), "UNIT", "KIND", "CYCLE", "STATUS"),
        [
            (
                *([panel.aircraft] if every else []),
                *(one.unit, one.kind, timeline.cycle_of(one), timeline.describe(one, now)),
            )
            for panel, one in late
        ],
        empty=f"Nothing lapses within {within} days.",
    )
    desk.out.paragraph(CAUTION)
    desk.out.result(due=[_with_aircraft(panel, one) for panel, one in late], within_days=within)


@click.command(short_help="The AIRAC grid, or one cycle of it.")
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


# --- what was asked --------------------------------------------------------------------------------------------------


def _refuse_two_questions(instant: str | None, start: str | None, end: str | None) -> None:
    if instant is not None and (start or end):
        message = "--at asks for one instant, --from and --to for a trip"
        raise Usage(message, remedy="Leave out one or the other.")
    if start is not None and end is None:
        message = "The end of the trip is missing"
        raise Usage(message, remedy="Say it with --to DATE, or ask for one instant with --at.")


def _end_of(text: str, start: datetime) -> datetime:
    """Return the end of a trip, included: of a date the last instant of that day."""
    stated = parse_date_or_utc(text)
    end = stated if isinstance(stated, datetime) else datetime.combine(stated, time.max, UTC)
    if end <= start:
        message = f"The trip would end on {text}, before it begins at {describe_instant(start)}"
        raise Usage(message, remedy="Say its first day with --from and its last with --to.")
    return end


# --- what is shown ---------------------------------------------------------------------------------------------------


# How wide a bar may be drawn, in columns of the terminal.
LEAST_COLUMNS, MOST_COLUMNS = 28, 40


def _draw(desk: Desk, panel: PanelStatus, until: datetime | None) -> None:
    plain, columns = not timeline.draws_blocks(), timeline.Columns.of(panel)
    longest = max((len(timeline.describe(one, panel.at)) for one in panel.kinds), default=0)
    room = line_width() - columns.width
    # In a narrow terminal the words go below the bar, so that neither is broken.
    beside = room - longest - 2 >= LEAST_COLUMNS
    scale = timeline.around(panel.at, max(LEAST_COLUMNS, min(MOST_COLUMNS, room - longest - 2 if beside else room)))
    marks = [panel.at, *([until] if until else [])]
    desk.out.text(columns.line("UNIT", "KIND", "CYCLE", timeline.axis(scale)))
    for one in panel.kinds:
        words = click.style(timeline.describe(one, panel.at), fg=CURRENCY_STYLE[one.currency])
        picture = timeline.bar(one, scale, marks, plain=plain)
        below = f"  {words}" if beside else f"\n    {words}"
        desk.out.text(columns.line(one.unit, one.kind, timeline.cycle_of(one), f"{picture}{below}"))
    mark = "the trip's first and last day" if until else "now"
    desk.out.text("", timeline.legend(plain=plain, mark=mark))


def _tell_differences(desk: Desk, panel: PanelStatus) -> None:
    for kind, held in panel.split_kinds:
        parts = ", ".join(f"{unit} holds {cycle}" for unit, cycle in held)
        desk.out.text(click.style("Different cycles", fg="yellow", bold=True) + f" of {kind}: {parts}.")
    if any(one.load is not None and one.load.simulated for one in panel.kinds):
        desk.out.text("Some of these loads came from simulated cards.")


def _tell_trip(desk: Desk, panel: PanelStatus, until: datetime) -> dict[str, Sequence[KindStatus]]:
    from mediaprep.status import trip

    found: Trip = trip(panel, until)
    for title, colour, concerned in (
        ("Not in force when the trip begins", "red", found.not_in_force),
        ("Lapses during the trip", "red", found.lapses),
        ("Another set takes over during the trip", "yellow", found.changes),
    ):
        if concerned:
            parts = ", ".join(f"{one.unit} {one.kind} ({_when(one, found)})" for one in concerned)
            desk.out.paragraph(click.style(title, fg=colour, bold=True) + f": {parts}.")
    if found.changes:
        desk.out.paragraph("Compare the charts and procedures in use with what is then in force.")
    if not (found.not_in_force or found.lapses):
        desk.out.text(
            click.style("Nothing lapses during the trip", fg="green", bold=True) + ", as the panel is loaded."
        )
    return {
        "lapses_during": found.lapses,
        "changes_during": found.changes,
        "not_in_force_at_start": found.not_in_force,
    }


def _when(status: KindStatus, found: Trip) -> str:
    if status in found.changes and status.next_load is not None:
        return f"{timeline.cycle_of(status)}, then {describe_instant(status.next_load.validity.effective_at)}"
    if status in found.lapses:
        return f"on {describe_instant(status.lapses_at)}"
    return timeline.describe(status, found.start)


def _save(svg: str | None, panel: PanelStatus) -> str | None:
    from mediaprep.cli.pictures import save_picture

    return save_picture(svg, panel) if svg else None


def _with_aircraft(panel: PanelStatus, status: KindStatus) -> dict[str, Json]:
    return {"aircraft": panel.aircraft, **object_to_wire(status)}


def _tense(validity: Validity, now: datetime) -> str:
    if validity.effective_at is not None and now < validity.effective_at:
        return "to come"
    if validity.lapses_at is not None and now >= validity.lapses_at:
        return "over"
    return "in force now"
