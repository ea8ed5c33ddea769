"""The door to flask-smorest, which has no types: an Api whose errors are problem documents, and typed routes.

Nothing else imports flask-smorest. A view is a function that returns values of the model; `Routes` turns them into
JSON by `mediaprep.wire` and writes down in the OpenAPI document what goes in, what comes out and what may be refused.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import wraps
from http import HTTPStatus
from typing import Any, TypeAlias

import flask_smorest
from flask import Flask, Response, jsonify
from marshmallow import RAISE, Schema
from webargs.flaskparser import FlaskParser
from werkzeug.routing import BaseConverter, ValidationError

from mediaprep import __version__
from mediaprep.wire import to_wire
from service.problems import API, MEDIA_TYPE, serve_problems
from service.requests import LONGEST_NAME, is_name
from service.schemas import ProblemDocument


@dataclass(frozen=True)
class Answer:
    """What a view answers, where it is not a plain 200: `body` in the model's values."""

    body: object
    headers: Mapping[str, str] = field(default_factory=dict)


View: TypeAlias = Callable[..., object]


class NameConverter(BaseConverter):
    """A name in a path, by the rule that the records have for names. Anything else is no route."""

    def to_python(self, value: str) -> str:
        """Return the name, or say that this is no route."""
        if not is_name(value):
            raise ValidationError
        return value


class Api(flask_smorest.Api):  # type: ignore[misc]  # flask-smorest is untyped
    """An Api that documents and serves its errors as application/problem+json."""

    ERROR_SCHEMA = ProblemDocument

    def _register_responses(self) -> None:
        # The only setting there is changes the type of the good answers too, so it holds just while the errors are
        # being registered. The method is private: flask-smorest's minor version is pinned for it.
        self.DEFAULT_RESPONSE_CONTENT_TYPE = MEDIA_TYPE
        super()._register_responses()
        del self.DEFAULT_RESPONSE_CONTENT_TYPE

    def _register_error_handlers(self) -> None:
        serve_problems(self._app)


class _StrictParser(FlaskParser):
    # A query that nobody reads is a mistyped one; silence would answer another question than was asked.
    DEFAULT_UNKNOWN_BY_LOCATION: dict[str, str | None] = {  # noqa: RUF012 - declared so by webargs
        **FlaskParser.DEFAULT_UNKNOWN_BY_LOCATION,
        "query": RAISE,
    }


class _Blueprint(flask_smorest.Blueprint):  # type: ignore[misc]  # flask-smorest is untyped
    ARGUMENTS_PARSER = _StrictParser()


class Routes:
    """The routes of one subject, under /api/v1."""

    def __init__(self, name: str, description: str) -> None:
        self.blueprint = _Blueprint(name, __name__, url_prefix=API, description=description)

    def get(
        self, rule: str, answer: type[Schema], *, query: type[Schema] | None = None, public: bool = False
    ) -> Callable[[View], View]:
        """Serve a GET. A view with a `query` gets what was asked as its first argument."""
        refusals = [404] if "<" in rule else []
        return self._route("GET", rule, answer, takes=query, location="query", refusals=refusals, public=public)

    def post(
        self,
        rule: str,
        answer: type[Schema],
        *,
        body: type[Schema] | None = None,
        status: int = 200,
        headers: Mapping[str, object] | None = None,
        refusals: Sequence[int] = (),
    ) -> Callable[[View], View]:
        """Serve a POST. A view with a `body` gets it as its first argument. `headers` documents those of the answer."""
        refusals = [*refusals, *([413, 415] if body is not None else [])]
        return self._route(
            "POST", rule, answer, takes=body, location="json", status=status, headers=headers, refusals=refusals
        )

    def delete(self, rule: str, answer: type[Schema], *, query: type[Schema]) -> Callable[[View], View]:
        """Serve a DELETE. The view gets what was asked as its first argument."""
        return self._route("DELETE", rule, answer, takes=query, location="query", refusals=[])

    def stream(self, rule: str, what: str, *, refusals: Sequence[int]) -> Callable[[View], View]:
        """Serve a GET that is answered with server-sent events: `what` describes them. The view returns them."""
        blueprint = self.blueprint

        def register(view: View) -> View:
            served: Any = view
            text = {"type": "string", "description": what}
            for decorator in (
                blueprint.response(200, text, content_type="text/event-stream", description=what),
                *(_refusal(blueprint, code) for code in (HTTPStatus.UNAUTHORIZED, *refusals)),
            ):
                served = decorator(served)
            blueprint.add_url_rule(rule, view.__name__, served, methods=["GET"])
            return view

        return register

    def _route(
        self,
        method: str,
        rule: str,
        answer: type[Schema],
        *,
        takes: type[Schema] | None,
        location: str,
        status: int = 200,
        headers: Mapping[str, object] | None = None,
        refusals: Sequence[int],
        public: bool = False,
    ) -> Callable[[View], View]:
        blueprint = self.blueprint
        decorators: list[Callable[[Any], Any]] = [
            blueprint.response(status, answer, headers=headers),
            *(_refusal(blueprint, code) for code in refusals),
        ]
        if public:
            decorators.append(blueprint.doc(security=[]))
        else:
            decorators.append(_refusal(blueprint, HTTPStatus.UNAUTHORIZED))
        if takes is not None:
            decorators.append(blueprint.arguments(takes, location=location))

        def register(view: View) -> View:
            served: Any = _in_json(view, status)
            for decorator in decorators:
                served = decorator(served)
            blueprint.add_url_rule(rule, view.__name__, served, methods=[method])
            return view

        return register


def make_api(app: Flask) -> Api:
    """Return the Api of an application: its OpenAPI document is at /api/v1/openapi.json."""
    app.config.update(
        API_TITLE="mediaprep",
        API_VERSION=__version__,
        OPENAPI_VERSION="3.0.3",
        OPENAPI_URL_PREFIX=API,
        API_SPEC_OPTIONS={
            "info": {
                "description": "Prepare, prove and track the data cards of an aircraft panel. It tracks dates and "
                "bytes; it does not decide airworthiness or legality."
            },
            "security": [{"token": []}],
        },
    )
    app.url_map.converters["name"] = NameConverter
    api = Api(app)
    api.register_converter(NameConverter, lambda _: {"type": "string", "minLength": 1, "maxLength": LONGEST_NAME})
    api.ma_plugin.converter.add_attribute_function(_null_or_this)
    api.spec.components.security_scheme("token", {"type": "http", "scheme": "bearer"})
    return api


def _null_or_this(_converter: object, _field: object, ret: dict[str, Any]) -> dict[str, Any]:
    """Correct how a nested object that may be null is documented: apispec lets it be any object, or null."""
    any_object = {"type": "object", "nullable": True}
    if any_object not in ret.get("anyOf", ()):
        return {}
    return {"anyOf": [one | {"enum": [None]} if one == any_object else one for one in ret["anyOf"]]}


def _refusal(blueprint: _Blueprint, status: int) -> Callable[[Any], Any]:
    decorator: Callable[[Any], Any] = blueprint.alt_response(status, HTTPStatus(status).name)
    return decorator


def _in_json(view: View, status: int) -> Callable[..., Response]:
    @wraps(view)
    def answered(*args: Any, **kwargs: Any) -> Response:
        result = view(*args, **kwargs)
        answer = result if isinstance(result, Answer) else Answer(result)
        response = jsonify(to_wire(answer.body))
        response.status_code = status
        response.headers.update(answer.headers)
        return response

    return answered
