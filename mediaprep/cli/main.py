"""The command `mediaprep`: its group, and the one place where errors become exit codes."""

from __future__ import annotations

import sys
import traceback

import click

from mediaprep import __version__
from mediaprep.cli.bundles import bundle
from mediaprep.cli.cards import cards
from mediaprep.cli.demo import demo
from mediaprep.cli.desk import Desk
from mediaprep.cli.jobs import check, install, verify, write
from mediaprep.cli.log import log
from mediaprep.cli.panel import aircraft, unit
from mediaprep.cli.serve import serve
from mediaprep.cli.status import cycles, due, status
from mediaprep.errors import Interrupted, MediaPrepError, Usage


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
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

    It tracks dates and bytes; it does not decide airworthiness or legality. The equipment's manuals, the flight
    manual supplement, the operating limitations and the authority's rules govern. Check the dates the unit shows.
    """


for command in (demo, serve, cards, aircraft, unit, bundle, check, write, verify, install, status, due, cycles, log):
    cli.add_command(command)


def main(arguments: list[str], desk: Desk | None = None) -> int:
    """Run one command and return its exit code. Whatever happens, the last word is an error that names the way out."""
    desk = desk or Desk()
    # Set before parsing, so that a usage error too comes as JSON.
    desk.out.json_lines = "--json" in arguments
    try:
        cli.main(args=arguments, prog_name="mediaprep", standalone_mode=False, obj=desk)
    except click.exceptions.NoArgsIsHelpError as error:
        click.echo(error.format_message(), err=True)
        return Usage.exit_code
    except click.UsageError as error:
        hint = f"See '{error.ctx.command_path} --help'." if error.ctx else Usage.remedy
        return _fail(desk, Usage(error.format_message(), remedy=hint))
    except MediaPrepError as error:
        return _fail(desk, error)
    except (KeyboardInterrupt, click.Abort):
        return _fail(desk, Interrupted("Stopped from the keyboard"))
    except BrokenPipeError:
        # The reader of our output went away, as in `mediaprep log | head`: nothing is wrong.
        sys.stderr.close()
        return 0
    except Exception as error:  # noqa: BLE001 - the last resort: a bug must still end in a result line
        traceback.print_exc()
        return _fail(desk, MediaPrepError(f"{type(error).__name__}: {error}"))
    finally:
        desk.close()
    return desk.exit_code


def _fail(desk: Desk, error: MediaPrepError) -> int:
    desk.out.failure(error)
    return error.exit_code


def run() -> None:
    """Enter from the shell."""
    sys.exit(main(sys.argv[1:]))
