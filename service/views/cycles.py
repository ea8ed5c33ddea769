"""The grids of cycles, as they are reckoned."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import islice
from typing import Any

from mediaprep.cycles import cycles_between, validity_for
from mediaprep.model import CycleRule, CycleScheme
from service.api import Routes
from service.requests import CycleQuery
from service.schemas import CycleList
from service.state import here

routes = Routes("cycles", "The grids of cycles")

_LONGEST_PERIOD = timedelta(days=56)


@routes.get("/cycles", CycleList, query=CycleQuery)
def list_cycles(asked: dict[str, Any]) -> object:
    """List cycles of the 28-day or the 56-day grid, or the one with an identifier.

    The dates are reckoned from 00:00 UTC. A State may publish nothing on a date, and publishers differ in the time
    of day: go by what came with the data.
    """
    rule = CycleRule(CycleScheme(asked["scheme"]))
    if "cycle" in asked:
        return {"cycles": [validity_for(rule, cycle=asked["cycle"], effective_on=None, lapses_on=None)]}
    start = asked.get("start") or here().clock.now()
    end = start + min(asked["count"] * _LONGEST_PERIOD, datetime.max.replace(tzinfo=UTC) - start)
    return {"cycles": list(islice(cycles_between(rule, start, end), asked["count"]))}
