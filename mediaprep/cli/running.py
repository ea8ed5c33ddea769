"""Where errors become exit codes: one command is run, and whatever happens, its last word names the way out."""

from __future__ import annotations

import sys
import traceback

import click

from mediaprep.cli.desk import Desk
from mediaprep.errors import Interrupted, MediaPrepError, Usage


def run_command(group: click.Command, arguments: list[str], desk: Desk) -> int:
    """Run one command of a group at a desk, print its result or its error, and return its exit code. Never raises."""
    # Set before parsing, so that a usage error too comes as JSON.
    desk.out.json_lines = "--json" in arguments
    try:
        group.main(args=arguments, prog_name="mediaprep", standalone_mode=False, obj=desk)
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
