"""When sets are to be loaded, and in which visits to the aircraft."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from mediaprep.model.panel import Validity


@dataclass(frozen=True, slots=True)
class LoadWindow:
    """The days, in UTC and both included, on which a set of a data kind can be had and loaded into a unit in time.

    `validity` is the set's, None where the kind's rule does not tell. `late`: nothing covers the kind now, so the only
    day is today.
    """

    unit: str
    kind: str
    validity: Validity | None
    first_day: date
    last_day: date
    late: bool = False


@dataclass(frozen=True, slots=True)
class Visit:
    """One visit to the aircraft, on any day from `first_day` to `last_day`, for all the loads of `windows`."""

    first_day: date
    last_day: date
    windows: tuple[LoadWindow, ...]


@dataclass(frozen=True, slots=True)
class VisitPlan:
    """The fewest visits in which everything can be loaded in time that falls due until a day, that one included.

    `lead_days` is how many days before it takes effect a set can be had.
    """

    aircraft: str
    at: datetime
    lead_days: int
    until: date
    visits: tuple[Visit, ...]
