"""The pages: what the records say, drawn on the server. Only the work table needs a script."""

from __future__ import annotations

import base64
import hashlib
import shlex
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from flask import Flask, Response, make_response, redirect, render_template, request, url_for
from werkzeug.exceptions import Gone

from mediaprep import __version__
from mediaprep.cautions import CAUTION
from mediaprep.drawing import STYLE, timeline_svg
from mediaprep.logtext import describe, kind_of
from mediaprep.model import Aircraft, PanelStatus, Unit
from mediaprep.quantities import format_bytes
from mediaprep.status import panel_status
from service import words
from service.requests import is_name
from service.security import START, session_here, start_session
from service.state import State, here
from service.words import Standing, date_of, instant_of, next_step_of, standing_of, validity_of

ENTRIES_A_PAGE = 100
JOBS_A_CARD = 10
YEAR = timedelta(days=365)
PAGES = (
    ("/panel", "Panel"),
    ("/work-table", "Work table"),
    ("/bundles", "Bundles"),
    ("/cards", "Cards"),
    ("/logbook", "Logbook"),
)
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; "
    "frame-ancestors 'none'; base-uri 'none'"
)
_STYLE_DIGEST = base64.b64encode(hashlib.sha256(STYLE.encode()).digest()).decode()
_PICTURE_POLICY = f"default-src 'none'; style-src 'sha256-{_STYLE_DIGEST}'; frame-ancestors 'none'"


@dataclass(frozen=True, slots=True)
class UnitOnPanel:
    """One unit as the panel page shows it."""

    unit: Unit
    standings: tuple[Standing, ...]


def add_pages(app: Flask) -> None:
    """Serve the pages of an application, and what they are made of."""
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    app.jinja_env.filters.update(bytes=format_bytes, date=date_of, instant=instant_of, validity=validity_of)
    app.jinja_env.globals.update(
        pages=PAGES,
        version=__version__,
        caution=CAUTION,
        session=session_here,
        fitness_tones=words.FITNESS_TONES,
        job_tones=words.JOB_TONES,
    )
    app.after_request(_allow_own_parts)
    app.add_url_rule("/", "front", front)
    app.add_url_rule(f"{START}<code>", "start", start)
    app.add_url_rule("/panel", "panel_page", panel)
    app.add_url_rule("/panel/timeline.svg", "timeline", timeline)
    app.add_url_rule("/work-table", "work_table_page", work_table)
    app.add_url_rule("/bundles", "bundles_page", bundles)
    app.add_url_rule("/cards", "cards_page", cards)
    app.add_url_rule("/logbook", "logbook_page", logbook)


def front() -> Any:
    """Show the panel to whoever is signed in, and how to get in to everyone else."""
    return redirect(url_for("panel_page")) if session_here() else render_template("front.html")


def start(code: str) -> Any:
    """Let a browser in by a link. A link that was merely fetched ahead, or asked about, is not used up."""
    if request.method == "HEAD" or "prefetch" in request.headers.get("Sec-Purpose", ""):
        return Response(status=204)
    answer = make_response(redirect(url_for("panel_page"), 303))
    if start_session(here().sessions, code, answer):
        return answer
    if session_here():  # the link that let this browser in, opened again
        return redirect(url_for("panel_page"), 303)
    message = "This link was used already, or is too old"
    raise Gone(message)


def panel() -> str:
    """Show what each unit of an aircraft holds, and until when."""
    state = here()
    aircraft, others = _chosen_aircraft(state)
    if aircraft is None:
        return render_template("panel.html", aircraft=None, others=())
    units, stands = _panel_of(state, aircraft)
    return render_template(
        "panel.html",
        aircraft=aircraft,
        others=others,
        panel=stands,
        units=[
            UnitOnPanel(unit, tuple(standing_of(one, stands.at) for one in stands.kinds if one.unit == unit.name))
            for unit in units
        ],
        next_step=next_step_of(stands.next_step) if stands.next_step else None,
        simulated=any(one.load is not None and one.load.simulated for one in stands.kinds),
    )


def timeline() -> Response:
    """Draw the panel over the year to come."""
    state = here()
    _, stands = _panel_of(state, state.aircraft(request.args.get("aircraft")))
    picture = timeline_svg(stands, (stands.at + YEAR).date())
    return Response(picture, mimetype="image/svg+xml", headers={"Content-Security-Policy": _PICTURE_POLICY})


def work_table() -> str:
    """Show the table on which cards are checked, written and read back. What is on it, its script fetches."""
    return render_template("work-table.html")


def bundles() -> str:
    """List the bundles that were taken in."""
    state = here()
    listed = [bundle for bundle in state.records.bundles() if bundle.removed_at is None]
    folder = shlex.quote(str(state.settings.data_dir))
    return render_template("bundles.html", bundles=listed, now=state.clock.now(), data_dir=folder)


def cards() -> str:
    """List the cards, whether they may be carried, what is on them, and what was done to them."""
    records = here().records
    known = [
        {
            "card": card,
            "fitness": records.fitness(card.name),
            "bundles": records.card_bundles(card.name),
            "jobs": records.jobs(card.name, JOBS_A_CARD),
        }
        for card in records.cards()
    ]
    return render_template("cards.html", known=known, most_jobs=JOBS_A_CARD)


def logbook() -> str:
    """Show a part of an aircraft's logbook, by default its newest entries."""
    state = here()
    aircraft, others = _chosen_aircraft(state)
    if aircraft is None:
        return render_template("logbook.html", aircraft=None, others=())
    last = state.records.log_head(aircraft.name).entries
    newest = max(last - ENTRIES_A_PAGE, 0)
    after = min(request.args.get("after", newest, type=_whole_number), newest)
    entries = state.records.log(aircraft.name, after, ENTRIES_A_PAGE)
    told = [(entry, kind_of(entry), describe(entry).removeprefix(f"{kind_of(entry)}: ")) for entry in entries]
    return render_template(
        "logbook.html",
        aircraft=aircraft,
        others=others,
        entries=told[::-1],
        last=last,
        newer=min(after + ENTRIES_A_PAGE, newest) if after < newest else None,
        older=max(after - ENTRIES_A_PAGE, 0) if after > 0 else None,
    )


def _panel_of(state: State, aircraft: Aircraft) -> tuple[Sequence[Unit], PanelStatus]:
    units = state.records.units(aircraft.name)
    kinds, loads = state.records.kinds(), state.records.loads(aircraft.name)
    return units, panel_status(aircraft.name, units, kinds, loads, state.clock.now())


def _chosen_aircraft(state: State) -> tuple[Aircraft | None, tuple[Aircraft, ...]]:
    """Return the aircraft that the query names, or the first, and all there are. Raise NotFound."""
    known = state.records.aircraft_list()
    asked = request.args.get("aircraft")
    if asked is not None and is_name(asked):
        return state.aircraft(asked), known
    return next(iter(known), None), known


def _whole_number(text: str) -> int:
    number = int(text)  # what is no number counts as not given
    if not 0 <= number < 2**31:
        raise ValueError(text)
    return number


def _allow_own_parts(answer: Response) -> Response:
    if answer.mimetype == "text/html":
        answer.headers["Content-Security-Policy"] = _POLICY
    return answer
