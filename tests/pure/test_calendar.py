"""Calendars: what events there are, and that independent programs read what RFC 5545 and RFC 7986 ask for.

Two parsers read them back, written apart from each other. One of them takes events that lack what the standard
requires, so the required properties are looked for in the text, too.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from uuid import UUID

import icalendar
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from ical.calendar_stream import IcsCalendarStream

from mediaprep.calendar import CalendarEvent, Revision, events_of, render
from mediaprep.cautions import CAUTION
from mediaprep.model import CycleRule, CycleScheme, DataKind, Load, MediaRule, PanelStatus, Unit
from mediaprep.status import panel_status
from tests.pure.test_status import DAY, accepted, day

ROOT = UUID("6f7c1d0a-5d1f-4c39-9a5e-0c1f4ad1f6a2")
CHANGED = datetime(2026, 7, 1, 8, 30, tzinfo=UTC)
KINDS = {
    "navigation": DataKind("navigation", "Navigation", CycleRule(CycleScheme.AIRAC_28)),
    "obstacle": DataKind("obstacle", "Obstacles", CycleRule(CycleScheme.GRID_56)),
    "terrain": DataKind("terrain", "Terrain", CycleRule(CycleScheme.DATES)),
}


def panel(*loads: Load, at: float = 10, kinds: tuple[str, ...] = ("navigation",), units: int = 1) -> PanelStatus:
    names = [f"display-{number}" for number in range(1, units + 1)]
    owned = [Unit(name, "ALPHA", "", (), kinds, MediaRule("any")) for name in names]
    return panel_status("ALPHA", owned, KINDS, loads, day(at))


def told(found: list[CalendarEvent]) -> list[tuple[str, str]]:
    return [(f"{event.starts_at:%Y-%m-%d}", event.summary) for event in found]


def events(*loads: Load, ahead_days: int = 60, **more: object) -> list[CalendarEvent]:
    return events_of(panel(*loads, **more), KINDS, ROOT, ahead=timedelta(days=ahead_days))


def feed(found: list[CalendarEvent], sequence: int = 3) -> str:
    revisions = {event.uid: Revision(sequence, CHANGED) for event in found}
    return render("ALPHA", found, revisions).decode()


def unfolded(text: str) -> list[str]:
    return text.replace("\r\n ", "").split("\r\n")


# --- which events there are ------------------------------------------------------------------------------------------


def test_each_change_of_cycle_and_each_lapse_is_an_event() -> None:
    # 2025-01-11; the AIRAC dates of early 2025 by the published 28-day table: 2024-12-26, 01-23, 02-20.
    assert sorted(told(events(accepted(1, 3, (-6, 22), cycle="2413")))) == [
        ("2024-12-26", "navigation: cycle 2413 takes effect"),
        ("2025-01-23", "display-1: navigation 2413 lapses"),
        ("2025-01-23", "navigation: cycle 2501 takes effect"),
        ("2025-02-20", "navigation: cycle 2502 takes effect"),
    ]


def test_the_56_day_grid_has_its_own_dates() -> None:
    # In step with 2021-02-25: 2024-12-26, 2025-02-20.
    assert told(events(kinds=("obstacle",))) == [
        ("2024-12-26", "obstacle: cycle 2413 takes effect"),
        ("2025-02-20", "obstacle: cycle 2502 takes effect"),
    ]


@pytest.mark.parametrize(("year", "count"), [(2020, 14), (2021, 13)])  # the 14 dates of 2020: Polish AIS
def test_a_year_has_all_its_cycles(year: int, count: int) -> None:
    status = replace(panel(), at=datetime(year, 1, 2, tzinfo=UTC))
    end = datetime(year, 12, 31, 12, tzinfo=UTC)
    found = events_of(status, KINDS, ROOT, ahead=end - status.at)
    assert len([event for event in found if event.starts_at.year == year]) == count


def test_a_change_tells_which_units_have_the_set() -> None:
    found = events(accepted(1, 3, (-6, 22)), accepted(2, 4, (22, 50)), units=2)
    by_summary = {event.summary: event.description for event in found}
    assert "display-1 has it, display-2 does not have it." in by_summary["navigation: cycle 2501 takes effect"]
    assert "display-1 does not have it" in by_summary["navigation: cycle 2502 takes effect"]
    lapse = next(event for event in found if "lapses" in event.summary)
    assert (lapse.summary, lapse.starts_at) == ("display-1: navigation C2 lapses", day(50))
    assert "(UTC): 2025-02-19." in lapse.description
    assert all(event.description.endswith(CAUTION) for event in found)


def test_a_set_with_dates_of_its_own_changes_when_the_one_ahead_takes_over() -> None:
    loads = [accepted(1, 3, (0, 30), kind="terrain", cycle=None), accepted(2, 4, (30, 90), kind="terrain", cycle=None)]
    assert told(events(*loads, kinds=("terrain",))) == [
        ("2025-01-31", "display-1: terrain bundle-2 takes effect"),
        ("2025-04-01", "display-1: terrain bundle-2 lapses"),
    ]
    assert events(kinds=("terrain",)) == []


def test_an_event_keeps_its_uid_when_its_date_moves_and_shares_it_with_no_other() -> None:
    before = events(accepted(1, 3, (-6, 22)), units=2, kinds=("navigation", "obstacle"))
    after = events(accepted(1, 3, (-6, 22)), accepted(2, 4, (22, 50)), units=2, kinds=("navigation", "obstacle"))
    lapse = [[event.uid for event in found if "display-1: navigation" in event.summary] for found in (before, after)]
    assert lapse[0] == lapse[1]
    assert len({event.uid for event in after}) == len(after)
    other = events_of(panel(), KINDS, UUID(int=1))
    assert not {event.uid for event in other} & {event.uid for event in events()}, "another aircraft has others"
    assert all(UUID(event.uid).version == 5 for event in after)


@given(st.integers(0, 27 * 24 - 1))
def test_what_is_told_does_not_depend_on_when_within_a_cycle_one_asks(hours: int) -> None:
    load = accepted(1, -6, (-6, 22))
    (first,), (later,) = (
        [(event.uid, event.content_sha256) for event in events(load, at=at) if "2501" in event.summary]
        for at in (-5, -5 + hours / 24)
    )
    assert first == later


@pytest.mark.parametrize(
    "change",
    [
        {"starts_at": CHANGED + DAY},
        {"summary": "another"},
        {"description": "another"},
        {"alarms_before": (timedelta(days=1),)},
        {"alarms_before": ()},
    ],
)
def test_whatever_a_reader_is_told_counts_as_a_change(change: dict[str, object]) -> None:
    event = CalendarEvent("uid", CHANGED, "summary", "description", (timedelta(days=7), timedelta(days=1)))
    assert replace(event, **change).content_sha256 != event.content_sha256
    assert replace(event, uid="another").content_sha256 == event.content_sha256


# --- what independent programs read ----------------------------------------------------------------------------------

AWKWARD = [
    CalendarEvent("u-1", day(5), 'Ünit "L"; a, b\\c', "first\nsecond; third, ünd 東京 " + "é" * 200, ()),
    CalendarEvent("u-2", day(6), "Display: navigation lapses", "x", (timedelta(days=7), timedelta(hours=36))),
]


def test_the_first_parser_reads_back_every_value() -> None:
    calendar = icalendar.Calendar.from_ical(feed(AWKWARD))
    assert (str(calendar["VERSION"]), str(calendar["PRODID"])) == ("2.0", "-//mediaprep//panel calendar//EN")
    assert "METHOD" not in calendar
    assert [
        (str(event["UID"]), event.decoded("DTSTART"), str(event["SUMMARY"]), str(event["DESCRIPTION"]))
        for event in calendar.walk("VEVENT")
    ] == [(event.uid, event.starts_at, event.summary, event.description) for event in AWKWARD]
    for event in calendar.walk("VEVENT"):
        assert event.decoded("DTSTAMP") == event.decoded("LAST-MODIFIED") == CHANGED
        assert event["SEQUENCE"] == 3
    alarms = [
        (str(alarm["ACTION"]), str(alarm["DESCRIPTION"]), alarm.decoded("TRIGGER")) for alarm in calendar.walk("VALARM")
    ]
    assert alarms == [("DISPLAY", AWKWARD[1].summary, -before) for before in AWKWARD[1].alarms_before]


def test_the_second_parser_reads_the_same() -> None:
    calendar = IcsCalendarStream.calendar_from_ics(feed(AWKWARD))
    assert [
        (event.uid, event.dtstart, event.summary, event.description, event.sequence, event.dtstamp)
        for event in calendar.events
    ] == [(event.uid, event.starts_at, event.summary, event.description, 3, CHANGED) for event in AWKWARD]
    assert [alarm.trigger for event in calendar.events for alarm in event.alarm] == [
        -before for before in AWKWARD[1].alarms_before
    ]


def test_a_real_panel_is_read_by_both() -> None:
    found = events(accepted(1, 3, (-6, 22)), units=3, kinds=("navigation", "obstacle", "terrain"), ahead_days=366)
    text = feed(found)
    assert len(icalendar.Calendar.from_ical(text).walk("VEVENT")) == len(found)
    assert len(IcsCalendarStream.calendar_from_ics(text).events) == len(found)


def test_every_event_has_what_the_standard_requires_and_times_in_utc() -> None:
    # RFC 5545: 3.6.1 (UID, DTSTAMP; DTSTART without a METHOD), 3.8.7.2 (DTSTAMP in UTC), 3.6.6 (DISPLAY alarms).
    lines = unfolded(feed(AWKWARD))
    starts = [number for number, line in enumerate(lines) if line == "BEGIN:VEVENT"]
    for start in starts:
        own = lines[start : lines.index("END:VEVENT", start)]
        own = own[: own.index("BEGIN:VALARM")] if "BEGIN:VALARM" in own else own
        names = [line.partition(":")[0] for line in own]
        for name in ("UID", "DTSTAMP", "DTSTART", "SEQUENCE", "LAST-MODIFIED"):
            assert names.count(name) == 1, name
        times = [line.partition(":")[2] for line in own if line.startswith(("DTSTAMP", "DTSTART", "LAST-MODIFIED"))]
        assert all(len(time) == len("20260611T000000Z") and time.endswith("Z") for time in times)
    assert lines[-1] == "", "the last line ends too"
    assert lines.count("ACTION:DISPLAY") == lines.count("BEGIN:VALARM") == 2


def test_the_calendar_says_how_often_to_ask_again() -> None:
    # RFC 7986, section 5.7: the type must be said. X-PUBLISHED-TTL: MS-OXCICAL, section 2.1.3.1.1.15.
    lines = unfolded(feed([]))
    assert lines.count("REFRESH-INTERVAL;VALUE=DURATION:PT12H") == 1
    assert lines.count("X-PUBLISHED-TTL:PT12H") == 1
    assert "NAME:Panel of ALPHA" in lines


names = st.text(st.characters(exclude_categories=("C", "Zl", "Zp")), min_size=1, max_size=80).map(
    lambda text: text.strip() or "x"
)


@settings(max_examples=60)
@given(names, st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp", "Cn")), max_size=300))
def test_no_line_is_longer_than_75_octets_whatever_the_alphabet_and_it_reads_back(name: str, text: str) -> None:
    # RFC 5545, section 3.1: octets, not characters, without the line break.
    event = CalendarEvent("u-1", day(5), name, text, (timedelta(days=1),))
    written = render(name, [event], {"u-1": Revision(0, CHANGED)})
    assert written.endswith(b"\r\n")
    assert all(len(line) <= 75 for line in written.split(b"\r\n"))
    assert b"\n" not in written.replace(b"\r\n", b"")
    (read,) = icalendar.Calendar.from_ical(written.decode()).walk("VEVENT")
    assert (str(read["SUMMARY"]), str(read.get("DESCRIPTION", ""))) == (name, text)


def test_the_same_calendar_is_the_same_file() -> None:
    assert feed(AWKWARD) == feed(AWKWARD)
