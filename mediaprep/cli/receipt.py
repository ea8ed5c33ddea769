"""`mediaprep receipt`: what writes and readbacks proved, to read and to hand on."""

from __future__ import annotations

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.cli.words import describe_receipt


@click.group(short_help="Receipts: show one, hand one on as files.")
@json_option
def receipt() -> None:
    """Show what a write and its readback proved, or export it as files that anyone can check."""


@receipt.command("show")
@click.argument("number")
@json_option
@pass_desk
def show_receipt(desk: Desk, number: str) -> None:
    """Show the receipt of a NUMBER such as R-000012."""
    found = desk.records.receipt(number)
    desk.out.text(*describe_receipt(found), f"  Issued     {found.issued_at:%Y-%m-%d %H:%M:%S} UTC by {found.station}")
    desk.out.result(receipt=found)


@receipt.command("export")
@click.argument("number")
@click.option("--out", required=True, metavar="FOLDER", type=click.Path(), help="A folder; it is made if need be.")
@json_option
@pass_desk
def export_receipt(desk: Desk, number: str, out: str) -> None:
    """Export the receipt of a NUMBER: checksum lines that sha256sum reads, and a small JSON."""
    from mediaprep.outfile import new_folder, refuse_existing, write_new
    from mediaprep.receiptfiles import receipt_files

    found = desk.records.receipt(number)
    files = receipt_files(found, {one.name: desk.records.manifest(one.name) for one in found.bundles})
    folder = existing_path(out)
    new_folder(folder)
    for name in files:
        refuse_existing(folder / name)
    for name, content in files.items():
        write_new(folder / name, [content])
    sums = [name for name in files if name.endswith(".sha256")]
    desk.out.text(f"Wrote {', '.join(files)} to {folder}")
    desk.out.text("To check the card without mediaprep, in the folder where it is mounted:")
    desk.out.text(*(f"  sha256sum --strict -c {folder / name}" for name in sums))
    desk.out.result(folder=str(folder), files=list(files))
