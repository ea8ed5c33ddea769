"""`mediaprep backup` and `restore`: the records as one file that is proven whole, and back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.errors import Usage
from mediaprep.quantities import format_bytes

if TYPE_CHECKING:
    from mediaprep.records.backup import Proven


@click.command(short_help="Copy the records into one file, and prove it.")
@click.argument("file", type=click.Path())
@json_option
@pass_desk
def backup(desk: Desk, file: str) -> None:
    """Copy the records into a new FILE while work goes on, then prove it: every page, every logbook's chain."""
    from mediaprep.records.backup import back_up

    path = existing_path(file)
    proven = back_up(desk.settings, path, clock=desk.clock)
    desk.out.text(f"Backed up to {path} ({format_bytes(proven.size_bytes)}).", *_told(proven))
    desk.out.result(file=str(path), size_bytes=proven.size_bytes, logbooks=dict(proven.logbooks))


@click.command(short_help="Put a backup in the place of the records.")
@click.argument("file", required=False, type=click.Path())
@click.option("--aside", is_flag=True, help="Only move the records aside, whole or damaged, and begin new ones.")
@json_option
@pass_desk
def restore(desk: Desk, file: str | None, aside: bool) -> None:
    """Prove the backup FILE, and put it in the place of the records; the old ones are kept under another name.

    Refused while another mediaprep on this computer has the records open.
    """
    from mediaprep.records.backup import move_aside
    from mediaprep.records.backup import restore as put_back

    if (file is None) != aside:
        message = "Say either which FILE to restore, or --aside"
        raise Usage(message, remedy="mediaprep restore FILE, or mediaprep restore --aside.")
    if file is None:
        moved = move_aside(desk.settings, at=desk.clock.now())
        desk.out.text(f"Moved the records to {moved}." if moved else "There are no records to move.")
        desk.out.text("The next command begins new ones.")
        desk.out.result(aside=str(moved) if moved else None)
        return
    path = existing_path(file)
    proven, moved = put_back(desk.settings, path, clock=desk.clock)
    desk.out.text(f"Restored {path}.", *_told(proven))
    if moved:
        desk.out.text(f"The records that were there are now {moved}.")
    desk.out.text("What was done since that backup is not in it: read back each card that was written since.")
    desk.out.result(file=str(path), aside=str(moved) if moved else None, logbooks=dict(proven.logbooks))


def _told(proven: Proven) -> list[str]:
    return [f"  Logbook of {name}: {count} entries, all whole" for name, count in proven.logbooks]
