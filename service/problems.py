"""Errors over HTTP: RFC 9457 problem documents, on every route and every status. For a browser's pages, pages.

`PROBLEMS` is the one table from the library's error codes to HTTP statuses. A problem's `type` is an address of this
service that describes it; beside the standard members it carries `code`, `exit_code` and `remedy` as the command line
does, and `errors` where a request's values are at fault.
"""

from __future__ import annotations

import logging
from collections.abc import Mapping
from dataclasses import dataclass
from http import HTTPStatus

from flask import Flask, Response, current_app, render_template, request
from werkzeug.exceptions import HTTPException

from mediaprep.errors import MediaPrepError, Usage, all_errors
from mediaprep.wire import Json, error_to_wire

MEDIA_TYPE = "application/problem+json"
API = "/api/v1"

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class Problem:
    """One kind of problem: its stable code, the HTTP status it comes with, and what to do about it in general."""

    code: str
    status: int
    exit_code: int
    remedy: str

    @property
    def type(self) -> str:
        """The address that describes it."""
        return f"{API}/problems/{self.code}"

    @property
    def title(self) -> str:
        """Its name for people: the code in words."""
        return self.code.replace("-", " ").capitalize()


# 409: the request is fine, but the card, the bundle or the records are not in a state for it.
_STATUS_BY_CODE: Mapping[str, int] = {
    "bug": 500,
    "usage": 422,
    "preflight-refused": 409,
    "preflight-unknown": 409,
    "card-not-ready": 409,
    "target-unsafe": 403,
    "card-busy": 409,
    "bundle-unreadable": 409,
    "bundle-unsafe": 409,
    "bundle-empty": 409,
    "source-changed": 409,
    "manifest-invalid": 422,
    "bundle-facts-invalid": 422,
    "checksums-disagree": 409,
    "bag-invalid": 409,
    "bundle-in-use": 409,
    "signature-invalid": 409,
    "write-failed": 500,
    "readback-mismatch": 409,
    "card-gone": 409,
    "card-full": 409,
    "card-read-only": 409,
    "card-refuses-name": 409,
    "readback-failed": 500,
    "foreign-file": 409,
    "proof-incomplete": 409,
    "records-unusable": 503,
    "records-newer": 503,
    "record-exists": 409,
    "logbook-broken": 500,
    "load-state": 409,
    "not-found": 404,
    "output-failed": 409,
    "import-invalid": 422,
    "service-unavailable": 503,
    "target-refused": 422,
    "delivery-failed": 502,
    "interrupted": 409,
}

# What HTTP itself says, before anything of the library is asked. Any other status of 400 or more gets `http-STATUS`.
_OF_HTTP = (
    Problem("bad-request", 400, Usage.exit_code, "Correct the request: the detail says what cannot be read."),
    Problem(
        "token-missing",
        401,
        Usage.exit_code,
        "Send the header 'Authorization: Bearer TOKEN'. The token is in the file that 'mediaprep serve' names.",
    ),
    Problem("forbidden", 403, Usage.exit_code, "Ask from a program on this computer, not from a page of another site."),
    Problem("no-such-route", 404, Usage.exit_code, f"See {API}/openapi.json for the addresses there are."),
    Problem("method-not-allowed", 405, Usage.exit_code, "Use a method that the header 'Allow' names."),
    Problem("conflict", 409, Usage.exit_code, "Read the resource again to see how it stands now."),
    Problem("request-too-large", 413, Usage.exit_code, "Send a smaller request: this service takes no files."),
    Problem("not-json", 415, Usage.exit_code, "Send the body as JSON, with 'Content-Type: application/json'."),
    Problem("request-invalid", 422, Usage.exit_code, "Correct the values that 'errors' names."),
    Problem("too-many-attempts", 429, Usage.exit_code, "Wait as long as 'Retry-After' says, in seconds."),
)


def _of_library(error: type[MediaPrepError]) -> Problem:
    return Problem(error.code, _STATUS_BY_CODE[error.code], error.exit_code, error.remedy)


_ERRORS: list[type[MediaPrepError]] = [MediaPrepError, *all_errors()]
_KINDS: Mapping[str, type[MediaPrepError]] = {kind.code: kind for kind in _ERRORS}

PROBLEMS: Mapping[str, Problem] = {problem.code: problem for problem in _OF_HTTP} | {
    code: _of_library(kind) for code, kind in _KINDS.items()
}
_BY_STATUS = {problem.status: problem for problem in _OF_HTTP} | {500: PROBLEMS[MediaPrepError.code]}


def problem_of_status(status: int) -> Problem:
    """Return the problem that an HTTP status stands for by itself."""
    return _BY_STATUS.get(status) or Problem(f"http-{status}", status, Usage.exit_code, "See the detail.")


def error_of(code: str, detail: str) -> MediaPrepError:
    """Return the library's error for a code and a message from the records; a code not known counts as a bug."""
    kind = _KINDS.get(code, MediaPrepError)
    error = kind.__new__(kind)
    # Some classes are made from facts that the records do not keep, but all of them say a message.
    MediaPrepError.__init__(error, detail)
    return error


def serve_problems(app: Flask) -> None:
    """Answer every error of an application with a problem document."""
    app.register_error_handler(MediaPrepError, answer_library_error)
    app.register_error_handler(HTTPException, answer_http_error)


def answer_library_error(error: MediaPrepError) -> Response:
    """Answer an error of the library. One that is a bug is logged and tells the asker nothing of its inside."""
    problem = PROBLEMS[error.code]
    if problem.code == MediaPrepError.code:
        _log.error("A fault in mediaprep", exc_info=error)
    told = error_to_wire(error)
    return _document(problem, detail=str(told.pop("message")), more=told)


def answer_http_error(error: HTTPException) -> Response:
    """Answer an error of HTTP: a refused request, values that do not fit, or the 500 that Flask makes of a bug."""
    status = error.code or HTTPStatus.INTERNAL_SERVER_ERROR
    problem = problem_of_status(status)
    more: dict[str, Json] = {}
    data = getattr(error, "data", None) or {}  # what webargs found, by place and field
    if data.get("messages"):
        more["errors"] = data["messages"]
        detail = "The request holds values that do not fit"
    elif status == HTTPStatus.INTERNAL_SERVER_ERROR:
        detail = "The service met a fault of its own. Its log says more."
    else:
        detail = error.description or HTTPStatus(status).phrase
    answer = _document(problem, detail=detail, more=more)
    # Allow, WWW-Authenticate, Retry-After: what the status itself asks for.
    for name, value in error.get_headers(request.environ):
        if name.lower() not in {"content-type", "content-length"}:
            answer.headers[name] = value
    return answer


def wants_page() -> bool:
    """Say whether the request is a browser's for a page: then its errors are pages too."""
    if request.path.startswith(f"{API}/"):
        return False
    return request.accept_mimetypes.best_match([MEDIA_TYPE, "text/html"]) == "text/html"


def _document(problem: Problem, *, detail: str, more: Mapping[str, Json]) -> Response:
    if wants_page():
        page = render_template("problem.html", problem=problem, detail=detail, remedy=more.get("remedy"))
        return current_app.response_class(page, status=problem.status, mimetype="text/html")
    body: dict[str, Json] = {
        "type": problem.type,
        "title": problem.title,
        "status": problem.status,
        "detail": detail,
        "instance": request.path,
        "code": problem.code,
        "exit_code": problem.exit_code,
        "remedy": problem.remedy,
        **more,
    }
    return current_app.response_class(
        current_app.json.dumps(body) + "\n", status=problem.status, content_type=MEDIA_TYPE
    )
