"""How a panel stands at an instant."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from enum import StrEnum

from mediaprep.model.loads import Load


class Currency(StrEnum):
    """How one data kind of one unit stands at an instant.

    UNKNOWN: nothing was accepted, but a card was put in and nobody has said since what the unit made of it.
    """

    NOTHING_LOADED = "nothing loaded"
    NOT_YET = "not yet in force"
    CURRENT = "current"
    LAPSES_SOON = "lapses soon"
    LAPSED = "lapsed"
    NO_EXPIRY = "no expiry"
    UNKNOWN = "unknown"


@dataclass(frozen=True, slots=True)
class KindStatus:
    """One data kind of one unit at an instant.

    `load` is the one in force, or else the last one that lapsed, or else (nothing yet was in force) the next.
    `next_load` is a load ahead of its effective instant that will follow `load`. `lapses_at` is the instant from
    which nothing accepted covers the kind: it counts `next_load`, where that follows without a gap. `waiting` is a load
    on its way into the unit that would change something: put in but not yet answered for, or prepared on a card.
    """

    unit: str
    kind: str
    currency: Currency
    load: Load | None
    next_load: Load | None
    lapses_at: datetime | None
    waiting: Load | None = None


class Doing(StrEnum):
    """What is to be done next for a data kind of a unit."""

    ANSWER = "log what the unit showed"
    CARRY = "carry the prepared card to the unit"
    LOAD = "write and load the next set"


@dataclass(frozen=True, slots=True)
class NextStep:
    """What is to be done next for a data kind of a unit. `load` is what is to be carried or answered for.

    `last_day` is the last whole day, in UTC, before the kind lapses; None: at once, for nothing covers it now.
    """

    unit: str
    kind: str
    doing: Doing
    load: Load | None
    last_day: date | None


@dataclass(frozen=True, slots=True)
class PanelStatus:
    """A whole panel at an instant.

    `split_kinds` are kinds of which the units hold different cycles at that instant: (kind, ((unit, cycle), ...)).
    `next_step` is the most urgent thing to do, None where nothing of the panel ever lapses.
    """

    aircraft: str
    at: datetime
    kinds: tuple[KindStatus, ...]
    split_kinds: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = field(default=())
    next_step: NextStep | None = None


@dataclass(frozen=True, slots=True)
class Trip:
    """What a panel as it is loaded now does between two instants, both included.

    `not_in_force` holds nothing in force at the start; `lapses` is covered at the start and not to the end; of
    `changes` another set takes over on the way, which asks for a look at the charts and procedures in use.
    """

    aircraft: str
    start: datetime
    end: datetime
    not_in_force: tuple[KindStatus, ...]
    lapses: tuple[KindStatus, ...]
    changes: tuple[KindStatus, ...]
