"""What happens, as it happens: one stream for readers, cards and jobs."""

from __future__ import annotations

from flask import Response, request

from service.api import Routes
from service.state import here

routes = Routes("events", "What happens, as server-sent events")

_WHAT = (
    "`readers`: what is in the readers, whole, whenever that changes. `job`: a job that began, changed or ended. "
    "`progress`: `number` and `progress` of a job of this service. `reset`: what came since `Last-Event-ID` is not "
    "known any more, so read everything anew. A comment comes at least every 15 seconds. Members may be added."
)


@routes.stream("/events", _WHAT, refusals=(503,))
def listen() -> Response:
    """Follow what happens.

    An event is a snapshot of its subject; one that was not fetched yet gives way to the next about the same subject.
    Only so many may listen at once (503 beyond it).
    """
    state = here()
    stream = state.events.open(request.headers.get("Last-Event-ID"))
    state.watch.start()
    return Response(stream, mimetype="text/event-stream")
