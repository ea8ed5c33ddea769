"""The service's application: the records opened, the guards put up, the routes in place."""

from __future__ import annotations

from pathlib import Path

from flask import Flask

from mediaprep.clock import SystemClock
from mediaprep.config import Settings
from mediaprep.devices import list_cards as list_cards_here
from mediaprep.devices import open_card as open_card_at
from mediaprep.host import SystemHost
from mediaprep.ports import CardAccess, Clock, HostAccess
from mediaprep.records import open_records
from service.api import make_api
from service.events import EventHub
from service.jobs import JobRunner
from service.readers import CardLister, CardOpener, Readers, Watch
from service.security import guard, token_of
from service.sessions import Sessions
from service.state import State, attach
from service.views import ROUTES
from service.views.calendar import add_calendar
from service.views.pages import add_pages


def create_app(
    settings: Settings,
    *,
    clock: Clock | None = None,
    host: HostAccess | None = None,
    token: str | None = None,
    open_card: CardOpener | None = None,
    list_cards: CardLister | None = None,
) -> Flask:
    """Return the application, with its records open and jobs whose process died marked as interrupted.

    What is not given is the real thing: the computer's clock, the computer itself, the token kept in the data folder,
    the card at a path, the cards in the readers. Raise RecordsUnusable, RecordsNewer or ServiceUnavailable.
    `state_of(app).close()` ends it.
    """
    clock = clock or SystemClock()
    records = open_records(settings, clock=clock)
    try:
        records.settle_dead_jobs()
        records.stay_seen()
        sessions = Sessions(clock.monotonic)
        app = Flask("service", static_folder="static", template_folder="pages")
        # The model's order of fields is the one that reads well.
        app.json.sort_keys = False  # type: ignore[attr-defined]  # the default provider has it
        guard(app, token or token_of(settings.data_dir), sessions)
    except BaseException:
        records.close()
        raise
    events = EventHub()
    open_card = open_card or _open_card
    readers = Readers(records, open_card, list_cards or list_cards_here)
    state = State(
        settings=settings,
        records=records,
        clock=clock,
        host=host or SystemHost(settings.station),
        jobs=JobRunner(records, clock, events),
        open_card=open_card,
        sessions=sessions,
        events=events,
        readers=readers,
        watch=Watch(readers, records, events),
    )
    attach(app, state)
    api = make_api(app)
    for routes in ROUTES:
        api.register_blueprint(routes.blueprint)
    add_pages(app)
    add_calendar(app)
    return app


def _open_card(target: Path) -> CardAccess:
    return open_card_at(target)
