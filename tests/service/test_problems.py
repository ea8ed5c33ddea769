"""Every error of every route is an RFC 9457 problem document of one shape."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import pytest
from flask import Flask
from werkzeug.test import TestResponse

from mediaprep.errors import CardBusy, MediaPrepError, ReadbackMismatch, all_errors
from service.problems import PROBLEMS, error_of
from service.state import State, attach
from tests.service.conftest import NOW, TOKEN, Ask, document_of

PATH = "/api/v1/aircraft"
WITH_TOKEN = {"Authorization": f"Bearer {TOKEN}"}

# Every route there is, with names in its path that are not in the records. `test_openapi.py` holds the document, and
# the test below this list, against the routes.
ROUTES = {
    "/api/v1/health": "GET",
    "/api/v1/aircraft": "GET",
    "/api/v1/aircraft/NONE": "GET",
    "/api/v1/units": "GET",
    "/api/v1/units/NONE/NONE": "GET",
    "/api/v1/rules": "GET",
    "/api/v1/rules/NONE": "GET",
    "/api/v1/kinds": "GET",
    "/api/v1/kinds/NONE": "GET",
    "/api/v1/status": "GET",
    "/api/v1/plan": "GET",
    "/api/v1/bundles": "GET",
    "/api/v1/bundles/NONE": "GET",
    "/api/v1/bundles/NONE/files": "GET",
    "/api/v1/cards": "GET",
    "/api/v1/cards/NONE": "GET",
    "/api/v1/loads": "GET",
    "/api/v1/loads/999": "GET",
    "/api/v1/receipts": "GET",
    "/api/v1/receipts/NONE": "GET",
    "/api/v1/logbook": "GET",
    "/api/v1/cycles": "GET",
    "/api/v1/checks": "POST",
    "/api/v1/jobs": "GET",
    "/api/v1/jobs/999": "GET",
    "/api/v1/jobs/999/cancel": "POST",
    "/api/v1/readers": "GET",
    "/api/v1/pairs": "GET",
    "/api/v1/carrying": "GET",
    "/api/v1/events": "GET",
    "/api/v1/sign-in-links": "POST",
    "/api/v1/problems/NONE": "GET",
}
NAMED = [path for path in ROUTES if "NONE" in path or "999" in path]
TAKE_A_QUERY = [
    "/api/v1/units",
    "/api/v1/status",
    "/api/v1/plan",
    "/api/v1/bundles/NONE/files",
    "/api/v1/loads",
    "/api/v1/receipts",
    "/api/v1/logbook",
    "/api/v1/cycles",
    "/api/v1/jobs",
    "/api/v1/pairs",
]
TAKE_A_BODY = ["/api/v1/checks", "/api/v1/jobs", "/api/v1/readers", "/api/v1/loads"]


@pytest.fixture
def app(shared_app: Flask) -> Flask:
    return shared_app


def assert_problem(answer: TestResponse, status: int, code: str) -> dict[str, Any]:
    assert answer.status_code == status, answer.get_data(as_text=True)
    assert answer.content_type == "application/problem+json"
    body: dict[str, Any] = answer.get_json()
    assert set(body) - {"errors", "paths"} == {
        "type", "title", "status", "detail", "instance", "code", "exit_code", "remedy",
    }  # fmt: skip
    assert body["status"] == status
    assert body["code"] == code
    assert body["type"] == f"/api/v1/problems/{code}"
    assert body["instance"] == answer.request.path
    assert body["title"]
    assert body["detail"]
    assert body["remedy"]
    assert answer.headers["X-Content-Type-Options"] == "nosniff"
    return body


def test_the_list_of_routes_is_complete(app: Flask) -> None:
    paths = set(document_of(app)["paths"])
    listed = {re.sub(r"NONE|999", "{}", path) for path in ROUTES}
    assert {re.sub(r"{\w+}", "{}", path) for path in paths} == listed


@pytest.mark.parametrize("path", NAMED)
def test_404_where_the_records_do_not_have_it(app: Flask, path: str) -> None:
    answer = app.test_client().open(path, method=ROUTES[path], headers=WITH_TOKEN)
    assert_problem(answer, 404, "not-found")


@pytest.mark.parametrize("path", [*(f"{path}/no/such/route" for path in ROUTES), "/nothing", "/api/v1", "/api/v2/jobs"])
def test_404_where_there_is_no_such_route(app: Flask, path: str) -> None:
    assert_problem(app.test_client().get(path, headers=WITH_TOKEN), 404, "no-such-route")


@pytest.mark.parametrize("path", [*ROUTES, "/", "/api/v1/openapi.json"])
def test_405_names_the_methods_there_are(app: Flask, path: str) -> None:
    answer = app.test_client().patch(path, headers=WITH_TOKEN)
    assert_problem(answer, 405, "method-not-allowed")
    assert ROUTES.get(path, "GET") in answer.headers["Allow"]


@pytest.mark.parametrize(
    "path", [*(path for path in ROUTES if path != "/api/v1/health"), "/api/v1/openapi.json", "/none", "/api/v1/none"]
)
def test_401_without_the_token(app: Flask, path: str) -> None:
    answer = app.test_client().open(path, method=ROUTES.get(path, "GET"))
    assert_problem(answer, 401, "token-missing")
    assert answer.headers["WWW-Authenticate"].startswith("Bearer")


@pytest.mark.parametrize("path", [*ROUTES, "/api/v1/openapi.json", "/"])
def test_403_for_a_page_of_another_site(app: Flask, path: str) -> None:
    headers = WITH_TOKEN | {"Origin": "http://elsewhere.invalid"}
    assert_problem(app.test_client().open(path, method=ROUTES.get(path, "GET"), headers=headers), 403, "forbidden")


@pytest.mark.parametrize("path", [*ROUTES, "/api/v1/openapi.json", "/"])
def test_400_for_a_foreign_host(app: Flask, path: str) -> None:
    headers = WITH_TOKEN | {"Host": "elsewhere.invalid"}
    assert_problem(app.test_client().open(path, method=ROUTES.get(path, "GET"), headers=headers), 400, "bad-request")


@pytest.mark.parametrize("path", [*ROUTES, "/"])
def test_415_for_a_body_that_is_not_json(app: Flask, path: str) -> None:
    answer = app.test_client().open(
        path, method=ROUTES.get(path, "GET"), headers=WITH_TOKEN, data="bundle=nav", content_type="text/plain"
    )
    assert_problem(answer, 415, "not-json")


@pytest.mark.parametrize("path", [*ROUTES, "/"])
def test_413_for_a_body_that_is_too_large(app: Flask, path: str) -> None:
    answer = app.test_client().open(
        path,
        method=ROUTES.get(path, "GET"),
        headers=WITH_TOKEN,
        data=b" " * (2**20 + 1),
        content_type="application/json",
    )
    assert_problem(answer, 413, "request-too-large")


@pytest.mark.parametrize("path", TAKE_A_BODY)
def test_400_for_a_body_that_is_broken_json(app: Flask, path: str) -> None:
    answer = app.test_client().post(path, headers=WITH_TOKEN, data="{", content_type="application/json")
    body = assert_problem(answer, 400, "bad-request")
    assert body["errors"] == {"json": ["Invalid JSON body."]}


@pytest.mark.parametrize("path", TAKE_A_QUERY)
def test_422_for_a_query_that_nobody_reads(app: Flask, path: str) -> None:
    body = assert_problem(app.test_client().get(f"{path}?colour=red", headers=WITH_TOKEN), 422, "request-invalid")
    assert body["errors"]["query"]["colour"] == ["Unknown field."]


@pytest.mark.parametrize("path", TAKE_A_BODY)
@pytest.mark.parametrize("sent", [{}, [], "text", {"colour": "red"}])
def test_422_for_a_body_that_lacks_what_is_needed(app: Flask, path: str, sent: object) -> None:
    body = assert_problem(app.test_client().post(path, headers=WITH_TOKEN, json=sent), 422, "request-invalid")
    assert set(body["errors"]) == {"json"}


def test_every_route_with_a_body_or_a_query_is_in_the_lists_above(app: Flask) -> None:
    paths = document_of(app)["paths"]
    with_query = {
        path for path, one in paths.items() if any(p["in"] == "query" for p in one.get("get", {}).get("parameters", []))
    }
    assert with_query == {path.replace("NONE", "{name}") for path in TAKE_A_QUERY}
    assert {path for path, one in paths.items() if "requestBody" in one.get("post", {})} == set(TAKE_A_BODY)


@pytest.mark.parametrize("path", [*ROUTES, "/"])
def test_500_tells_nothing_of_the_inside(
    app: Flask, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch, path: str
) -> None:
    def broken(*_: object, **__: object) -> object:
        message = "the inside of the program"
        raise RuntimeError(message)

    for endpoint in app.view_functions:
        monkeypatch.setitem(app.view_functions, endpoint, broken)
    answer = app.test_client().open(path, method=ROUTES.get(path, "GET"), headers=WITH_TOKEN)
    assert_problem(answer, 500, "bug")
    assert "inside" not in answer.get_data(as_text=True)
    assert "Traceback" not in answer.get_data(as_text=True)
    assert "the inside of the program" in caplog.text


@pytest.fixture
def fail_with(app: Flask, state: State) -> Iterator[Callable[[MediaPrepError], None]]:
    """Let the records answer with an error."""

    class Failing:
        def __init__(self, error: MediaPrepError) -> None:
            self.error = error

        def aircraft_list(self) -> object:
            raise self.error

    yield lambda error: attach(app, replace(state, records=Failing(error)))  # type: ignore[arg-type]
    attach(app, state)


FailWith = Callable[[MediaPrepError], None]


@pytest.mark.parametrize("kind", [MediaPrepError, *all_errors()], ids=lambda kind: kind.code)
def test_every_error_of_the_library_has_its_status(app: Flask, fail_with: FailWith, kind: type[MediaPrepError]) -> None:
    fail_with(error_of(kind.code, "What happened to card C-001"))
    body = assert_problem(app.test_client().get(PATH, headers=WITH_TOKEN), PROBLEMS[kind.code].status, kind.code)
    assert body["exit_code"] == kind.exit_code
    assert body["remedy"] == kind.remedy
    assert body["detail"] == "What happened to card C-001"
    assert 400 <= body["status"] < 600


def test_an_error_names_the_files_it_concerns(ask: Ask, fail_with: FailWith) -> None:
    fail_with(ReadbackMismatch("C-001", ("nav/a.bin",)))
    assert ask.get(PATH, 409)["paths"] == ["nav/a.bin"]


def test_an_error_keeps_its_own_remedy(ask: Ask, fail_with: FailWith) -> None:
    fail_with(CardBusy("Card C-001 is busy", remedy="Wait for job 7."))
    assert ask.get(PATH, 409)["remedy"] == "Wait for job 7."


@pytest.mark.parametrize("code", PROBLEMS)
def test_every_type_of_problem_can_be_looked_up(ask: Ask, code: str) -> None:
    body = ask.get(PROBLEMS[code].type)
    assert body["code"] == code
    assert body["status"] == PROBLEMS[code].status


def test_a_code_that_is_not_known_counts_as_a_bug() -> None:
    assert type(error_of("of-a-later-version", "What happened")) is MediaPrepError
    assert str(error_of("of-a-later-version", f"At {NOW}")) == f"At {NOW}"
