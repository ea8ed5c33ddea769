"""Who is signed in: links that work once, the sessions they open, and a limit on guessing.

All of it is kept in memory and ends with the service. What a browser holds is never kept here as it is, but as its
digest, so that finding it takes no longer for a guess that is nearly right.
"""

from __future__ import annotations

import hashlib
import secrets
import threading
from collections import OrderedDict, deque
from collections.abc import Callable
from dataclasses import dataclass

LINK_SECONDS = 15 * 60
SESSION_SECONDS = 12 * 60 * 60
MOST_ATTEMPTS = 10
ATTEMPTS_SECONDS = 60
# More than one person's browsers; the oldest go.
_MOST_SESSIONS = 32
_MOST_LINKS = 32
_SECRET_BYTES = 32


class TooManyAttempts(Exception):
    """Sign-in was tried too often. `retry_after_seconds` says when it may be tried again."""

    def __init__(self, retry_after_seconds: int) -> None:
        super().__init__(retry_after_seconds)
        self.retry_after_seconds = retry_after_seconds


@dataclass(frozen=True, slots=True)
class Session:
    """One browser that was let in. What it changes must carry `csrf_token`, which only the service's pages hold."""

    csrf_token: str
    ends_at_s: float


class Sessions:
    """Links and sessions. `monotonic` returns seconds that never run backwards. For use by several threads at once."""

    def __init__(self, monotonic: Callable[[], float]) -> None:
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._links: OrderedDict[str, float] = OrderedDict()
        self._sessions: OrderedDict[str, Session] = OrderedDict()
        self._attempts: deque[float] = deque(maxlen=MOST_ATTEMPTS)

    def new_code(self) -> str:
        """Return the code of a link that works once, within a quarter of an hour."""
        code = secrets.token_urlsafe(_SECRET_BYTES)
        with self._lock:
            self._links[_digest(code)] = self._monotonic() + LINK_SECONDS
            _keep_newest(self._links, _MOST_LINKS)
        return code

    def sign_in(self, code: str) -> str | None:
        """Use up a link's code and return the id of the session it opens; None where it is used, too old or wrong.

        Raise TooManyAttempts, for a right code too, after `MOST_ATTEMPTS` within a minute.
        """
        now = self._monotonic()
        with self._lock:
            if len(self._attempts) == MOST_ATTEMPTS and now - self._attempts[0] < ATTEMPTS_SECONDS:
                raise TooManyAttempts(int(self._attempts[0] + ATTEMPTS_SECONDS - now) + 1)
            self._attempts.append(now)
            if self._links.pop(_digest(code), now) <= now:
                return None
            session_id = secrets.token_urlsafe(_SECRET_BYTES)
            self._sessions[_digest(session_id)] = Session(secrets.token_urlsafe(_SECRET_BYTES), now + SESSION_SECONDS)
            _keep_newest(self._sessions, _MOST_SESSIONS)
        return session_id

    def find(self, session_id: str | None) -> Session | None:
        """Return the session of an id, None where there is none or it has ended."""
        if session_id is None:
            return None
        with self._lock:
            found = self._sessions.get(_digest(session_id))
        return found if found is not None and self._monotonic() < found.ends_at_s else None


def _digest(secret: str) -> str:
    return hashlib.sha256(secret.encode()).hexdigest()


def _keep_newest(kept: OrderedDict[str, float] | OrderedDict[str, Session], most: int) -> None:
    while len(kept) > most:
        kept.popitem(last=False)
