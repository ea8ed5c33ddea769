"""`mediaprep import`: units, cards and past loads from lists that were kept elsewhere."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.cli.words import describe_validity
from mediaprep.errors import ImportInvalid
from mediaprep.model import Finding, Result

if TYPE_CHECKING:
    from mediaprep.csvfile import Problem

_SHOWN = 200


@click.group("import", short_help="Take in lists of units, cards and past loads.")
@json_option
def imports() -> None:
    """Take in lists (CSV with a header) of units, cards and past loads: all rows, or none."""


def _list_command(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command its file and `--dry-run`."""
    dry_run = click.option("--dry-run", is_flag=True, help="Check every row and write nothing.")
    file = click.argument("file", type=click.Path())
    return file(dry_run(json_option(pass_desk(function))))


@imports.command("units")
@_list_command
def import_units(desk: Desk, file: str, dry_run: bool) -> None:
    """Take in the units of FILE: aircraft, unit, kinds, rule; and if you have them title, slots, software.

    Several kinds or slots in one cell are separated by ';' or '|'. An aircraft that is new is added.
    """
    from mediaprep.lists import read_units

    path, text = _read(file)
    sheet = read_units(text, desk.records.known_to_lists(), path.name)
    _refuse(desk, path, sheet.problems)
    if not dry_run:
        desk.records.import_units(sheet.values)
    desk.out.table(
        ("UNIT", "TAKES", "MEDIA RULE"),
        [(unit.label, ", ".join(unit.kinds), unit.rule.name) for unit in sheet.values],
        empty="",
    )
    _end(desk, "units", sheet.values, dry_run=dry_run)


@imports.command("cards")
@_list_command
def import_cards(desk: Desk, file: str, dry_run: bool) -> None:
    """Take in the cards of FILE: card; and if you have them capacity and first_seen.

    No reader has seen these yet. The first card that you write with --card NAME is then the one of that name.
    """
    from mediaprep.lists import read_cards

    path, text = _read(file)
    sheet = read_cards(text, desk.records.known_to_lists(), path.name)
    _refuse(desk, path, sheet.problems)
    if not dry_run:
        desk.records.import_cards(sheet.values, at=desk.clock.now())
    desk.out.text(*(card.name for card in sheet.values))
    _end(desk, "cards", sheet.values, dry_run=dry_run)


@imports.command("loads")
@_list_command
def import_loads(desk: Desk, file: str, dry_run: bool) -> None:
    """Take in the past loads of FILE, each with a logbook entry that says it was imported.

    Needed: aircraft, unit, card, kind, accepted (date or time, UTC). If you have them: cycle, effective, lapses,
    bundle, slot, shown_until, hours, note.
    """
    from mediaprep.lists import read_loads

    path, text = _read(file)
    now = desk.clock.now()
    sheet = read_loads(text, desk.records.known_to_lists(), path.name, now=now)
    _refuse(desk, path, sheet.problems)
    if not dry_run:
        desk.records.import_loads(sheet.values, at=now)
    desk.out.table(
        ("ACCEPTED", "UNIT", "CARD", "SET", "IN FORCE (UTC)"),
        [
            (
                f"{load.accepted_at:%Y-%m-%d}",
                f"{load.aircraft}/{load.unit}",
                load.card,
                load.bundle,
                describe_validity(load.validity),
            )
            for load in sheet.values
        ],
        empty="",
    )
    _end(desk, "loads", sheet.values, dry_run=dry_run)


def _read(file: str) -> tuple[Path, str]:
    path = existing_path(file)
    try:
        return path, path.read_bytes().decode("utf-8-sig")
    except OSError as error:
        message = f"{path} cannot be read: {error.strerror}"
        raise ImportInvalid(message, remedy="Name a CSV file that is there.") from error
    except UnicodeDecodeError as error:
        line = error.object[: error.start].count(b"\n") + 1
        message = f"{path.name}, line {line}: this is not UTF-8 text"
        raise ImportInvalid(message, remedy="Save it again as CSV in UTF-8.") from error


def _refuse(desk: Desk, path: Path, problems: Sequence[Problem]) -> None:
    """Tell every problem of a list, and raise ImportInvalid where there is one."""
    if not problems:
        return
    desk.out.findings(
        [
            Finding("import.row", Result.REFUSE, f"{path.name}, {one.place}", one.text, one.remedy)
            for one in problems[:_SHOWN]
        ]
    )
    rows = len({one.line for one in problems})
    more = f", the first {_SHOWN} of them above" if len(problems) > _SHOWN else ""
    what = "1 row cannot" if rows == 1 else f"{rows} rows cannot"
    message = f"{path.name}: {what} be taken in ({len(problems)} problems{more}); nothing was written"
    raise ImportInvalid(message, remedy="Mend each row that is named, then run the command again.")


def _end(desk: Desk, what: str, values: Sequence[object], *, dry_run: bool) -> None:
    count = f"{len(values)} {what}"
    desk.out.text(f"{count} could be taken in; nothing was written." if dry_run else f"Took in {count}.")
    desk.out.result(rows=len(values), written=not dry_run)
