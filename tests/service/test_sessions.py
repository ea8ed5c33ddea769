"""Letting browsers in: links that work once, what a session may do, and what it may not."""

from __future__ import annotations

import logging
from datetime import timedelta

import pytest
from flask import Flask
from flask.testing import FlaskClient

from mediaprep.clock import FixedClock
from mediaprep.config import Settings
from mediaprep.errors import ServiceUnavailable
from service.links import ask_for_link
from service.sessions import ATTEMPTS_SECONDS, LINK_SECONDS, MOST_ATTEMPTS, SESSION_SECONDS, Sessions, TooManyAttempts
from service.state import State, state_of
from tests.service.conftest import TOKEN, Ask

HTML = {"Accept": "text/html"}
ORIGIN = "http://localhost"


class Time:
    """Seconds that a test moves."""

    def __init__(self) -> None:
        self.seconds = 0.0

    def __call__(self) -> float:
        return self.seconds


@pytest.fixture
def time() -> Time:
    return Time()


@pytest.fixture
def sessions(time: Time) -> Sessions:
    return Sessions(time)


def let_in(app: Flask) -> FlaskClient:
    """A browser that opened a link."""
    client = app.test_client()
    answer = client.get(f"/start/{state_of(app).sessions.new_code()}", headers=HTML)
    assert (answer.status_code, answer.headers["Location"]) == (303, "/panel")
    return client


def csrf_of(client: FlaskClient) -> str:
    page = client.get("/panel", headers=HTML).get_data(as_text=True)
    return page.partition('name="csrf-token" content="')[2].partition('"')[0]


# --- the rules -------------------------------------------------------------------------------------------------------


def test_a_link_works_once(sessions: Sessions) -> None:
    code = sessions.new_code()
    session_id = sessions.sign_in(code)
    assert sessions.find(session_id) is not None
    assert sessions.sign_in(code) is None
    assert sessions.sign_in("another") is None
    assert sessions.find("another") is None
    assert sessions.find(None) is None


@pytest.mark.parametrize(("after", "works"), [(LINK_SECONDS - 1, True), (LINK_SECONDS, False)])
def test_a_link_gets_too_old(sessions: Sessions, time: Time, after: float, works: bool) -> None:
    code = sessions.new_code()
    time.seconds += after
    assert (sessions.sign_in(code) is not None) is works


@pytest.mark.parametrize(("after", "lasts"), [(SESSION_SECONDS - 1, True), (SESSION_SECONDS, False)])
def test_a_session_ends(sessions: Sessions, time: Time, after: float, lasts: bool) -> None:
    session_id = sessions.sign_in(sessions.new_code())
    time.seconds += after
    assert (sessions.find(session_id) is not None) is lasts


def test_guessing_is_slowed_and_a_right_code_waits_too(sessions: Sessions, time: Time) -> None:
    code = sessions.new_code()
    for number in range(MOST_ATTEMPTS):
        assert sessions.sign_in(f"guess {number}") is None
    with pytest.raises(TooManyAttempts) as caught:
        sessions.sign_in(code)
    assert 0 < caught.value.retry_after_seconds <= ATTEMPTS_SECONDS + 1
    time.seconds += ATTEMPTS_SECONDS
    assert sessions.sign_in(code) is not None


def test_only_so_many_sessions_and_links_are_kept(sessions: Sessions, time: Time) -> None:
    first = sessions.new_code()
    oldest = sessions.sign_in(sessions.new_code())
    for _ in range(32):
        time.seconds += ATTEMPTS_SECONDS
        sessions.sign_in(sessions.new_code())
    assert sessions.find(oldest) is None
    for _ in range(32):
        sessions.new_code()
    time.seconds += ATTEMPTS_SECONDS
    assert sessions.sign_in(first) is None


# --- over HTTP -------------------------------------------------------------------------------------------------------


def test_a_link_gives_a_cookie_that_no_script_and_no_other_site_can_use(app: Flask) -> None:
    client = app.test_client()
    answer = client.get(f"/start/{state_of(app).sessions.new_code()}", headers={"Host": "127.0.0.1:8437"})
    cookie = answer.headers["Set-Cookie"]
    assert cookie.startswith("mediaprep-8437=")  # a browser keeps one set of cookies for all ports
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    assert answer.headers["Cache-Control"] == "no-store"


def test_an_old_link_says_how_to_get_a_new_one(app: Flask) -> None:
    client = app.test_client()
    link = f"/start/{state_of(app).sessions.new_code()}"
    assert client.get(link, headers=HTML).status_code == 303
    # The browser that it let in may open it again; another one may not.
    assert client.get(link, headers=HTML).headers["Location"] == "/panel"
    answer = app.test_client().get(link, headers=HTML)
    assert answer.status_code == 410
    assert "mediaprep serve --link" in answer.get_data(as_text=True)
    assert "Set-Cookie" not in answer.headers


def test_what_only_fetches_ahead_does_not_use_a_link_up(app: Flask) -> None:
    link = f"/start/{state_of(app).sessions.new_code()}"
    assert app.test_client().head(link).status_code == 204
    assert app.test_client().get(link, headers={"Sec-Purpose": "prefetch;prerender"}).status_code == 204
    assert app.test_client().get(link).status_code == 303


def test_too_many_attempts_say_when_to_come_back(app: Flask) -> None:
    client = app.test_client()
    for _ in range(MOST_ATTEMPTS):
        assert client.get("/start/guess").status_code == 410
    answer = client.get("/start/guess")
    assert answer.status_code == 429
    assert answer.get_json()["code"] == "too-many-attempts"
    assert 0 < int(answer.headers["Retry-After"]) <= ATTEMPTS_SECONDS + 1


@pytest.mark.parametrize("path", ["/panel", "/work-table", "/bundles", "/cards", "/logbook", "/panel/timeline.svg"])
def test_pages_need_a_session_and_say_how_to_get_one(app: Flask, path: str) -> None:
    answer = app.test_client().get(path, headers=HTML)
    assert answer.status_code == 401
    assert answer.mimetype == "text/html"
    assert "mediaprep serve --link" in answer.get_data(as_text=True)
    assert app.test_client().get(path, headers={"Cookie": "mediaprep=made-up"}).status_code == 401


def test_a_session_reads_pages_and_the_interface(panel: State, app: Flask) -> None:
    client = let_in(app)
    assert "Panel of TEST-1" in client.get("/panel", headers=HTML).get_data(as_text=True)
    assert client.get("/api/v1/aircraft").status_code == 200
    assert client.get("/", headers=HTML).headers["Location"] == "/panel"


def test_a_session_ends_with_its_time(app: Flask) -> None:
    client = let_in(app)
    clock = state_of(app).clock
    assert isinstance(clock, FixedClock)
    clock.advance(timedelta(seconds=SESSION_SECONDS))
    assert client.get("/api/v1/aircraft").status_code == 401


@pytest.mark.parametrize(
    ("headers", "status"),
    [
        ({}, 403),
        ({"Origin": ORIGIN}, 403),
        ({"Origin": ORIGIN, "X-CSRF-Token": "wrong"}, 403),
        ({"Origin": ORIGIN, "X-CSRF-Token": "\u00e4"}, 403),
        ({"X-CSRF-Token": "{token}"}, 403),
        ({"Origin": "http://localhost:9", "X-CSRF-Token": "{token}"}, 403),  # another program's page
        ({"Origin": "http://127.0.0.1", "X-CSRF-Token": "{token}"}, 403),
        ({"Origin": ORIGIN, "Sec-Fetch-Site": "same-site", "X-CSRF-Token": "{token}"}, 403),
        ({"Origin": ORIGIN, "X-CSRF-Token": "{token}"}, 422),  # let through: now the body is judged
    ],
)
def test_a_session_changes_only_what_its_own_page_asks_for(app: Flask, headers: dict[str, str], status: int) -> None:
    client = let_in(app)
    token = csrf_of(client)
    assert len(token) >= 43
    sent = {name: value.replace("{token}", token) for name, value in headers.items()}
    assert client.post("/api/v1/checks", json={}, headers=sent).status_code == status


def test_each_session_has_a_token_of_its_own(app: Flask) -> None:
    assert csrf_of(let_in(app)) != csrf_of(let_in(app))


def test_a_wrong_bearer_token_is_refused_though_a_session_comes_with_it(app: Flask) -> None:
    client = let_in(app)
    assert client.get("/api/v1/aircraft", headers={"Authorization": "Bearer wrong"}).status_code == 401


def test_a_link_is_made_by_who_holds_the_token_and_not_by_a_session(app: Flask, ask: Ask) -> None:
    made = ask.post("/api/v1/sign-in-links")
    assert made["seconds"] == LINK_SECONDS
    assert app.test_client().get(made["path"]).status_code == 303
    client = let_in(app)
    headers = {"Origin": ORIGIN, "X-CSRF-Token": csrf_of(client)}
    assert client.post("/api/v1/sign-in-links", headers=headers).status_code == 403


def test_no_secret_is_in_any_log(app: Flask, caplog: pytest.LogCaptureFixture) -> None:
    caplog.set_level(logging.NOTSET)
    code = state_of(app).sessions.new_code()
    client = app.test_client()
    cookie = client.get(f"/start/{code}").headers["Set-Cookie"].partition("=")[2].partition(";")[0]
    client.get("/panel", headers=HTML)
    client.get("/none", headers=HTML)
    for secret in (code, cookie, csrf_of(client), TOKEN):
        assert secret
        assert secret not in caplog.text


def test_no_service_no_link(settings: Settings) -> None:
    settings.data_dir.mkdir()
    with pytest.raises(ServiceUnavailable, match="No service answers"):
        ask_for_link(settings, 1)
