"""Server-sent events: what is passed on, what a slow or a returning listener gets, and that listeners starve nobody."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from flask import Flask

from mediaprep.devices.simulated import SimulatedCard
from mediaprep.errors import ServiceUnavailable
from service.events import KEPT_EVENTS, MOST_STREAMS, MOST_WAITING, EventHub, EventStream
from service.server import _THREADS
from service.state import State, state_of
from tests.service.conftest import TOKEN, Ask, ended

HEADERS = {"Authorization": f"Bearer {TOKEN}"}


@pytest.fixture
def hub() -> EventHub:
    return EventHub(heartbeat_seconds=0.01)


def events(piece: str) -> list[tuple[str, Any]]:
    """The events of a piece of a stream, as (kind, data)."""
    found = []
    for block in piece.split("\n\n"):
        members = dict(line.split(": ", 1) for line in block.splitlines() if not line.startswith(":"))
        if "event" in members:
            found.append((members["event"], json.loads(members["data"])))
    return found


def last_id(piece: str) -> str:
    return [line.removeprefix("id: ") for line in piece.splitlines() if line.startswith("id: ")][-1]


def greeted(stream: EventStream) -> EventStream:
    assert next(stream).startswith("retry: ")
    return stream


def test_listeners_hear_what_happens_in_order(hub: EventHub) -> None:
    streams = [greeted(hub.open()) for _ in range(2)]
    hub.publish("job", {"number": 1}, about="job 1")
    hub.publish("job", {"number": 2}, about="job 2")
    for stream in streams:
        assert events(next(stream)) == [("job", {"number": 1}), ("job", {"number": 2})]


def test_what_was_not_fetched_gives_way_to_the_next_about_the_same(hub: EventHub) -> None:
    stream = greeted(hub.open())
    hub.publish("progress", {"bytes": 1}, about="progress 1")
    hub.publish("job", {"number": 1}, about="job 1")
    hub.publish("progress", {"bytes": 2}, about="progress 1")
    assert events(next(stream)) == [("job", {"number": 1}), ("progress", {"bytes": 2})]


def test_where_nothing_happens_a_comment_comes(hub: EventHub) -> None:
    piece = next(greeted(hub.open()))
    assert piece.startswith(": ")
    assert events(piece) == []


def test_whoever_comes_back_gets_what_it_missed_and_no_more(hub: EventHub) -> None:
    stream = greeted(hub.open())
    hub.publish("job", {"number": 1}, about="job 1")
    seen = last_id(next(stream))
    stream.close()
    hub.publish("job", {"number": 2}, about="job 2")
    assert events(next(greeted(hub.open(seen)))) == [("job", {"number": 2})]
    assert events(next(greeted(hub.open()))) == []


@pytest.mark.parametrize(
    "before", ["made up", "", "other-1", "{run}-", "{run}-\u0661", "{run}-99", "{run}-" + "9" * 30]
)
def test_whoever_comes_back_from_elsewhere_reads_all_anew(hub: EventHub, before: str) -> None:
    stream = greeted(hub.open())
    hub.publish("job", {"number": 1}, about="job 1")
    run = last_id(next(stream)).partition("-")[0]
    assert events(next(greeted(hub.open(before.replace("{run}", run))))) == [("reset", {})]


def test_whoever_was_away_for_too_long_reads_all_anew(hub: EventHub) -> None:
    stream = greeted(hub.open())
    hub.publish("job", {}, about="first")
    seen = last_id(next(stream))
    stream.close()
    for number in range(KEPT_EVENTS + 1):
        hub.publish("job", {}, about=f"job {number}")
    assert events(next(greeted(hub.open(seen)))) == [("reset", {})]


def test_a_listener_with_too_much_unread_is_let_go(hub: EventHub) -> None:
    stream = greeted(hub.open())
    for number in range(MOST_WAITING + 1):
        hub.publish("job", {}, about=f"job {number}")
    with pytest.raises(StopIteration):
        next(stream)


def test_only_so_many_may_listen_and_one_that_leaves_makes_room(hub: EventHub) -> None:
    streams = [hub.open() for _ in range(MOST_STREAMS)]
    with pytest.raises(ServiceUnavailable) as caught:
        hub.open()
    assert caught.value.remedy
    streams[0].close()  # nothing was read from it
    streams[0].close()
    hub.open()


def test_listeners_leave_threads_to_the_rest_of_the_service() -> None:
    assert _THREADS >= MOST_STREAMS + 4


def test_closing_ends_streams_that_wait(hub: EventHub) -> None:
    patient = EventHub(heartbeat_seconds=60)
    stream = greeted(patient.open())
    rest: list[str] = []
    thread = threading.Thread(target=lambda: rest.extend(stream))
    thread.start()
    patient.close()
    thread.join(30)
    assert not thread.is_alive()
    assert rest == []
    with pytest.raises(ServiceUnavailable):
        patient.open()


# --- over HTTP -------------------------------------------------------------------------------------------------------


@pytest.fixture
def listening(app: Flask) -> Iterator[Iterator[str]]:
    """What a program hears that listens to the service."""
    answer = app.test_client().get("/api/v1/events", headers=HEADERS)
    assert answer.mimetype == "text/event-stream"
    assert answer.headers["Cache-Control"] == "no-store"
    pieces = (piece.decode() if isinstance(piece, bytes) else piece for piece in answer.response)
    assert next(pieces).startswith("retry: ")
    yield pieces
    answer.close()


def until(pieces: Iterator[str], kind: str) -> Any:
    """Return the data of the next event of a kind."""
    for piece in pieces:
        for told, data in events(piece):
            if told == kind:
                return data
    message = f"no {kind} came"
    raise AssertionError(message)


def test_a_job_is_told_from_its_beginning_to_its_end(
    panel: State, ask: Ask, tmp_path: Path, listening: Iterator[str]
) -> None:
    body = {"kind": "write", "bundle": "nav-2607", "target": str(tmp_path / "card"), "unit": "TEST-1/DISPLAY"}
    number = ask.post("/api/v1/jobs", body, 202)["number"]
    ended(panel, ask, number)
    told: dict[str, Any] = {}
    while told.get("job", {}).get("state") != "done":
        told.update(events(next(listening)))
    assert told["job"]["number"] == number
    assert told["job"]["receipt"]
    assert told["progress"]["number"] == number
    assert told["progress"]["progress"]["phase"] == "record"


def test_a_card_that_comes_and_goes_is_told(panel: State, ask: Ask, tmp_path: Path, listening: Iterator[str]) -> None:
    card = SimulatedCard.open(tmp_path / "card")
    ask.post("/api/v1/readers", {"target": str(tmp_path / "card")})
    while not (readers := until(listening, "readers")["readers"]):
        pass
    assert readers[0]["place"]["medium"]["capacity_bytes"] == 8 * 10**9
    card.take_out()
    readers = until(listening, "readers")["readers"]
    assert readers[0]["place"]["medium"] is None
    assert readers[0]["place"]["problem"]
    card.put_in()
    assert until(listening, "readers")["readers"][0]["place"]["medium"] is not None


def test_the_watch_goes_on_while_anyone_listens_and_ends_with_the_last(app: Flask) -> None:
    before = set(threading.enumerate())
    state = state_of(app)
    stream = state.events.open()
    state.watch.start()
    state.watch.start()
    (thread,) = set(threading.enumerate()) - before
    stream.close()
    thread.join(30)
    assert not thread.is_alive()


def test_too_many_listeners_are_told_so_in_a_problem_document(app: Flask) -> None:
    hub = state_of(app).events
    streams = [hub.open() for _ in range(MOST_STREAMS)]
    answer = app.test_client().get("/api/v1/events", headers=HEADERS)
    assert answer.status_code == 503
    assert answer.get_json()["code"] == "service-unavailable"
    assert app.test_client().get("/api/v1/aircraft", headers=HEADERS).status_code == 200
    for stream in streams:
        stream.close()
