"""The panel: aircraft, units, media rules, data kinds, and how it all stands."""

from __future__ import annotations

from typing import Any

from mediaprep.errors import NotFound
from mediaprep.tracking import panel_at, plan_for
from service.api import Routes
from service.requests import AircraftQuery, PlanQuery, StatusQuery
from service.schemas import (
    Aircraft,
    AircraftList,
    DataKind,
    KindList,
    MediaRule,
    Panel,
    RuleList,
    Unit,
    UnitList,
    VisitPlan,
)
from service.state import here

routes = Routes("panel", "Aircraft, their units, what the units take, and what is current")


@routes.get("/aircraft", AircraftList)
def list_aircraft() -> object:
    """List the aircraft."""
    return {"aircraft": here().records.aircraft_list()}


@routes.get("/aircraft/<name:name>", Aircraft)
def read_aircraft(name: str) -> object:
    """Return one aircraft."""
    return here().aircraft(name)


@routes.get("/units", UnitList, query=AircraftQuery)
def list_units(asked: dict[str, Any]) -> object:
    """List the units in the order of the panel, of one aircraft or of all."""
    records = here().records
    names = [asked["aircraft"]] if "aircraft" in asked else [one.name for one in records.aircraft_list()]
    return {"units": [unit for name in names for unit in records.units(name)]}


@routes.get("/units/<name:aircraft>/<name:name>", Unit)
def read_unit(aircraft: str, name: str) -> object:
    """Return one unit."""
    return here().records.unit(aircraft, name)


@routes.get("/rules", RuleList)
def list_rules() -> object:
    """List the media rules: what units' manuals say about cards, as the owner entered it."""
    return {"rules": here().records.rules()}


@routes.get("/rules/<name:name>", MediaRule)
def read_rule(name: str) -> object:
    """Return one media rule."""
    return here().records.rule(name)


@routes.get("/kinds", KindList)
def list_kinds() -> object:
    """List the data kinds and their cycle rules."""
    return {"kinds": list(here().records.kinds().values())}


@routes.get("/kinds/<name:name>", DataKind)
def read_kind(name: str) -> object:
    """Return one data kind."""
    found = here().records.kinds().get(name)
    if found is None:
        message = f"There is no data kind {name}"
        raise NotFound(message, remedy="GET /api/v1/kinds lists those there are.")
    return found


@routes.get("/status", Panel, query=StatusQuery)
def read_status(asked: dict[str, Any]) -> object:
    """Say what each unit holds of each kind, and until when.

    It tracks dates, not legality: the unit's own display, its manual, the flight manual supplement and the
    authority's rules govern.
    """
    state = here()
    return panel_at(state.records, state.aircraft(asked.get("aircraft")).name, asked.get("at") or state.clock.now())


@routes.get("/plan", VisitPlan, query=PlanQuery)
def read_plan(asked: dict[str, Any]) -> object:
    """Plan the fewest visits to the aircraft that keep every set current, from how the panel stands now.

    Any day from a visit's first to its last will do for all its loads. When a set can be had is an assumption: `lead`
    days before it takes effect.
    """
    state = here()
    panel = panel_at(state.records, state.aircraft(asked.get("aircraft")).name, state.clock.now())
    return plan_for(state.records, panel, lead_days=asked["lead"], months=asked["months"])
