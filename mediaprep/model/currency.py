"""How a panel stands at an instant."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum

from mediaprep.model.loads import Load


class Currency(StrEnum):
    """How one data kind of one unit stands at an instant."""

    NOTHING_LOADED = "nothing loaded"
    NOT_YET = "not yet in force"
    CURRENT = "current"
    LAPSES_SOON = "lapses soon"
    LAPSED = "lapsed"
    NO_EXPIRY = "no expiry"


@dataclass(frozen=True, slots=True)
class KindStatus:
    """One data kind of one unit at an instant.

    `load` is the one in force, or else the last one that lapsed, or else (nothing yet was in force) the next.
    `next_load` is a load ahead of its effective instant that will follow `load`. `lapses_at` is the instant from
    which nothing accepted covers the kind: it counts `next_load`, where that follows without a gap.
    """

    unit: str
    kind: str
    currency: Currency
    load: Load | None
    next_load: Load | None
    lapses_at: datetime | None


@dataclass(frozen=True, slots=True)
class PanelStatus:
    """A whole panel at an instant.

    `split_kinds` are kinds of which the units hold different cycles at that instant: (kind, ((unit, cycle), ...)).
    """

    aircraft: str
    at: datetime
    kinds: tuple[KindStatus, ...]
    split_kinds: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = field(default=())
