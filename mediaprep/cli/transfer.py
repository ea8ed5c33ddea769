"""`mediaprep aircraft export` and `import`: a whole aircraft's records as one bag."""

from __future__ import annotations

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk


@click.command("export")
@click.argument("name")
@click.option("--out", required=True, metavar="PATH", type=click.Path(), help="A new folder, or a new file.zip.")
@json_option
@pass_desk
def export_aircraft(desk: Desk, name: str, out: str) -> None:
    """Export all the records of the aircraft NAME as one bag (RFC 8493), a folder or a zip.

    In it: units, rules, kinds, loads, logbook, receipts, cards, and the manifests of bundles, but not their files. The
    records here stay as they are: go on with one of the two only, or the logbooks will part.
    """
    from mediaprep.aircraftbag import to_bag
    from mediaprep.bagfile import write_bag
    from mediaprep.records.tables import SCHEMA_REVISION

    rows = desk.records.export_aircraft(name)
    path = existing_path(out)
    write_bag(to_bag(rows, aircraft=name, form=SCHEMA_REVISION), path, name=name)
    desk.out.text(f"Exported {name} to {path}: {len(rows['loads'])} loads, {len(rows['logbook'])} logbook entries.")
    desk.out.text("Go on in one place only: entries that are added in both give two logbooks that cannot be joined.")
    desk.out.result(path=str(path), rows={table: len(found) for table, found in rows.items()})


@click.command("import")
@click.argument("bag", metavar="PATH", type=click.Path())
@json_option
@pass_desk
def import_aircraft(desk: Desk, bag: str) -> None:
    """Take in an aircraft from the bag at PATH, after proving every file of it and its logbook's chain.

    Its cards count as unproven here until they are read back: 'mediaprep verify'. Numbers of loads and receipts are
    kept, so records that have given them out already refuse it.
    """
    from mediaprep.aircraftbag import from_bag
    from mediaprep.bagfile import read_bag
    from mediaprep.records.tables import SCHEMA_REVISION
    from mediaprep.records.transfer import TABLES

    path = existing_path(bag)
    rows = from_bag(read_bag(path), list(TABLES), form=SCHEMA_REVISION, name=path.name)
    found = desk.records.import_aircraft(rows, path.name)
    desk.out.text(
        f"Took in {found.name}: {len(rows['loads'])} loads, {len(rows['logbook'])} logbook entries, all whole."
    )
    desk.out.text("Its cards count as unproven here until you read them back: mediaprep verify PATH")
    desk.out.result(aircraft=found, rows={table: len(one) for table, one in rows.items()})
