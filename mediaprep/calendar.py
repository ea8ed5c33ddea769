"""A panel's dates as a calendar (RFC 5545) that other programs read: when cycles change, when what is loaded lapses.

It is a plain snapshot without a METHOD, so an event's DTSTAMP is the time of its last change, as its LAST-MODIFIED is
(section 3.8.7.2): a feed that is asked for twice is the same twice. Whether an event has changed, and which number its
change has, the records know. All times are UTC, so that no reader moves an alarm into a zone of its own (3.8.6.3).

How often to ask again is said as RFC 7986, section 5.7, has it, and as X-PUBLISHED-TTL for older programs.
"""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import NamedTuple
from uuid import UUID, uuid5

from mediaprep.cautions import CAUTION
from mediaprep.cycles import cycle_at, cycles_between
from mediaprep.model import DataKind, KindStatus, Load, PanelStatus
from mediaprep.quantities import format_utc
from mediaprep.status import last_day_before

PRODID = "-//mediaprep//panel calendar//EN"
MEDIA_TYPE = "text/calendar"
ASK_AGAIN_AFTER = timedelta(hours=12)
# Common practice, no source.
LAPSE_ALARMS = (timedelta(days=7), timedelta(days=1))
CHANGE_ALARMS = (timedelta(days=1),)


@dataclass(frozen=True, slots=True)
class CalendarEvent:
    """One event. `uid` stays the same for as long as it tells of the same thing, whatever becomes of its date."""

    uid: str
    starts_at: datetime
    summary: str
    description: str
    alarms_before: tuple[timedelta, ...]

    @property
    def content_sha256(self) -> str:
        """The digest of all that a reader is told: another digest means that the event has changed."""
        alarms = [str(before // timedelta(seconds=1)) for before in self.alarms_before]
        # No name or sentence holds a zero byte, so nothing can be taken for something else.
        told = "\0".join([format_utc(self.starts_at), self.summary, self.description, *alarms])
        return hashlib.sha256(told.encode()).hexdigest()


class Revision(NamedTuple):
    """Which change of an event this is, counted from 0, and when it was made."""

    sequence: int
    changed_at: datetime


def events_of(
    panel: PanelStatus, kinds: Mapping[str, DataKind], root: UUID, *, ahead: timedelta = timedelta(days=366)
) -> list[CalendarEvent]:
    """Return the events of a panel by time: each lapse, and each change of cycle from the one in force on.

    Their UIDs are made under `root`, which is the aircraft's own. Raise BundleFactsInvalid where `ahead` reaches
    beyond the years that cycles are reckoned for.
    """
    by_kind: defaultdict[str, list[KindStatus]] = defaultdict(list)
    for status in panel.kinds:
        by_kind[status.kind].append(status)
    found = [
        *_lapses(panel, root),
        *(
            event
            for name, statuses in by_kind.items()
            for event in _changes(panel, kinds[name], statuses, root, panel.at + ahead)
        ),
    ]
    return sorted(found, key=lambda event: (event.starts_at, event.uid))


def render(aircraft: str, events: Sequence[CalendarEvent], revisions: Mapping[str, Revision]) -> bytes:
    """Return the calendar as a file: CRLF between lines, none longer than 75 octets (RFC 5545, section 3.1)."""
    # Loaded only here: most commands need no calendar.
    import icalendar

    name = f"Panel of {aircraft}"
    calendar = icalendar.Calendar()
    calendar.add("prodid", PRODID)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("name", name)
    calendar.add("x-wr-calname", name)
    # The value's type is not the property's default, so it has to be said (RFC 7986, section 5.7).
    calendar.add("refresh-interval", ASK_AGAIN_AFTER, parameters={"VALUE": "DURATION"})
    calendar.add("x-published-ttl", icalendar.vDuration(ASK_AGAIN_AFTER))
    for event in events:
        revision = revisions[event.uid]
        shown = icalendar.Event()
        shown.add("uid", event.uid)
        shown.add("dtstamp", revision.changed_at)
        shown.add("last-modified", revision.changed_at)
        shown.add("sequence", revision.sequence)
        shown.add("dtstart", event.starts_at)
        shown.add("summary", event.summary)
        shown.add("description", event.description)
        shown.add("transp", "TRANSPARENT")
        for before in event.alarms_before:
            alarm = icalendar.Alarm()
            alarm.add("action", "DISPLAY")
            alarm.add("description", event.summary)
            alarm.add("trigger", -before)
            shown.add_component(alarm)
        calendar.add_component(shown)
    return bytes(calendar.to_ical())


def _lapses(panel: PanelStatus, root: UUID) -> Iterator[CalendarEvent]:
    for status in panel.kinds:
        if status.lapses_at is None:
            continue
        last = next((load for load in (status.next_load, status.load) if _ends_cover(load, status)), None)
        named = f" {_set_name(last)}" if last is not None else ""
        yield CalendarEvent(
            uid=str(uuid5(root, f"lapse/{status.unit}/{status.kind}")),
            starts_at=status.lapses_at,
            summary=f"{status.unit}: {status.kind}{named} lapses",
            description=(
                f"From this instant on nothing that is loaded covers {status.kind} in unit {status.unit} of "
                f"{panel.aircraft}. Last whole day to load the next set (UTC): {last_day_before(status.lapses_at)}.\n"
                f"{CAUTION}"
            ),
            alarms_before=LAPSE_ALARMS,
        )


def _changes(
    panel: PanelStatus, kind: DataKind, statuses: Sequence[KindStatus], root: UUID, end: datetime
) -> Iterator[CalendarEvent]:
    """Yield the changes of cycle of a kind: of its grid, or where it has none of what is loaded ahead."""
    in_force = cycle_at(kind.cycle_rule, panel.at)
    if in_force is not None and in_force.effective_at is not None:
        for cycle in cycles_between(kind.cycle_rule, in_force.effective_at, end):
            if cycle.effective_at is not None:
                held = ", ".join(f"{one.unit} {_has(one, cycle.effective_at)}" for one in statuses)
                yield _change(
                    f"change/{kind.name}/{format_utc(cycle.effective_at)}",
                    root,
                    cycle.effective_at,
                    f"{kind.name}: cycle {cycle.cycle} takes effect",
                    f"On {panel.aircraft}: {held}.",
                )
        return
    for status in statuses:
        if status.next_load is not None and status.next_load.validity.effective_at is not None:
            yield _change(
                f"change/{status.unit}/{status.kind}",
                root,
                status.next_load.validity.effective_at,
                f"{status.unit}: {kind.name} {_set_name(status.next_load)} takes effect",
                f"It is loaded ahead in unit {status.unit} of {panel.aircraft}.",
            )


def _change(name: str, root: UUID, starts_at: datetime, summary: str, told: str) -> CalendarEvent:
    described = f"{told}\nPublishers differ in the time of day, and a State may publish nothing on a date.\n{CAUTION}"
    return CalendarEvent(str(uuid5(root, name)), starts_at, summary, described, CHANGE_ALARMS)


def _has(status: KindStatus, effective_at: datetime) -> str:
    loads = (status.load, status.next_load)
    return (
        "has it" if any(load and load.validity.effective_at == effective_at for load in loads) else "does not have it"
    )


def _ends_cover(load: Load | None, status: KindStatus) -> bool:
    return load is not None and load.validity.lapses_at == status.lapses_at


def _set_name(load: Load) -> str:
    return load.validity.cycle or load.bundle
