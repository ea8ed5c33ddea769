"""Receipts, loads and logbooks: what was proven, carried and accepted."""

from __future__ import annotations

from typing import Any

from service.api import Routes
from service.requests import LoadQuery, LogbookQuery, ReceiptQuery
from service.schemas import Load, LoadList, LogbookPage, Receipt, ReceiptList
from service.state import here

routes = Routes("loads", "Receipts, loads and logbooks")


@routes.get("/loads", LoadList, query=LoadQuery)
def list_loads(asked: dict[str, Any]) -> object:
    """List the loads of an aircraft or of one of its units, oldest first, with their whole history."""
    state = here()
    aircraft = state.aircraft(asked.get("aircraft"))
    return {"loads": state.records.loads(aircraft.name, asked.get("unit"))}


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
