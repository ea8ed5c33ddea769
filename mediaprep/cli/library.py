"""`mediaprep bundle check`, `remove` and `tidy`: keep the library of bundles true and small."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import click

from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.errors import BundleInUse, MediaPrepError, SourceChanged, Usage
from mediaprep.model import Bundle, Whereabouts
from mediaprep.quantities import format_bytes

if TYPE_CHECKING:
    from mediaprep.intake import Changes


def places_of(desk: Desk, bundles: Sequence[Bundle]) -> tuple[Whereabouts, ...]:
    """Return where bundles are now, in their order."""
    from mediaprep.library import whereabouts

    aircraft = [one.name for one in desk.records.aircraft_list()]
    return whereabouts(
        bundles,
        on_cards=desk.records.cards_of_bundles(),
        units=[unit for name in aircraft for unit in desk.records.units(name)],
        kinds=desk.records.kinds(),
        loads=[load for name in aircraft for load in desk.records.loads(name)],
        at=desk.clock.now(),
    )


@click.command("check")
@click.argument("name", required=False)
@click.option("--all", "everything", is_flag=True, help="Check every bundle in the library.")
@json_option
@pass_desk
def check_bundles(desk: Desk, name: str | None, everything: bool) -> None:
    """Read a bundle's files again, every byte, and say what changed since it was taken in."""
    from mediaprep.library import require_in_library

    if (name is None) is not everything:
        message = "Name one bundle, or say --all"
        raise Usage(message, remedy="mediaprep bundle check NAME, or mediaprep bundle check --all")
    bundles = desk.records.bundles() if name is None else (require_in_library(desk.records.bundle(name)),)
    answers: list[dict[str, object]] = []
    bad: list[str] = []
    with desk.stoppable():
        for bundle in bundles:
            # One from before these records, entered from a list, has no files to look at.
            if bundle.file_count:
                answer, is_good = _check(desk, bundle, one_only=name is not None)
                answers.append(answer)
                bad += [] if is_good else [bundle.name]
    if bad:
        message = f"Changed since it was taken in, or not to be read: {', '.join(bad)}"
        error = SourceChanged(message)
        desk.out.failure(error, checked=answers)
        desk.exit_code = error.exit_code
        return
    desk.out.result(checked=answers)


def _check(desk: Desk, bundle: Bundle, *, one_only: bool) -> tuple[dict[str, object], bool]:
    from mediaprep.bundles import open_recorded
    from mediaprep.errors import Interrupted
    from mediaprep.intake import changes_since

    try:
        source = open_recorded(bundle.source, lenient=True)
        manifest = desk.records.manifest(bundle.name)
        changes = changes_since(manifest, source, progress=desk.throttle, cancelled=desk.stopped)
    except Interrupted:
        raise
    except MediaPrepError as error:
        if one_only:
            raise
        desk.end_progress()
        desk.out.text(f"{bundle.name}: {error}")
        return {"bundle": bundle.name, "code": error.code, "message": str(error)}, False
    desk.end_progress()
    _tell(desk, bundle, changes)
    return {"bundle": bundle.name, "code": SourceChanged.code if changes else None, "changes": changes}, not changes


def _tell(desk: Desk, bundle: Bundle, changes: Changes) -> None:
    if not changes:
        desk.out.text(f"{bundle.name}: all {bundle.file_count} files are as they were taken in.")
        return
    desk.out.text(f"{bundle.name}: changed since it was taken in.")
    for word, paths in (("differs", changes.differing), ("missing", changes.missing), ("new", changes.new)):
        for path in paths:
            desk.out.text(f"  {word:8} {path}")


@click.command("remove")
@click.argument("name")
@click.option("--even-in-use", is_flag=True, help="Also where a card in service holds it or a unit goes by it.")
@json_option
@pass_desk
def remove_bundle(desk: Desk, name: str, even_in_use: bool) -> None:
    """Take a bundle out of the library. Your files are not touched, and the logbook and receipts stay as they are."""
    from mediaprep.library import require_in_library

    found = require_in_library(desk.records.bundle(name))
    (place,) = places_of(desk, [found])
    if place.in_use and not even_in_use:
        where = [f"card {card}" for card in place.cards] + [f"unit {'/'.join(unit)}" for unit in place.units]
        message = f"Bundle {name} is in use: {', '.join(where)}"
        raise BundleInUse(message)
    desk.records.remove_bundles([name], at=desk.clock.now())
    desk.out.text(f"Bundle {name} is out of the library.", _yours(found))
    desk.out.result(removed=[name])


@click.command("tidy")
@click.option(
    "--keep", type=click.IntRange(min=1), required=True, metavar="N", help="How many bundles of each kind stay."
)
@click.option("--even-in-use", is_flag=True, help="Also those that a card in service holds or a unit goes by.")
@click.option("--dry-run", is_flag=True, help="Only say what would go.")
@json_option
@pass_desk
def tidy_bundles(desk: Desk, keep: int, even_in_use: bool, dry_run: bool) -> None:
    """Take all but the newest N bundles of each kind out of the library. Your files are not touched.

    Bundles that were bought for different units are counted apart. What a card in service holds, or a unit goes by or
    waits for, stays.
    """
    from mediaprep.library import plan_tidy

    bundles = desk.records.bundles()
    plan = plan_tidy(bundles, places_of(desk, bundles), keep=keep, even_in_use=even_in_use)
    if plan.remove and not dry_run:
        desk.records.remove_bundles([one.name for one in plan.remove], at=desk.clock.now())
    verb = "Would go" if dry_run else "Gone"
    for one in plan.remove:
        desk.out.text(f"{verb}: {one.name}. {_yours(one)}")
    for one in plan.kept_in_use:
        desk.out.text(f"Stays, as it is in use: {one.name}.")
    if not plan.remove:
        desk.out.text(f"Nothing to remove: no kind has more than {keep} that are not in use.")
    desk.out.result(
        dry_run=dry_run,
        removed=[one.name for one in plan.remove],
        kept_in_use=[one.name for one in plan.kept_in_use],
        sources=[one.source for one in plan.remove],
    )


def _yours(bundle: Bundle) -> str:
    return f"Its files are yours to keep or delete: {bundle.source} ({format_bytes(bundle.total_bytes)})."
