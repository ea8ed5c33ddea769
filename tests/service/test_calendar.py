"""The feed over HTTP: its address is the key, nothing else is let in by it, and what has not changed is not sent."""

from __future__ import annotations

import re
from datetime import timedelta

import icalendar
import pytest
from flask import Flask
from ical.calendar_stream import IcsCalendarStream

from mediaprep.clock import FixedClock
from service.state import State
from tests.service.conftest import NOW, TOKEN, Ask


@pytest.fixture
def address(panel: State) -> str:
    return f"/calendar/{panel.records.renew_calendar_token('TEST-1', at=NOW)}.ics"


def test_a_calendar_program_needs_nothing_but_the_address(app: Flask, address: str) -> None:
    answer = app.test_client().get(address)
    assert answer.status_code == 200
    assert answer.content_type == "text/calendar; charset=utf-8"
    assert answer.headers["Cache-Control"] == "private, no-cache"
    # Cycle 2608 takes effect on 2026-08-06 by the AIRAC calendar, 28 days after 2607 on 2026-07-09.
    events = icalendar.Calendar.from_ical(answer.text).walk("VEVENT")
    assert f"{events[1].decoded('DTSTART'):%Y-%m-%d}" == "2026-08-06"
    assert len(IcsCalendarStream.calendar_from_ics(answer.text).events) == len(events)


def test_what_has_not_changed_is_not_sent_again(app: Flask, panel: State, address: str) -> None:
    client = app.test_client()
    first = client.get(address)
    clock = panel.clock
    assert isinstance(clock, FixedClock)
    clock.advance(timedelta(days=3))
    again = client.get(address, headers={"If-None-Match": first.headers["ETag"]})
    assert (again.status_code, again.get_data()) == (304, b"")
    assert client.get(address).get_data() == first.get_data(), "three days later it is the same, byte for byte"
    clock.advance(timedelta(days=28))
    assert client.get(address, headers={"If-None-Match": first.headers["ETag"]}).status_code == 200
    assert client.head(address).status_code == 200


def test_a_renewed_address_closes_the_old_one(app: Flask, panel: State, address: str) -> None:
    panel.records.renew_calendar_token("TEST-1", at=NOW)
    answer = app.test_client().get(address)
    assert answer.status_code == 404
    assert answer.content_type == "application/problem+json"
    assert "renew" in answer.get_json()["remedy"]


@pytest.mark.parametrize(
    "path", ["/calendar/x.ics", f"/calendar/{TOKEN}.ics", "/calendar/.ics", "/calendar/", "/calendar/a/b.ics"]
)
def test_no_other_address_opens_anything(app: Flask, address: str, path: str) -> None:
    assert app.test_client().get(path).status_code == 404
    assert app.test_client().get(path, headers={"Authorization": f"Bearer {TOKEN}"}).status_code == 404


def test_the_address_is_no_key_to_anything_else(app: Flask, address: str) -> None:
    token = re.search(r"/calendar/(.+)\.ics", address)[1]
    client = app.test_client()
    assert client.get("/api/v1/aircraft", headers={"Authorization": f"Bearer {token}"}).status_code == 401
    for path in ("/calendar/../api/v1/aircraft", "/calendar//api/v1/aircraft", "/calendar"):
        assert client.get(path).status_code in {401, 404}, path
    assert client.post(address).status_code == 405


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({"Host": "rebound.invalid"}, 400),
        ({"Origin": "http://elsewhere.invalid"}, 403),
        ({"Sec-Fetch-Site": "cross-site"}, 403),
    ],
)
def test_pages_of_other_sites_cannot_read_it_even_with_the_address(
    app: Flask, address: str, headers: dict[str, str], status: int
) -> None:
    assert app.test_client().get(address, headers=headers).status_code == status


def test_the_address_is_in_no_log(app: Flask, address: str, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(0)
    app.test_client().get(address)
    assert address not in caplog.text


def test_a_plan_of_visits(panel: State, ask: Ask) -> None:
    plan = ask.get("/api/v1/plan?lead=10&months=2")
    assert (plan["aircraft"], plan["at"], plan["lead_days"], plan["until"]) == (
        "TEST-1", "2026-07-15T12:00:00Z", 10, "2026-09-15",
    )  # fmt: skip
    late, first, _ = plan["visits"]
    assert (late["first_day"], late["last_day"], late["windows"][0]["late"]) == ("2026-07-15", "2026-07-15", True)
    # Cycle 2608 takes effect on 2026-08-06: to be had from 07-27, to be loaded by 08-05.
    assert (first["first_day"], first["last_day"]) == ("2026-07-27", "2026-08-05")
    assert first["windows"][0]["validity"]["cycle"] == "2608"
    assert ask.get("/api/v1/plan")["lead_days"] == 28


@pytest.mark.parametrize("query", ["lead=-1", "lead=367", "months=0", "months=61", "lead=x", "aircraft=a/b"])
def test_a_plan_with_values_that_do_not_fit_is_refused(panel: State, ask: Ask, query: str) -> None:
    assert query.partition("=")[0] in ask.get(f"/api/v1/plan?{query}", 422)["errors"]["query"]


def test_the_status_names_the_next_step(panel: State, ask: Ask) -> None:
    step = ask.get("/api/v1/status")["next_step"]
    assert (step["unit"], step["kind"], step["doing"], step["load"], step["last_day"]) == (
        "DISPLAY", "navigation", "write and load the next set", None, None,
    )  # fmt: skip
