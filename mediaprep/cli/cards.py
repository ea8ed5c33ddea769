"""`mediaprep cards`: cards the records know, cards in readers now, and folders that play a card."""

from __future__ import annotations

from dataclasses import fields

import click

from mediaprep.cli.desk import Desk, existing_path, json_option, pass_desk
from mediaprep.cli.panel import FILE_SYSTEMS, PARTITION_TABLES
from mediaprep.model import CardFacts, Fitness, Known, Unknown
from mediaprep.quantities import format_bytes, parse_bytes

FITNESS_STYLE = {
    Fitness.VERIFIED: "green",
    Fitness.REINSERT: "yellow",
    Fitness.UNFIT: "red",
    Fitness.EMPTY: "cyan",
}


@click.group(invoke_without_command=True, short_help="Cards in readers and cards known, with what they hold.")
@json_option
@click.pass_context
def cards(context: click.Context) -> None:
    """List the cards that are in readers now and those the records know, with what they hold."""
    if context.invoked_subcommand is not None:
        return
    from mediaprep.devices import list_cards
    from mediaprep.orders import find_card

    desk = context.ensure_object(Desk)
    records = desk.records
    inserted = [(facts, find_card(facts, records)) for facts in (access.facts() for access in list_cards())]
    known = [(card, records.fitness(card.name), records.card_bundles(card.name)) for card in records.cards()]
    desk.out.heading("In readers now")
    desk.out.table(
        ("MOUNTED AT", "CARD", "CAPACITY", "FILE SYSTEM", "READER"),
        [
            (
                facts.target,
                card.name if card else "(not known)",
                _size(facts.capacity_bytes),
                _text(facts.file_system_name),
                _text(facts.reader),
            )
            for facts, card in inserted
        ],
        empty="No card in any reader. A mounted volume or a folder can be named by its path all the same.",
    )
    desk.out.heading("Known cards")
    desk.out.table(
        ("CARD", "STATE", "HOLDS", "CAPACITY", "SIMULATED"),
        [
            (
                card.name,
                fitness.value,
                ", ".join(held) or "-",
                format_bytes(card.capacity_bytes) if card.capacity_bytes else "?",
                "yes" if card.simulated else "no",
            )
            for card, fitness, held in known
        ],
        empty="None yet: a card is taken in when it is first written.",
    )
    desk.out.result(
        inserted=[{"card": card.name if card else None, "facts": facts} for facts, card in inserted],
        cards=[{"card": card, "fitness": fitness, "bundles": held} for card, fitness, held in known],
    )


@cards.command("facts")
@click.argument("target", metavar="PATH")
@json_option
@pass_desk
def card_facts(desk: Desk, target: str) -> None:
    """Show all that can be known about the card at PATH, each fact with where it came from."""
    from mediaprep.devices import open_card

    facts = open_card(existing_path(target)).facts()
    desk.out.table(
        ("FACT", "VALUE", "FROM, OR WHY NOT"),
        [
            (field.name.replace("_", " "), *_fact(field.name, getattr(facts, field.name)))
            for field in fields(CardFacts)
            if field.name not in {"target", "simulated"}
        ],
        empty="",
    )
    if facts.simulated:
        desk.out.text("This is a simulated card: no physical, removable card.")
    desk.out.result(facts=facts)


@cards.command("simulate")
@click.argument("folder", type=click.Path())
@click.option("--capacity", required=True, help="For example 8GB.")
@click.option("--file-system", type=FILE_SYSTEMS, default="fat32", show_default=True)
@click.option("--cluster", default="32KiB", show_default=True, help="Cluster size.")
@click.option("--partition-table", type=PARTITION_TABLES, default="mbr", show_default=True)
@click.option("--label", default="SIMULATED", show_default=True, help="Volume label.")
@json_option
@pass_desk
def simulate(
    desk: Desk, folder: str, capacity: str, file_system: str, cluster: str, partition_table: str, label: str
) -> None:
    """Make a FOLDER that plays a card: to try things out without one.

    Its capacity, clusters and file system rules are kept, and it says in every receipt that it is simulated.
    """
    from mediaprep.devices.simulated import SimulatedCard
    from mediaprep.model import FileSystem, PartitionTable

    path = existing_path(folder)
    SimulatedCard.make(
        path,
        capacity_bytes=parse_bytes(capacity),
        cluster_bytes=parse_bytes(cluster),
        file_system=FileSystem(file_system),
        partition_table=PartitionTable(partition_table),
        label=label,
    )
    desk.out.text(
        f"Made a simulated card: {path}", f"Use it like a mounted one: mediaprep check BUNDLE --on {folder} --for UNIT"
    )
    desk.out.result(path=str(path))


@cards.command("retire")
@click.argument("name")
@click.option("--reason", default="", help="Why, for the logbooks of the aircraft it served.")
@json_option
@pass_desk
def retire(desk: Desk, name: str, reason: str) -> None:
    """Take the card NAME out of service for good. Its name is never given out again."""
    card = desk.records.retire_card(name, at=desk.clock.now(), reason=reason)
    desk.out.text(f"Card {card.name} is retired. Mark it, so that nobody carries it again.")
    desk.out.result(card=card)


def _fact(name: str, fact: Known[object] | Unknown) -> tuple[str, str]:
    if isinstance(fact, Unknown):
        return "unknown", fact.reason
    value = fact.value
    if name.endswith("_bytes") and isinstance(value, int):
        return f"{format_bytes(value)} ({value} bytes)", fact.source
    if isinstance(value, bool):
        return "yes" if value else "no", fact.source
    if isinstance(value, tuple):
        return ", ".join(map(str, value)) or "none", fact.source
    return ("none" if value is None else str(value)), fact.source


def _size(fact: Known[int] | Unknown) -> str:
    return format_bytes(fact.value) if isinstance(fact, Known) else "?"


def _text(fact: Known[str] | Unknown) -> str:
    return fact.value if isinstance(fact, Known) else "?"
