"""Progress as data: what phase a job is in and how far. Drawing it is someone else's work."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Phase(StrEnum):
    """The phases of a job, each with totals of its own. FLUSH has none."""

    CHECK = "check"
    COPY = "copy"
    FLUSH = "flush"
    READBACK = "readback"
    RECORD = "record"


@dataclass(frozen=True, slots=True)
class Progress:
    """How far one phase has come. In COPY, bytes count when they are on the medium, not when they are in memory."""

    phase: Phase
    files_done: int
    files_total: int
    bytes_done: int
    bytes_total: int
    path: str = ""
