"""Progress as data: what phase a job is in and how far. Drawing it is someone else's work."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

_LEAST_INTERVAL_S = 0.1


class Phase(StrEnum):
    """The phases of a job, each with totals of its own. FLUSH has none."""

    CHECK = "check"
    COPY = "copy"
    FLUSH = "flush"
    READBACK = "readback"
    RECORD = "record"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far one phase has come. In COPY, bytes count when they are on the medium, not when they are in memory.

    `files_total` is 0 as long as it is not known: a tar tells only at its end how many files it has.
    """

    phase: Phase
    files_done: int
    files_total: int
    bytes_done: int
    bytes_total: int
    path: str = ""

    @property
    def complete(self) -> bool:
        """Whether the phase has done all it set out to do."""
        return self.files_done == self.files_total and self.bytes_done == self.bytes_total


class Throttle:
    """Passes progress on to `sink`, at most ten times a second, and never keeps the last word of a phase back.

    Passed on at once are the first report of each phase, the first that is complete, and any that comes a tenth of a
    second after the one before. What was kept back last goes out when the phase changes and on `close`. `monotonic`
    returns seconds that never run backwards. Not for use by several threads at once.
    """

    def __init__(self, sink: Callable[[Progress], None], monotonic: Callable[[], float]) -> None:
        self._sink = sink
        self._monotonic = monotonic
        self._sent: Progress | None = None
        self._sent_at_s = 0.0
        self._kept_back: Progress | None = None

    def __call__(self, progress: Progress) -> None:
        """Pass one report on, or keep it back until it is superseded or due."""
        sent = self._sent
        if sent is None or sent.phase is not progress.phase:
            self.close()
            at_once = True
        else:
            at_once = progress.complete and not sent.complete
        if at_once or self._monotonic() - self._sent_at_s >= _LEAST_INTERVAL_S:
            self._send(progress)
        else:
            self._kept_back = progress

    def close(self) -> None:
        """Pass on what was kept back. The throttle may be used again: the next report counts as a first one."""
        if self._kept_back is not None:
            self._send(self._kept_back)
        self._sent = None

    def _send(self, progress: Progress) -> None:
        self._kept_back = None
        self._sent, self._sent_at_s = progress, self._monotonic()
        self._sink(progress)
