"""From the records to an answer about dates: how panels stand, what is planned, and the calendar.

The rules are in the pure modules; here the records are read for them, and no more of the records than they need.
"""

from __future__ import annotations

import gc
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from mediaprep.calendar import events_of, render
from mediaprep.model import PanelStatus, VisitPlan
from mediaprep.planning import LEAD_DAYS, months_after, plan_visits
from mediaprep.records import Store
from mediaprep.status import fleet_status, panel_status

SOON_DAYS = 7


def panel_at(records: Store, aircraft: str, at: datetime) -> PanelStatus:
    """Return how an aircraft's panel stands at an instant, past or to come. Raise NotFound."""
    return panel_status(
        aircraft,
        records.units(aircraft),
        records.kinds(),
        records.loads_that_matter(aircraft, at),
        at,
        soon_days=SOON_DAYS,
    )


def fleet_at(records: Store, at: datetime) -> list[PanelStatus]:
    """Return how the panels of all aircraft stand at an instant, in the order of the aircraft's names."""
    with _no_search_for_cycles():
        return fleet_status(
            records.all_units(), records.kinds(), records.loads_of_the_fleet(at), at, soon_days=SOON_DAYS
        )


def plan_for(records: Store, panel: PanelStatus, *, lead_days: int = LEAD_DAYS, months: int = 12) -> VisitPlan:
    """Return the fewest visits that keep a panel, as it stands at its instant, current for some months.

    Raise BundleFactsInvalid where that is beyond the years that cycles are reckoned for.
    """
    until = months_after(panel.at.astimezone(UTC).date(), months)
    return plan_visits(panel, records.kinds(), until=until, lead_days=lead_days)


def calendar_at(records: Store, aircraft: str, at: datetime) -> bytes:
    """Return an aircraft's calendar as a file, noting which of its events have changed since. Raise NotFound."""
    panel = panel_at(records, aircraft, at)
    events = events_of(panel, records.kinds(), records.calendar_root(aircraft))
    revisions = records.revise_calendar(aircraft, {event.uid: event.content_sha256 for event in events}, at=at)
    return render(aircraft, events, revisions)


@contextmanager
def _no_search_for_cycles() -> Iterator[None]:
    """Let Python not look for reference cycles meanwhile.

    There are none among the many small values of a fleet, and looking takes a quarter of the time.
    """
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()
