"""What is in the readers now, folders that are used like one, and what a card there is probably meant for."""

from __future__ import annotations

from typing import Any

from mediaprep.status import panel_status
from service.api import Routes
from service.pairs import likely_pairs
from service.requests import PairQuery, TargetRequest
from service.schemas import PairList, ReaderList
from service.state import here

routes = Routes("readers", "Cards in readers, and what they are probably meant for")


@routes.get("/readers", ReaderList)
def list_readers() -> object:
    """List the readers with a card that is mounted, and the folders used like one, with what is known of each."""
    return {"readers": here().readers.look()}


@routes.post("/readers", ReaderList, body=TargetRequest, refusals=(403, 404, 409))
def use_folder(asked: dict[str, Any]) -> object:
    """Use a folder like a reader, until the service ends. Nothing is written there by that."""
    readers = here().readers
    readers.use_folder(asked["target"])
    return {"readers": readers.look()}


@routes.delete("/readers", ReaderList, query=TargetRequest)
def leave_folder(asked: dict[str, Any]) -> object:
    """Use a folder no more. Nothing is done to it, nor to a real reader."""
    readers = here().readers
    readers.leave_folder(asked["target"])
    return {"readers": readers.look()}


@routes.get("/pairs", PairList, query=PairQuery)
def list_pairs(asked: dict[str, Any]) -> object:
    """List which bundles could go to which units, the pair that is probably meant for a card first.

    Whether a pair may be written is for a check to say.
    """
    state = here()
    records, now = state.records, state.clock.now()
    names = [one.name for one in records.aircraft_list()]
    units = {name: records.units(name) for name in names}
    kinds = records.kinds()
    pairs = likely_pairs(
        [unit for name in names for unit in units[name]],
        [panel_status(name, units[name], kinds, records.loads(name), now) for name in names],
        records.bundles(),
        last_write=records.last_write(asked["card"]) if "card" in asked else None,
        at=now,
    )
    return {"pairs": pairs}
