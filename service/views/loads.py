"""Receipts, loads and logbooks: what was proven, carried and accepted."""

from __future__ import annotations

from typing import Any

from mediaprep.model import LoadState
from mediaprep.status import panel_status
from service.api import Routes
from service.requests import LoadQuery, LoadRequest, LogbookQuery, ReceiptQuery
from service.schemas import Load, LoadList, LogbookPage, Receipt, ReceiptList
from service.state import here

routes = Routes("loads", "Receipts, loads and logbooks")


@routes.get("/loads", LoadList, query=LoadQuery)
def list_loads(asked: dict[str, Any]) -> object:
    """List the loads of an aircraft or of one of its units, oldest first, with their whole history."""
    state = here()
    aircraft = state.aircraft(asked.get("aircraft"))
    return {"loads": state.records.loads(aircraft.name, asked.get("unit"))}


@routes.get("/carrying", LoadList)
def list_carrying() -> object:
    """List the loads on their way into a unit that would change what it holds: prepared, or put in and not answered."""
    state = here()
    records, now = state.records, state.clock.now()
    kinds = records.kinds()
    panels = [
        panel_status(one.name, records.units(one.name), kinds, records.loads(one.name), now)
        for one in records.aircraft_list()
    ]
    return {"loads": [kind.waiting for panel in panels for kind in panel.kinds if kind.waiting is not None]}


@routes.post("/loads", LoadList, body=LoadRequest, refusals=(404, 409))
def log_load(asked: dict[str, Any]) -> object:
    """Log that a card was put into a unit and, where that is known, whether the unit accepted it.

    Of a card that was not logged as installed yet, that is logged first. Saying the same again changes nothing.
    """
    state = here()
    records, now, reason = state.records, state.clock.now(), asked["reason"]
    loads = records.install(asked["card"], records.find_unit(asked["unit"]), asked.get("slot"), at=now, reason=reason)
    if asked["state"] == LoadState.ACCEPTED:
        loads = records.accept(loads, at=now, reason=reason)
    elif asked["state"] == LoadState.REJECTED:
        loads = records.reject(loads, at=now, reason=reason)
    return {"loads": loads}


@routes.get("/loads/<int(max=2147483647):number>", Load)
def read_load(number: int) -> object:
    """Return one load."""
    return here().records.load(number)


@routes.get("/receipts", ReceiptList, query=ReceiptQuery)
def list_receipts(asked: dict[str, Any]) -> object:
    """List the receipts of a card, the newest first."""
    records = here().records
    numbers = [job.receipt for job in records.jobs(asked["card"]) if job.receipt is not None]
    return {"receipts": [records.receipt(number) for number in numbers]}


@routes.get("/receipts/<name:number>", Receipt)
def read_receipt(number: str) -> object:
    """Return one receipt: what a write and its readback proved."""
    return here().records.receipt(number)


@routes.get("/logbook", LogbookPage, query=LogbookQuery)
def read_logbook(asked: dict[str, Any]) -> object:
    """Return a part of an aircraft's logbook, oldest first.

    `body` is the entry's own text (canonical JSON), over which `sha256` is reckoned together with the entry before;
    it is given as it is so that the chain can be checked.
    """
    state = here()
    aircraft = state.aircraft(asked.get("aircraft"))
    entries = state.records.log(aircraft.name, after=asked["after"], limit=asked["limit"])
    return {"aircraft": aircraft.name, "entries": entries}
