"""`mediaprep stations`: the computers that share the records, when each was last seen, and what its clock says."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import click

from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.cli.words import describe_offset
from mediaprep.model import CLOCK_OFF_SECONDS, LOST_AFTER_SECONDS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from mediaprep.model import Station


@click.command(short_help="Computers that share the records: who is there, whose clock is off.")
@json_option
@pass_desk
def stations(desk: Desk) -> None:
    """List the computers that were ever at work on these records, and compare their clocks.

    A station is seen while it works on a card and while it serves. One that has a job at work and is not seen for
    five minutes counts as dead: its job is then closed by whoever looks next, and the card is unfit.
    """
    records = desk.records
    known = records.stations()
    desk.out.table(
        ("STATION", "LAST SEEN", "AT WORK ON", "CLOCK", "VERSION"),
        [
            (
                _name(station, records.computer),
                _ago(station.silent_seconds),
                ", ".join(f"job {number}" for number in station.jobs) or "-",
                f"{station.clock.ahead_seconds:+.1f} s" + (" OFF" if station.clock.off else ""),
                station.tool_version,
            )
            for station in known
        ],
        empty="None yet: a station is taken in when it first works on a card or serves.",
    )
    clock = records.clock_offset
    found = f"{clock.ahead_seconds:+.1f} s from that of the records, measured to within {clock.within_seconds:.1f} s"
    desk.out.text("", f"This station is {records.station}. Its clock differs by {found}.")
    for warning in _warnings(known):
        desk.out.paragraph(click.style("Warning: ", fg="yellow", bold=True) + warning)
    desk.out.result(
        stations=known,
        here={"name": records.station, "computer": records.computer, "clock": records.clock_offset},
        lost_after_seconds=LOST_AFTER_SECONDS,
        clock_off_seconds=CLOCK_OFF_SECONDS,
    )


def _warnings(known: Sequence[Station]) -> list[str]:
    names = Counter(station.name for station in known if not station.lost)
    return [
        *(
            f"The clock of {station.name} was {describe_offset(station.clock)} that of the records when it was last "
            "seen: times in its receipts and logbook entries are off by as much. Set it."
            for station in known
            if station.clock.off
        ),
        *(
            f"{count} computers at work are called {name}: nobody can tell from a receipt which of them it was. Give "
            "each a name of its own with MEDIAPREP_STATION."
            for name, count in names.items()
            if count > 1
        ),
    ]


def _name(station: Station, computer: str) -> str:
    return f"{station.name} (this computer)" if station.computer == computer else station.name


def _ago(seconds: float) -> str:
    for size, unit in ((86400, "d"), (3600, "h"), (60, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.0f} {unit} ago"
    return f"{seconds:.0f} s ago"
