"""The command `mediaprep`."""

from __future__ import annotations

import sys

import click

from mediaprep import __version__
from mediaprep.cli.backup import backup, restore
from mediaprep.cli.bundles import bundle
from mediaprep.cli.calendar import calendar
from mediaprep.cli.cards import cards
from mediaprep.cli.demo import demo
from mediaprep.cli.desk import Desk
from mediaprep.cli.jobs import check, install, verify, write
from mediaprep.cli.lists import imports
from mediaprep.cli.log import log
from mediaprep.cli.panel import aircraft, unit
from mediaprep.cli.plan import plan
from mediaprep.cli.print import printing
from mediaprep.cli.receipt import receipt
from mediaprep.cli.remind import remind
from mediaprep.cli.running import run_command
from mediaprep.cli.serve import serve
from mediaprep.cli.stations import stations
from mediaprep.cli.status import cycles, due, status
from mediaprep.cli.transfer import export_aircraft, import_aircraft


class InOrder(click.Group):
    """A group that lists its commands as they were added: in the order of the job."""

    def list_commands(self, _context: click.Context) -> list[str]:
        """Return the commands' names, first things first."""
        return list(self.commands)


@click.group(cls=InOrder, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="mediaprep")
def cli() -> None:
    """Put data sets on the cards of an aircraft panel, prove every byte, and know when they lapse.

    \b
    The job, start to end:
      mediaprep aircraft add / unit add     say once what is in the panel
      mediaprep bundle add                  take in a folder of files you have
      mediaprep check / write               check everything, write, read back
      mediaprep install                     log the card to its unit
      mediaprep status / due                see what is current and what lapses
      mediaprep remind                      be told before it does

    It tracks dates and bytes; it does not decide airworthiness or legality. The equipment's manuals, the flight
    manual supplement, the operating limitations and the authority's rules govern. Check the dates the unit shows.
    """


for command in (
    demo,
    serve,
    stations,
    cards,
    aircraft,
    unit,
    bundle,
    check,
    write,
    verify,
    install,
    status,
    due,
    plan,
    calendar,
    remind,
    cycles,
    log,
    printing,
    receipt,
    imports,
    backup,
    restore,
):
    cli.add_command(command)

for command in (export_aircraft, import_aircraft):
    aircraft.add_command(command)


def main(arguments: list[str], desk: Desk | None = None) -> int:
    """Run one command as from the shell and return its exit code."""
    return run_command(cli, arguments, desk or Desk())


def run() -> None:
    """Enter from the shell."""
    sys.exit(main(sys.argv[1:]))
