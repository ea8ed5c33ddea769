"""Stations: the computers that share the records, when each was last seen, and how far its clock is off."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

LOST_AFTER_SECONDS = 300.0
"""How long a station may be silent before its jobs count as dead. Common practice, no source."""

CLOCK_OFF_SECONDS = 2.0
"""From how far off a clock is warned of: FAT keeps times to 2 s. The limit itself is common practice, no source."""


@dataclass(frozen=True, slots=True)
class ClockOffset:
    """How far a station's clock is ahead of the database's, in seconds; negative where it is behind.

    It was measured to within `within_seconds`, half the time that the question took.
    """

    ahead_seconds: float
    within_seconds: float

    @property
    def off(self) -> bool:
        """Whether it is off by too much, for certain."""
        return abs(self.ahead_seconds) - self.within_seconds > CLOCK_OFF_SECONDS


@dataclass(frozen=True, slots=True)
class Station:
    """One computer among those that share the records, as it was when it was last seen.

    `computer` tells computers apart that were given the same name. `first_seen_at`, `last_seen_at` and
    `silent_seconds` are by the database's own clock. `jobs` are the numbers of those at work there.
    """

    name: str
    computer: str
    tool_version: str
    first_seen_at: datetime
    last_seen_at: datetime
    silent_seconds: float
    clock: ClockOffset
    jobs: tuple[int, ...]

    @property
    def lost(self) -> bool:
        """Whether it was silent for so long that its jobs count as dead."""
        return self.silent_seconds > LOST_AFTER_SECONDS
