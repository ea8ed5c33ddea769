"""From what was asked to what the library is called with: the card at a path, the bundle and the unit by name."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from mediaprep.bundles import open_bundle
from mediaprep.errors import CardNotReady
from mediaprep.model import Card, Job, JobKind, value_or_none
from mediaprep.ports import CardAccess
from mediaprep.session import Preflight, Wish, card_of, check_card, find_card, prepare_card, verify_card
from service.state import State


def check(state: State, *, bundle: str, target: str, unit: str, accept: Sequence[str]) -> Preflight:
    """Judge a bundle for a card and a unit. Writes nothing anywhere, and takes no new card into the records."""
    access = state.open_card(Path(target))
    make_wish = _wish(state, bundle, unit, accept)
    card = find_card(access, state.records) or _stranger(access, state)
    return check_card(make_wish(card=card), state.bench(access))


def start(state: State, asked: dict[str, Any]) -> Job:
    """Start the job that was asked for and return it as the records know it. Raise what keeps it from starting."""
    return _start_write(state, asked) if asked["kind"] is JobKind.WRITE else _start_verify(state, asked["target"])


def _start_write(state: State, asked: dict[str, Any]) -> Job:
    access = state.open_card(Path(asked["target"]))
    # The bundle and the unit are looked for before a card that is new here is taken into the records.
    make_wish = _wish(state, asked["bundle"], asked["unit"], asked["accept"])
    card = card_of(access, state.records, state.clock, name=asked.get("card"))
    return state.jobs.start(partial(prepare_card, make_wish(card=card)), state.bench(access))


def _start_verify(state: State, target: str) -> Job:
    access = state.open_card(Path(target))
    card = find_card(access, state.records)
    if card is None:
        message = f"The card at {target} is not in the records"
        raise CardNotReady(message, remedy="Write a bundle to it first.")
    written = state.records.last_write(card.name)
    unit = state.records.unit(*written.unit) if written is not None and written.unit is not None else None
    return state.jobs.start(partial(verify_card, card, unit), state.bench(access))


def _wish(state: State, bundle: str, unit: str, accept: Sequence[str]) -> partial[Wish]:
    """Return all of a wish but its card."""
    found = state.records.bundle(bundle)
    return partial(
        Wish,
        bundle=found,
        source=open_bundle(Path(found.source)),
        unit=state.records.find_unit(unit),
        accept=frozenset(accept),
    )


def _stranger(access: CardAccess, state: State) -> Card:
    """Return a card that is not in the records, as checks name it."""
    facts = access.facts()
    return Card(
        "(new)",
        value_or_none(facts.identity) or "",
        facts.simulated,
        value_or_none(facts.capacity_bytes),
        state.clock.now(),
    )
