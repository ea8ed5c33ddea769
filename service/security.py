"""Who may ask: only programs on this computer that hold its token, and never a page of some other site.

Any web page that a person opens can send requests to this computer. What stands against that: the service listens on
the loopback only; the `Host` must be a name of the loopback (else a foreign name that was made to point here could
read the answers: DNS rebinding); requests that a browser says come from another site are refused; and everything but
the health of the service needs a token that lies in a file only its owner can read.
"""

from __future__ import annotations

import hmac
import os
import re
import secrets
import stat
from pathlib import Path

from flask import Flask, Response, request
from werkzeug.datastructures import WWWAuthenticate
from werkzeug.exceptions import (
    BadRequest,
    Forbidden,
    RequestEntityTooLarge,
    Unauthorized,
    UnsupportedMediaType,
)

from mediaprep.errors import ServiceUnavailable
from service.problems import API

TOKEN_FILE = "service-token"  # noqa: S105 - the name of the file
CALENDAR = "/calendar/"
# Whatever is not named here needs the token, routes that do not exist included. Below CALENDAR the address holds a key
# of its own.
OPEN = frozenset({"/", f"{API}/health"})
# No request carries files, so a large one is a mistake or worse.
MOST_BODY_BYTES = 2**20

_TOKEN_BYTES = 32
_LOOPBACK_HOST = re.compile(r"(127\.0\.0\.1|localhost|\[::1\])(:\d{1,5})?", re.IGNORECASE)
_LOOPBACK_ORIGIN = re.compile(rf"http://{_LOOPBACK_HOST.pattern}", re.IGNORECASE)
# What a browser says of where a request comes from (Fetch Metadata). Programs that are no browsers say nothing.
_OWN_SITES = {None, "same-origin", "none"}


def token_of(data_dir: Path) -> str:
    """Return this computer's token, made at the first call and kept in `data_dir`, readable by its owner only.

    A file that others could read is not trusted: it is replaced, and programs that hold the old token must read it
    anew. Raise ServiceUnavailable where the file cannot be read or made.
    """
    path = data_dir / TOKEN_FILE
    try:
        found = _read_token(path)
        if found is None:
            path.unlink(missing_ok=True)
            found = _make_token(path)
    except OSError as error:
        message = f"The service's token {path} cannot be read or made: {error.strerror}"
        raise ServiceUnavailable(message, remedy="Make the folder writable for you, and remove the file.") from error
    return found


def guard(app: Flask, token: str) -> None:
    """Let every request pass these guards before anything else is done with it, and mark every answer."""

    def refuse() -> None:
        _refuse_foreign_host()
        _refuse_other_sites()
        if request.path not in OPEN and not request.path.startswith(CALENDAR):
            _refuse_without_token(token)
        _refuse_odd_body()

    app.config["MAX_CONTENT_LENGTH"] = MOST_BODY_BYTES
    app.before_request(refuse)
    app.after_request(_mark)


def _read_token(path: Path) -> str | None:
    """Return the token in a file, None where there is none worth trusting. Links are not followed. Raise OSError."""
    try:
        opened = os.open(path, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
    except FileNotFoundError:
        return None
    with os.fdopen(opened, encoding="ascii", errors="replace") as file:
        if os.name == "posix" and stat.S_IMODE(os.fstat(file.fileno()).st_mode) & 0o077:
            return None
        token = file.read().strip()
    return token if len(token) >= _TOKEN_BYTES and token.isascii() else None


def _make_token(path: Path) -> str:
    token = secrets.token_urlsafe(_TOKEN_BYTES)
    opened = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(opened, "w", encoding="ascii") as file:
        file.write(token + "\n")
    return token


def _refuse_foreign_host() -> None:
    if not _LOOPBACK_HOST.fullmatch(request.headers.get("Host", "")):
        message = "The Host header does not name this computer's loopback"
        raise BadRequest(message)


def _refuse_other_sites() -> None:
    origin = request.headers.get("Origin")
    if origin is not None and not _LOOPBACK_ORIGIN.fullmatch(origin):
        message = "The request comes from a page of another origin"
        raise Forbidden(message)
    if request.headers.get("Sec-Fetch-Site") not in _OWN_SITES:
        message = "The request comes from a page of another site"
        raise Forbidden(message)


def _refuse_without_token(token: str) -> None:
    scheme, _, given = request.headers.get("Authorization", "").partition(" ")
    # Compared as bytes, in a time that does not tell how much of it was right.
    if scheme.lower() != "bearer" or not hmac.compare_digest(given.strip().encode(), token.encode()):
        message = "The request does not carry this service's token"
        raise Unauthorized(message, www_authenticate=WWWAuthenticate("bearer", {"realm": "mediaprep"}))


def _refuse_odd_body() -> None:
    if (request.content_length or 0) > MOST_BODY_BYTES:
        message = f"A request may hold up to {MOST_BODY_BYTES} bytes"
        raise RequestEntityTooLarge(message)
    has_body = bool(request.content_length) or "Transfer-Encoding" in request.headers
    if has_body and request.mimetype != "application/json":
        message = f"The body is '{request.mimetype or 'of no stated type'}', not application/json"
        raise UnsupportedMediaType(message)


def _mark(answer: Response) -> Response:
    headers = answer.headers
    headers.setdefault("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'; base-uri 'none'")
    headers["X-Content-Type-Options"] = "nosniff"
    headers["Referrer-Policy"] = "no-referrer"
    headers["Cross-Origin-Resource-Policy"] = "same-origin"
    if request.path != "/":
        headers.setdefault("Cache-Control", "no-store")
    return answer
