"""The calendar feeds that calendar programs subscribe to. The address is itself the key; no other is asked for."""

from __future__ import annotations

import hashlib

from flask import Flask, Response, request

from mediaprep.calendar import MEDIA_TYPE
from mediaprep.tracking import calendar_at
from service.security import CALENDAR
from service.state import here


def add_calendar(app: Flask) -> None:
    """Serve the feeds of an application."""
    app.add_url_rule(f"{CALENDAR}<token>.ics", "calendar", _feed)


def _feed(token: str) -> Response:
    """Return the calendar of the aircraft that a token opens, or 304 where the asker has it as it is."""
    state = here()
    feed = calendar_at(state.records, state.records.aircraft_of_calendar(token), state.clock.now())
    answer = Response(feed, content_type=f"{MEDIA_TYPE}; charset=utf-8")
    # Kept by the asker alone, and asked about each time: that costs no more than a digest where nothing has changed.
    answer.headers["Cache-Control"] = "private, no-cache"
    answer.set_etag(hashlib.sha256(feed).hexdigest())
    answer.make_conditional(request)
    return answer
