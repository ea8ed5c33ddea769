"""`mediaprep plan`: when the next sets can be loaded, in the fewest visits to the aircraft."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date

import click

from mediaprep.cli import timeline
from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.cli.words import CAUTION
from mediaprep.model import LoadWindow, PanelStatus, Visit, VisitPlan

LONGEST_LEAD_DAYS = 366


@click.command(short_help="When to load the next sets, in the fewest visits.")
@click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
@click.option(
    "--lead",
    default=28,
    show_default=True,
    type=click.IntRange(0, LONGEST_LEAD_DAYS),
    metavar="DAYS",
    help="How many days before it takes effect you can have a set.",
)
@click.option("--months", default=12, show_default=True, type=click.IntRange(1, 60), help="How far to look ahead.")
@click.option("--svg", metavar="FILE", help="Also draw it into a file that a browser shows.")
@json_option
@pass_desk
def plan(desk: Desk, aircraft: str | None, lead: int, months: int, svg: str | None) -> None:
    """Plan the fewest visits to the aircraft that keep every set current, from how the panel stands now.

    Any day from the first to the last of a visit will do for all its loads. A set counts as loaded in time up to the
    last whole day, in UTC, before the one in the unit lapses. Days when a set can be had are an assumption: change it
    with --lead, and see what your supplier says.
    """
    from mediaprep.tracking import panel_at, plan_for

    panel = panel_at(desk.records, desk.aircraft(aircraft).name, desk.clock.now())
    made = plan_for(desk.records, panel, lead_days=lead, months=months)
    picture = _save(svg, panel, made)
    desk.out.heading(f"Visits to {made.aircraft} until {made.until}, each set to be had {made.lead_days} days ahead")
    if panel.kinds:
        _draw(desk, panel, made)
    desk.out.text("")
    desk.out.table(
        ("VISIT", "ON ANY DAY OF", "UNIT", "LOAD"),
        [row for number, visit in enumerate(made.visits, start=1) for row in _rows(number, visit)],
        empty="Nothing has to be loaded.",
    )
    if picture:
        desk.out.text("", f"Drawn into {picture}")
    desk.out.paragraph(CAUTION)
    desk.out.result(plan=made, picture=picture)


def _save(svg: str | None, panel: PanelStatus, made: VisitPlan) -> str | None:
    from mediaprep.cli.pictures import save_picture

    return save_picture(svg, panel, made) if svg else None


def _draw(desk: Desk, panel: PanelStatus, made: VisitPlan) -> None:
    plain = not timeline.draws_blocks()
    columns = timeline.Columns.of(panel)
    today = panel.at.astimezone(UTC).date()
    scale = timeline.ahead(panel.at, (made.until - today).days + 1)
    desk.out.text(columns.line("UNIT", "KIND", "CYCLE", timeline.axis(scale)))
    for one in panel.kinds:
        bar = timeline.load_bar(one, made.visits, scale, plain=plain)
        desk.out.text(columns.line(one.unit, one.kind, timeline.cycle_of(one), bar))
    desk.out.text(columns.line("visit", "", "", timeline.visit_line(made.visits, scale)).rstrip())
    desk.out.text("", timeline.plan_legend(plain=plain))


def _rows(number: int, visit: Visit) -> Iterator[tuple[str, str, str, str]]:
    """Yield a visit's rows, one for each load; only the first names the visit and its days."""
    first = (str(number), _days(visit.first_day, visit.last_day))
    for window in visit.windows:
        yield *first, window.unit, _load(window)
        first = ("", "")


def _days(first: date, last: date) -> str:
    return f"{first}" if first == last else f"{first} to {last}"


def _load(window: LoadWindow) -> str:
    cycle = window.validity.cycle if window.validity is not None else None
    return " ".join(filter(None, [window.kind, cycle, "(late)" if window.late else None]))
