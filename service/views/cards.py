"""Cards the records know."""

from __future__ import annotations

from mediaprep.model import Card
from service.api import Routes
from service.schemas import CardList, CardState
from service.state import State, here

routes = Routes("cards", "Cards, whether they may be carried to a unit, and what is on them")


@routes.get("/cards", CardList)
def list_cards() -> object:
    """List the cards the records know, the retired ones too."""
    state = here()
    return {"cards": [_standing(state, card) for card in state.records.cards()]}


@routes.get("/cards/<name:name>", CardState)
def read_card(name: str) -> object:
    """Return one card, whether it may be carried to a unit, and which bundles have files on it."""
    state = here()
    return _standing(state, state.records.card(name))


def _standing(state: State, card: Card) -> dict[str, object]:
    return {
        "card": card,
        "fitness": state.records.fitness(card.name),
        "bundles": state.records.card_bundles(card.name),
    }
