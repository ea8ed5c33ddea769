"""The OpenAPI document: valid, complete, and honest about errors."""

from __future__ import annotations

import re

import pytest
from flask import Flask
from openapi_schema_validator import OAS30Validator
from openapi_spec_validator import OpenAPIV30SpecValidator

from tests.service.conftest import document_of

# Not operations of the interface: the document itself, and what the pages for people are made of.
APART = {"/api/v1/openapi.json"}
STREAM = "/api/v1/events"


@pytest.fixture
def app(shared_app: Flask) -> Flask:
    return shared_app


def test_it_is_a_valid_openapi_3_0_3_document(app: Flask) -> None:
    document = document_of(app)
    assert document["openapi"] == "3.0.3"
    assert [error.message for error in OpenAPIV30SpecValidator(document).iter_errors()] == []


def test_every_route_and_method_is_in_it_and_nothing_else(app: Flask) -> None:
    served = {
        (re.sub(r"<(?:[^:<>]+:)?(\w+)>", r"{\1}", rule.rule), method)
        for rule in app.url_map.iter_rules()
        for method in rule.methods or ()
        if method not in {"HEAD", "OPTIONS"} and rule.rule.startswith("/api/") and rule.rule not in APART
    }
    documented = {
        (path, method.upper())
        for path, operations in document_of(app)["paths"].items()
        for method in operations
        if method != "parameters"
    }
    assert documented == served


def test_every_error_is_documented_as_a_problem_document(app: Flask) -> None:
    document = document_of(app)
    refusals = {
        name: list(answer["content"])
        for name, answer in document["components"]["responses"].items()
        if "content" in answer
    }
    assert refusals
    assert set(map(tuple, refusals.values())) == {("application/problem+json",)}
    for path, operations in document["paths"].items():
        for method, operation in operations.items():
            if method == "parameters":
                continue
            answers = operation["responses"]
            assert "$ref" in answers["default"], path
            bad = [answer for status, answer in answers.items() if not status.startswith("2")]
            assert all("$ref" in answer for answer in bad), path
            good = [answer for status, answer in answers.items() if status.startswith("2")]
            said = "text/event-stream" if path == STREAM else "application/json"
            assert [list(answer["content"]) for answer in good] == [[said]]


def test_all_but_the_health_asks_for_the_token(app: Flask) -> None:
    document = document_of(app)
    assert document["security"] == [{"token": []}]
    assert document["components"]["securitySchemes"]["token"] == {"type": "http", "scheme": "bearer"}
    open_to_all = {
        path
        for path, operations in document["paths"].items()
        for method, operation in operations.items()
        if method != "parameters" and operation.get("security") == []
    }
    assert open_to_all == {"/api/v1/health"}


@pytest.mark.parametrize("member", ["summary", "tags"])
def test_every_operation_says_what_it_does(app: Flask, member: str) -> None:
    for path, operations in document_of(app)["paths"].items():
        for method, operation in operations.items():
            if method != "parameters":
                assert operation[member], path


def test_an_object_that_may_be_null_is_that_object_or_null(app: Flask) -> None:
    document = document_of(app)
    schema = {
        **document["components"]["schemas"]["JobView"]["properties"]["error"],
        "components": document["components"],
    }
    whole = {"code": "bug", "exit_code": 1, "message": "What happened", "remedy": "What to do"}
    for value, fits in ((None, True), (whole, True), ({}, False), ({"code": "bug"}, False)):
        assert OAS30Validator(schema).is_valid(value) is fits
