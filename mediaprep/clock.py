"""Time, from the computer or as a test says it is."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta


class SystemClock:
    """The computer's own clock."""

    def now(self) -> datetime:
        """Return the present instant, aware, UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Return seconds that never run backwards, from an arbitrary start."""
        return time.monotonic()


class FixedClock:
    """A clock that stands still until it is told to move.

    Raise ValueError for a start without a zone: such a time cannot be compared with any other.
    """

    def __init__(self, start: datetime) -> None:
        if start.tzinfo is None:
            message = f"{start} has no zone"
            raise ValueError(message)
        self._now = start.astimezone(UTC)
        self._monotonic_seconds = 0.0

    def now(self) -> datetime:
        """Return the instant the clock stands at, aware, UTC."""
        return self._now

    def monotonic(self) -> float:
        """Return the seconds it was moved forward by so far."""
        return self._monotonic_seconds

    def advance(self, by: timedelta) -> None:
        """Move the clock. A step back moves `now` alone, as when someone sets the computer's clock back."""
        self._now += by
        self._monotonic_seconds += max(by.total_seconds(), 0.0)
