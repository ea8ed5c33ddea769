"""`mediaprep print`: the logbook, single entries, labels, slips and the packing sheet, on paper."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.errors import CardNotReady, NotFound, Usage

if TYPE_CHECKING:
    from collections.abc import Callable

    from mediaprep.printing.content import CarriedCard
    from mediaprep.printing.document import Document

_AIRCRAFT = click.option("--aircraft", metavar="NAME", help="Which aircraft; needed where the records hold several.")
_ADDRESS = click.option(
    "--address",
    metavar="URL",
    help="Where the service's pages are: the QR code opens the card's. Without: it holds the card's name and receipt.",
)


def _output(function: Callable[..., None]) -> Callable[..., None]:
    """Give a command the options that say what to print to."""
    letter = click.option("--letter", is_flag=True, help="For US letter paper. Without: A4.")
    out = click.option(
        "--out", required=True, metavar="FILE", type=click.Path(), help="A new file ending with .pdf or .html."
    )
    return out(letter(function))


@click.group("print", short_help="Print the logbook, labels, slips, a packing sheet.")
@json_option
def printing() -> None:
    """Print to a PDF or HTML file: the logbook, an entry, labels, slips, a packing sheet."""


@printing.command("logbook")
@_AIRCRAFT
@click.option("--from", "first", type=click.IntRange(min=1), default=1, help="From this entry on.")
@click.option("--to", "last", type=click.IntRange(min=1), help="Up to this entry.")
@_output
@json_option
@pass_desk
def print_logbook(desk: Desk, aircraft: str | None, first: int, last: int | None, out: str, letter: bool) -> None:
    """Print an aircraft's logbook, after checking its whole chain, with the head digest to keep on paper."""
    from mediaprep.printing import content

    found = desk.aircraft(aircraft)
    head = desk.records.verify_log(found.name)
    shown = desk.records.log(found.name, first - 1, max(0, (last or head.entries) - first + 1))
    save(desk, content.logbook(found, shown, head=head, at=desk.clock.now()), out, letter=letter)


@printing.command("entry")
@click.argument("number", type=click.IntRange(min=1))
@_AIRCRAFT
@_output
@json_option
@pass_desk
def print_entry(desk: Desk, number: int, aircraft: str | None, out: str, letter: bool) -> None:
    """Print the logbook entry of a NUMBER in the manner of a maintenance record, with room to sign."""
    from mediaprep.printing import content

    found = desk.aircraft(aircraft)
    if number > desk.records.verify_log(found.name).entries:
        message = f"The logbook of {found.name} has no entry {number}"
        raise NotFound(message, remedy="See 'mediaprep log' for the entries there are.")
    (entry,) = desk.records.log(found.name, number - 1, 1)
    save(desk, content.record_entry(found, entry, at=desk.clock.now()), out, letter=letter)


@printing.command("label")
@click.argument("cards", nargs=-1)
@_ADDRESS
@_output
@json_option
@pass_desk
def print_label(desk: Desk, cards: tuple[str, ...], address: str | None, out: str, letter: bool) -> None:
    """Print labels for the cases of CARDS; without any, for all that are verified."""
    from mediaprep.printing import content

    save(desk, content.labels(_cards(desk, cards, address)), out, letter=letter)


@printing.command("slip")
@click.argument("cards", nargs=-1)
@_ADDRESS
@_output
@json_option
@pass_desk
def print_slip(desk: Desk, cards: tuple[str, ...], address: str | None, out: str, letter: bool) -> None:
    """Print slips that lie in the cases of CARDS, with boxes to tick; without any, for all that are verified."""
    from mediaprep.printing import content

    save(desk, content.slips(_cards(desk, cards, address)), out, letter=letter)


@printing.command("packing")
@_AIRCRAFT
@_output
@json_option
@pass_desk
def print_packing(desk: Desk, aircraft: str | None, out: str, letter: bool) -> None:
    """Print the sheet for the walk to the aircraft: which prepared card goes to which unit, with boxes to tick."""
    from mediaprep.printing import content, gather

    found = desk.aircraft(aircraft)
    ready, unready = gather.to_carry(desk.records, found.name)
    units = desk.records.units(found.name)
    save(desk, content.packing(found, ready, units, unready, at=desk.clock.now()), out, letter=letter)


def save(desk: Desk, document: Document, out: str, *, letter: bool, form: str | None = None) -> None:
    """Write a document to a new file, as PDF or HTML, and say so. Without `form`, the name's ending says which.

    Raise Usage for another ending, OutputFailed where it cannot be written or is there already.
    """
    from mediaprep.outfile import refuse_existing, write_new

    path = existing_path(out)
    form = form or path.suffix.lower().removeprefix(".")
    if form not in {"pdf", "html"}:
        message = f"'{out}' ends with neither .pdf nor .html"
        raise Usage(message, remedy="Name a file such as logbook.pdf or logbook.html.")
    refuse_existing(path)
    missing: frozenset[str] = frozenset()
    if form == "pdf":
        from mediaprep.printing import pdf

        made, missing = pdf.render(document, letter=letter)
    else:
        from mediaprep.printing import pages

        made = pages.render(document, letter=letter).encode()
    write_new(path, [made])
    if missing:
        signs = " ".join(sorted(missing)[:10])
        desk.out.note(f"The PDF's font has no sign for {signs}: it prints an empty box. Print it as .html instead.")
    desk.out.text(f"Printed to {path}")
    desk.out.result(file=Path(path).as_posix(), bytes=len(made), missing_signs=sorted(missing))


def _cards(desk: Desk, names: tuple[str, ...], address: str | None) -> list[CarriedCard]:
    from mediaprep.printing import gather

    if address is not None and not address.startswith(("http://", "https://")):
        message = f"'{address}' is not the address of a service"
        raise Usage(message, remedy="Write it as http://HOST:PORT, as 'mediaprep serve' prints it.")
    wanted = names or gather.all_verified(desk.records)
    if not wanted:
        message = "No card in the records is verified, so there is nothing to print"
        raise CardNotReady(message)
    return [gather.carried_card(desk.records, name, address=address) for name in dict.fromkeys(wanted)]
