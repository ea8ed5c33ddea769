"""Who may ask: programs on this computer that hold its token, and browsers that were let in by a link of its own.

Any web page that a person opens can send requests to this computer. What stands against that: the service listens on
the loopback only; the `Host` must be a name of the loopback (else a foreign name that was made to point here could
read the answers: DNS rebinding); requests that a browser says come from another site are refused; and everything but
the health of the service needs a token that lies in a file only its owner can read, or the cookie of a session.

A browser sends a cookie whoever makes it ask. So with a cookie, what changes anything must come from a page of this
very origin, port included, and carry a token that only this service's pages hold.
"""

from __future__ import annotations

import hmac
import os
import re
import secrets
import stat
from pathlib import Path

from flask import Flask, Response, g, request
from werkzeug.datastructures import WWWAuthenticate
from werkzeug.exceptions import (
    BadRequest,
    Forbidden,
    RequestEntityTooLarge,
    TooManyRequests,
    Unauthorized,
    UnsupportedMediaType,
)

from mediaprep.errors import ServiceUnavailable
from service.problems import API
from service.sessions import Session, Sessions, TooManyAttempts

LOOPBACK = "127.0.0.1"
TOKEN_FILE = "service-token"  # noqa: S105 - the name of the file
CSRF_HEADER = "X-CSRF-Token"
START = "/start/"
CALENDAR = "/calendar/"
# Whatever is not named here needs the token or a session, routes that do not exist included. The style and the scripts
# of the pages tell nothing of what is in the records. Below START and CALENDAR the address holds a key of its own.
OPEN = frozenset({"/", f"{API}/health"})
OPEN_BELOW = (START, CALENDAR, "/static/")
# No request carries files, so a large one is a mistake or worse.
MOST_BODY_BYTES = 2**20

_TOKEN_BYTES = 32
_LOOPBACK_HOST = re.compile(r"(127\.0\.0\.1|localhost|\[::1\])(:\d{1,5})?", re.IGNORECASE)
_LOOPBACK_ORIGIN = re.compile(rf"http://{_LOOPBACK_HOST.pattern}", re.IGNORECASE)
_HARMLESS = frozenset({"GET", "HEAD", "OPTIONS"})
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


def guard(app: Flask, token: str, sessions: Sessions) -> None:
    """Let every request pass these guards before anything else is done with it, and mark every answer."""

    def refuse() -> None:
        _refuse_foreign_host()
        _refuse_other_sites()
        # Whoever shows a token is judged by that alone.
        shown = "Authorization" in request.headers
        g.session = None if shown else sessions.find(request.cookies.get(_cookie_name()))
        if request.path not in OPEN and not request.path.startswith(OPEN_BELOW):
            _refuse_strangers(token, g.session)
        _refuse_odd_body()

    app.config["MAX_CONTENT_LENGTH"] = MOST_BODY_BYTES
    app.before_request(refuse)
    app.after_request(_mark)


def session_here() -> Session | None:
    """Return the session that the request belongs to: None where it was let in by the token, or asks for no leave."""
    session: Session | None = g.get("session")  # a request that was refused early got none
    return session


def start_session(sessions: Sessions, code: str, answer: Response) -> bool:
    """Give an answer the cookie of a new session, for the code of a link. Return False where the code opens nothing.

    Raise TooManyRequests where it was tried too often.
    """
    try:
        session_id = sessions.sign_in(code)
    except TooManyAttempts as error:
        message = "Links were tried too often"
        raise TooManyRequests(message, retry_after=error.retry_after_seconds) from error
    if session_id is None:
        return False
    # Without an age: it goes when the browser is closed. Not `secure`, for that is no matter on the loopback.
    answer.set_cookie(_cookie_name(), session_id, httponly=True, samesite="Strict")
    return True


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


def _refuse_strangers(token: str, session: Session | None) -> None:
    if session is None:
        _refuse_without_token(token)
    elif request.method not in _HARMLESS:
        _refuse_unmeant(session)


def _refuse_unmeant(session: Session) -> None:
    """Refuse a change that may not be meant: one that no page of this very origin asks for. Raise Forbidden."""
    if request.headers.get("Origin") != request.host_url.rstrip("/"):
        message = "The request comes with a session, but not from a page of this service"
        raise Forbidden(message)
    given = request.headers.get(CSRF_HEADER, "")
    if not hmac.compare_digest(given.encode(), session.csrf_token.encode()):
        message = f"The request comes with a session, but without its {CSRF_HEADER}"
        raise Forbidden(message)


def _cookie_name() -> str:
    """Return the session cookie's name. A browser keeps one set of cookies for all ports of a computer."""
    port = request.host.rpartition(":")[2]
    return f"mediaprep-{port}" if port.isdecimal() else "mediaprep"


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
    headers["Cross-Origin-Opener-Policy"] = "same-origin"
    if not request.path.startswith("/static/"):
        headers.setdefault("Cache-Control", "no-store")
    return answer
