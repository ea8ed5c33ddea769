"""Whether the service is fit for work: the one route that asks for no token."""

from __future__ import annotations

from mediaprep import __version__
from mediaprep.records.tables import SCHEMA_REVISION
from service.api import Routes
from service.schemas import Health
from service.state import here

routes = Routes("health", "Whether the service is fit for work")


@routes.get("/health", Health, public=True)
def read_health() -> object:
    """Say whether the service and its records answer.

    When the records do not, the answer is a problem document with the status 503.
    """
    here().records.aircraft_list()
    return {"status": "ok", "version": __version__, "database": "ok", "schema": SCHEMA_REVISION}
