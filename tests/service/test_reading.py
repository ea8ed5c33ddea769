"""The read side: what the records hold, as the command line's JSON has it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from urllib.parse import quote, unquote

import pytest
from flask import Flask
from hypothesis import given
from hypothesis import strategies as st

from mediaprep import __version__
from mediaprep.errors import RecordsUnusable
from mediaprep.model import Aircraft
from mediaprep.records.tables import SCHEMA_REVISION
from mediaprep.wire import to_wire
from service.requests import is_name, is_target
from service.state import State, attach
from tests.service.conftest import NOW, Ask, take_in


def test_health(ask: Ask) -> None:
    assert ask.get("/api/v1/health") == {
        "status": "ok",
        "version": __version__,
        "database": "ok",
        "schema": SCHEMA_REVISION,
    }


def test_health_when_the_records_do_not_answer(app: Flask, state: State, ask: Ask) -> None:
    class Failing:
        def aircraft_list(self) -> object:
            message = "The records are held by another program"
            raise RecordsUnusable(message)

    attach(app, replace(state, records=Failing()))  # type: ignore[arg-type]  # it only has to fail
    assert ask.get("/api/v1/health", 503)["code"] == "records-unusable"
    attach(app, state)


def test_the_panel_as_it_was_entered(panel: State, ask: Ask) -> None:
    records = panel.records
    unit = to_wire(records.unit("TEST-1", "DISPLAY"))
    assert ask.get("/api/v1/aircraft") == {"aircraft": [{"name": "TEST-1", "title": "Invented"}]}
    assert ask.get("/api/v1/aircraft/TEST-1") == {"name": "TEST-1", "title": "Invented"}
    assert ask.get("/api/v1/units") == {"units": [unit]}
    assert ask.get("/api/v1/units?aircraft=TEST-1") == {"units": [unit]}
    assert ask.get("/api/v1/units/TEST-1/DISPLAY") == unit
    assert ask.get("/api/v1/rules")["rules"] == to_wire(records.rules())
    assert ask.get("/api/v1/rules/example-any-card") == to_wire(records.rule("example-any-card"))
    assert ask.get("/api/v1/kinds")["kinds"] == to_wire(list(records.kinds().values()))
    assert ask.get("/api/v1/kinds/navigation") == to_wire(records.kinds()["navigation"])


def test_bundles_and_a_part_of_their_files(panel: State, ask: Ask) -> None:
    bundle = to_wire(panel.records.bundle("nav-2607"))
    files = to_wire(panel.records.manifest("nav-2607").entries)
    assert isinstance(files, list)
    assert ask.get("/api/v1/bundles") == {"bundles": [bundle]}
    assert ask.get("/api/v1/bundles/nav-2607") == bundle
    page = ask.get("/api/v1/bundles/nav-2607/files?offset=1&limit=1")
    assert page == {"bundle": "nav-2607", "files": files[1:2], "offset": 1, "total": 3}
    assert ask.get("/api/v1/bundles/nav-2607/files")["files"] == files
    assert ask.get("/api/v1/bundles/nav-2607/files?offset=3")["files"] == []


def test_a_name_with_a_space_or_an_accent_is_a_name_too(panel: State, ask: Ask, tmp_path: Path) -> None:
    take_in(panel, tmp_path / "later", "Août 2026", cycle="2608")
    assert ask.get("/api/v1/bundles/Ao%C3%BBt%202026")["name"] == "Août 2026"


def test_the_status_of_the_panel_now_and_then(panel: State, ask: Ask) -> None:
    now = ask.get("/api/v1/status")
    assert (now["aircraft"], now["at"]) == ("TEST-1", "2026-07-15T12:00:00Z")
    assert [(kind["unit"], kind["kind"], kind["currency"]) for kind in now["kinds"]] == [
        ("DISPLAY", "navigation", "nothing loaded")
    ]
    assert ask.get("/api/v1/status?aircraft=TEST-1&at=2026-12-24")["at"] == "2026-12-24T00:00:00Z"
    assert ask.get("/api/v1/status?at=2026-12-24T09:01:00%2B01:00")["at"] == "2026-12-24T08:01:00Z"


@pytest.mark.parametrize("path", ["status", "loads", "logbook"])
def test_the_aircraft_must_be_named_where_there_are_several(panel: State, ask: Ask, path: str) -> None:
    panel.records.add_aircraft(Aircraft("TEST-2"))
    refused = ask.get(f"/api/v1/{path}", 422)
    assert refused["code"] == "usage"
    assert "TEST-1, TEST-2" in refused["detail"]
    ask.get(f"/api/v1/{path}?aircraft=TEST-2")


@pytest.mark.parametrize("path", ["status", "loads", "logbook"])
def test_without_an_aircraft_there_is_nothing_to_tell(ask: Ask, path: str) -> None:
    refused = ask.get(f"/api/v1/{path}", 404)
    assert "no aircraft yet" in refused["detail"]
    assert "no aircraft NONE" in ask.get(f"/api/v1/{path}?aircraft=NONE", 404)["detail"]


def test_a_part_of_the_logbook(panel: State, ask: Ask) -> None:
    assert ask.get("/api/v1/logbook?after=0&limit=1") == {"aircraft": "TEST-1", "entries": []}


def test_the_cycles_of_a_grid(ask: Ask) -> None:
    # ICAO Annex 15: AIRAC effective dates are 28 days apart; 9 July 2026 begins cycle 2607.
    following = ask.get("/api/v1/cycles?count=2")["cycles"]
    assert [(one["cycle"], one["effective_at"]) for one in following] == [
        ("2608", "2026-08-06T00:00:00Z"),
        ("2609", "2026-09-03T00:00:00Z"),
    ]
    one = ask.get("/api/v1/cycles?cycle=2607")["cycles"]
    assert one == [{"cycle": "2607", "effective_at": "2026-07-09T00:00:00Z", "lapses_at": "2026-08-06T00:00:00Z"}]
    grid = ask.get("/api/v1/cycles?scheme=grid-56&from=2026-07-09&count=3")["cycles"]
    assert len({one["effective_at"] for one in grid}) == 3


@pytest.mark.parametrize("query", ["cycle=2699", "from=0001-01-01", "from=9999-12-31&count=400"])
def test_cycles_beyond_what_can_be_reckoned_are_refused(ask: Ask, query: str) -> None:
    assert ask.get(f"/api/v1/cycles?{query}", 422)["code"] == "bundle-facts-invalid"


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("status?at=tomorrow", "at"),
        ("status?at=2026-02-30", "at"),
        ("status?aircraft=a/b", "aircraft"),
        ("logbook?after=-1", "after"),
        ("logbook?limit=0", "limit"),
        ("logbook?limit=1001", "limit"),
        ("logbook?after=99999999999999999999", "after"),
        ("logbook?after=one", "after"),
        ("bundles/nav-2607/files?offset=-1", "offset"),
        ("cycles?cycle=26O7", "cycle"),
        ("cycles?scheme=none", "scheme"),
        ("cycles?count=401", "count"),
        ("jobs?limit=0", "limit"),
        ("receipts", "card"),
    ],
)
def test_a_query_that_does_not_fit_names_its_field(panel: State, ask: Ask, query: str, field: str) -> None:
    assert set(ask.get(f"/api/v1/{query}", 422)["errors"]["query"]) == {field}


@pytest.mark.parametrize("path", ["jobs/2147483648", "jobs/-1", "jobs/one", "loads/99999999999999999999"])
def test_a_number_that_no_row_can_have_is_no_route(ask: Ask, path: str) -> None:
    answer = ask.client.get(f"/api/v1/{path}", headers=ask.headers)
    assert (answer.status_code, answer.get_json()["code"]) == (404, "no-such-route")


@pytest.mark.parametrize("name", ["%0A", "%20", "a%00b", "%2F", "x" * 201, "a%ED%A0%80%0Ab"])
def test_what_cannot_be_a_name_is_no_route(ask: Ask, name: str) -> None:
    answer = ask.client.get(f"/api/v1/bundles/{name}", headers=ask.headers)
    assert (answer.status_code, answer.get_json()["code"]) == (404, "no-such-route")


@given(st.text(st.sampled_from("aé \\/.%?\n\0\u00a0\u200b\ud800"), max_size=6))
def test_a_name_comes_back_from_an_address_as_it_was(text: str) -> None:
    if is_name(text):
        assert text.strip() == text
        assert "/" not in text
        assert unquote(quote(text, safe="")) == text


@given(st.lists(st.sampled_from(["", "..", ".", "media", "card"]), max_size=5), st.sampled_from(["", "/", "//"]))
def test_a_target_never_steps_upwards(parts: list[str], start: str) -> None:
    text = start + "/".join(parts)
    if is_target(text):
        assert text.startswith("/")
        assert ".." not in text.split("/")


def test_times_are_told_in_utc(panel: State, ask: Ask) -> None:
    assert ask.get("/api/v1/bundles/nav-2607")["taken_in_at"] == NOW.isoformat().replace("+00:00", "Z")
