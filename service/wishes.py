"""From what was asked to what the library is called with: the card at a path, the bundle and the unit by name."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

from mediaprep.gate import Preflight, check_card
from mediaprep.model import Job, JobKind
from mediaprep.orders import order_check, order_verify, order_write
from mediaprep.session import prepare_card, verify_card
from service.state import State


def check(state: State, *, bundle: str, target: str, unit: str, accept: Sequence[str]) -> Preflight:
    """Judge a bundle for a card and a unit. Writes nothing anywhere, and takes no new card into the records."""
    access = state.open_card(Path(target))
    wish = order_check(access, state.records, state.clock, bundle=bundle, unit=unit, accept=accept)
    return check_card(wish, state.bench(access))


def start(state: State, asked: dict[str, Any]) -> Job:
    """Start the job that was asked for and return it as the records know it. Raise what keeps it from starting."""
    access = state.open_card(Path(asked["target"]))
    if asked["kind"] is JobKind.VERIFY:
        card, unit = order_verify(access, state.records, asked["target"])
        return state.jobs.start(partial(verify_card, card, unit), state.bench(access))
    wish = order_write(
        access,
        state.records,
        state.clock,
        bundle=asked["bundle"],
        unit=asked["unit"],
        accept=asked["accept"],
        card=asked.get("card"),
    )
    return state.jobs.start(partial(prepare_card, wish), state.bench(access))
