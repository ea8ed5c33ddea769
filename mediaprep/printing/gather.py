"""What printouts tell of, out of the records."""

from __future__ import annotations

from collections.abc import Sequence
from urllib.parse import quote

from mediaprep.errors import CardNotReady
from mediaprep.model import Fitness, Load, LoadState
from mediaprep.printing.content import CarriedCard
from mediaprep.records import Store


def carried_card(records: Store, name: str, *, address: str | None) -> CarriedCard:
    """Return a card that may be carried to a unit. `address` is where the service's pages are, None for nowhere.

    Raise NotFound, or CardNotReady where the card is not verified: what is printed on it must be proven.
    """
    card = records.card(name)
    fitness = records.fitness(name)
    receipt = records.latest_receipt(name)
    if receipt is None or fitness is not Fitness.VERIFIED or card.retired_at is not None:
        why = "it is retired" if card.retired_at is not None else fitness.value
        message = f"Nothing is printed for card {name}: {why}"
        raise CardNotReady(message)
    written = records.last_write(name)
    return CarriedCard(
        name=name,
        unit="/".join(written.unit) if written is not None and written.unit is not None else None,
        bundles=tuple(records.bundle(one.name) for one in receipt.bundles),
        receipt=receipt.number,
        simulated=card.simulated,
        opens=f"{address.rstrip('/')}/cards#{quote(name)}" if address else None,
    )


def to_carry(records: Store, aircraft: str) -> tuple[list[Load], list[tuple[str, str]]]:
    """Return an aircraft's prepared loads whose cards may be carried, and the cards that may not, each with why."""
    prepared = [load for load in records.loads(aircraft) if load.state is LoadState.PREPARED]
    fitness = {card: records.fitness(card) for card in dict.fromkeys(load.card for load in prepared)}
    ready = [load for load in prepared if fitness[load.card] is Fitness.VERIFIED]
    return ready, [(card, found.value) for card, found in fitness.items() if found is not Fitness.VERIFIED]


def all_verified(records: Store) -> Sequence[str]:
    """Return the names of all cards in service that may be carried to a unit."""
    cards = (card for card in records.cards() if card.retired_at is None)
    return [card.name for card in cards if records.fitness(card.name) is Fitness.VERIFIED]
