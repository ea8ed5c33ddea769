"""Jobs on cards, loads into units, and the logbook."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from mediaprep.model.panel import Validity


class JobKind(StrEnum):
    """What a job does to a card."""

    WRITE = "write"
    VERIFY = "verify"


class JobState(StrEnum):
    """Where a job is, or how it ended. INTERRUPTED: its process died; whoever opens the records next says so."""

    RUNNING = "running"
    DONE = "done"
    REFUSED = "refused"
    FAILED = "failed"
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"


@dataclass(frozen=True, slots=True)
class Job:
    """One piece of work on one card. `touched` is true once anything on the card may have changed.

    `bundle` is the one being written, None for a verify, which covers all of them. `unit` is (aircraft, unit).
    """

    number: int
    kind: JobKind
    state: JobState
    card: str
    bundle: str | None
    unit: tuple[str, str] | None
    station: str
    started_at: datetime
    ended_at: datetime | None
    touched: bool
    code: str | None
    detail: str | None
    receipt: str | None


class Fitness(StrEnum):
    """Whether a card may be carried to a unit. `fitness.py` derives it from the card's jobs."""

    VERIFIED = "verified"
    REINSERT = "put the card in again to finish"
    UNFIT = "unfit"
    EMPTY = "nothing written"


class LoadState(StrEnum):
    """Where a load is on its way from the bench into a unit."""

    PREPARED = "prepared"
    INSTALLED = "installed"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    SUPERSEDED = "superseded"


@dataclass(frozen=True, slots=True)
class LoadEvent:
    """One step of a load. `reason` is what the owner said, such as the message the unit showed."""

    state: LoadState
    at: datetime
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Load:
    """One receipt carried to one unit. `events` is its history, oldest first, never empty.

    `receipt` is None for a load from before these records, entered from a list: nothing was proven here.
    """

    number: int
    aircraft: str
    unit: str
    slot: str | None
    card: str
    bundle: str
    kind: str
    validity: Validity
    receipt: str | None
    simulated: bool
    events: tuple[LoadEvent, ...]

    @property
    def state(self) -> LoadState:
        """The latest state."""
        return self.events[-1].state


@dataclass(frozen=True, slots=True)
class LogHead:
    """How many entries a logbook has, and the digest of the last: what to note elsewhere, on paper or in a backup.

    For an empty logbook the digest is `logchain.GENESIS`.
    """

    entries: int
    sha256: str


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One line of an aircraft's logbook. `body` is canonical JSON; `sha256` covers the one before and this body."""

    aircraft: str
    sequence: int
    at: datetime
    body: str
    previous_sha256: str
    sha256: str
