"""Days and quiet hours by the clock on the wall, through both changes of daylight saving time.

When clocks change: in the European Union at 01:00 UTC on the last Sundays of March and October (Directive 2000/84/EC);
in the United States at 02:00 local time on the second Sunday of March and the first of November (15 U.S.C. 260a).
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest

from mediaprep.model import QuietHours
from mediaprep.reminders import is_quiet
from tests.reminders.builders import DAY, due, panel, steps

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")

# The instant of each change, and the hours of local time that it skips or repeats.
SPRING = [
    (BERLIN, datetime(2026, 3, 29, 1, tzinfo=UTC), time(2)),
    (BERLIN, datetime(2027, 3, 28, 1, tzinfo=UTC), time(2)),
    (NEW_YORK, datetime(2026, 3, 8, 7, tzinfo=UTC), time(2)),
    (NEW_YORK, datetime(2027, 3, 14, 7, tzinfo=UTC), time(2)),
]
AUTUMN = [
    (BERLIN, datetime(2026, 10, 25, 1, tzinfo=UTC), time(2)),
    (BERLIN, datetime(2027, 10, 31, 1, tzinfo=UTC), time(2)),
    (NEW_YORK, datetime(2026, 11, 1, 6, tzinfo=UTC), time(1)),
    (NEW_YORK, datetime(2027, 11, 7, 6, tzinfo=UTC), time(1)),
]
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def quiet_minutes(zone: ZoneInfo, change: datetime, quiet: QuietHours) -> int:
    start = change - 12 * HOUR
    return sum(is_quiet(start + minute * MINUTE, zone, quiet) for minute in range(24 * 60))


@pytest.mark.parametrize(("zone", "change", "hour"), SPRING)
def test_quiet_hours_that_the_clock_skips_do_not_come(zone: ZoneInfo, change: datetime, hour: time) -> None:
    assert quiet_minutes(zone, change, QuietHours(hour, time(hour.hour + 1))) == 0
    assert quiet_minutes(zone, change, QuietHours(time(22), time(7))) == 8 * 60
    assert is_quiet(change - MINUTE, zone, QuietHours(time(22), hour)), "and they end where the skipped hour begins"
    assert not is_quiet(change, zone, QuietHours(time(22), hour))


@pytest.mark.parametrize(("zone", "change", "hour"), AUTUMN)
def test_quiet_hours_that_the_clock_repeats_come_twice(zone: ZoneInfo, change: datetime, hour: time) -> None:
    assert quiet_minutes(zone, change, QuietHours(hour, time(hour.hour + 1))) == 2 * 60
    assert quiet_minutes(zone, change, QuietHours(time(22), time(7))) == 10 * 60


@pytest.mark.parametrize(("zone", "change", "_hour"), [*SPRING, *AUTUMN])
def test_a_day_s_reminder_comes_once_on_a_day_of_23_or_25_hours(zone: ZoneInfo, change: datetime, _hour: time) -> None:
    changing_day = change.astimezone(zone).date()
    lapse = datetime.combine(changing_day, time(12), zone).astimezone(UTC)
    quiet = QuietHours(time(22), time(7))
    sent, came = [], []
    now = lapse - 3 * DAY
    while now < lapse + 3 * DAY:
        for one in due(now, sent, panels=[panel(("NAV-1", "navigation", lapse))], zone=zone, quiet=quiet):
            sent.append(one.key)
            came.append((one.key.step, now.astimezone(zone)))
        now += 15 * MINUTE
    assert [step for step, _ in came] == ["-7", "-1", "+0"]
    assert [local.time() for _, local in came[1:]] == [time(7), time(7)], "when the quiet hours end, by the wall clock"
    assert came[-1][1].date() == changing_day


@pytest.mark.parametrize(("zone", "change", "_hour"), [*SPRING, *AUTUMN])
def test_days_before_are_days_of_the_calendar_not_of_24_hours(zone: ZoneInfo, change: datetime, _hour: time) -> None:
    lapse = change + 3 * DAY
    midnight = datetime.combine(lapse.astimezone(zone).date() - 7 * DAY, time(0), zone).astimezone(UTC)
    (one,) = due(midnight, [], panels=[panel(("NAV-1", "navigation", lapse))], zone=zone)
    assert (one.key.step, one.due_at, one.days) == ("-7", midnight, 7)
    assert steps(due(midnight - MINUTE, panels=[panel(("NAV-1", "navigation", lapse))], zone=zone)) == ["-14"]


def test_the_day_of_a_lapse_is_that_of_the_target_s_zone() -> None:
    lapse = datetime(2026, 7, 9, tzinfo=UTC)  # still the 8th in New York, two hours into the 9th in Berlin
    seen = [panel(("NAV-1", "navigation", lapse))]
    assert steps(due(datetime(2026, 7, 8, 12, tzinfo=UTC), panels=seen, zone=NEW_YORK)) == ["+0"]
    assert steps(due(datetime(2026, 7, 8, 12, tzinfo=UTC), panels=seen, zone=BERLIN)) == ["-1"]
    assert steps(due(datetime(2026, 7, 8, 22, tzinfo=UTC), panels=seen, zone=BERLIN)) == ["+0"]


def test_a_midnight_that_the_clock_skips_begins_its_day_an_hour_late() -> None:
    # Beirut's clocks go from 24:00 on Saturday to 01:00 on the last Sunday of March (IANA time zone data, asia).
    beirut = ZoneInfo("Asia/Beirut")
    lapse = datetime(2026, 3, 29, 12, tzinfo=UTC)
    seen = [panel(("NAV-1", "navigation", lapse))]
    first = datetime(2026, 3, 28, 22, tzinfo=UTC)
    assert first.astimezone(beirut).time() == time(1)
    assert steps(due(first, panels=seen, zone=beirut)) == ["+0"]
    assert steps(due(first - MINUTE, panels=seen, zone=beirut)) == ["-1"]


@pytest.mark.parametrize(
    ("quiet", "shown", "expected"),
    [
        (QuietHours(time(9), time(17)), time(9), True),
        (QuietHours(time(9), time(17)), time(17), False),
        (QuietHours(time(22), time(7)), time(6, 59, 59), True),
        (QuietHours(time(22), time(7)), time(7), False),
        (QuietHours(time(22), time(7)), time(21, 59, 59), False),
        (QuietHours(time(22), time(0)), time(23, 59), True),
        (QuietHours(time(22), time(0)), time(0), False),
    ],
)
def test_quiet_hours_are_half_open_and_may_pass_midnight(quiet: QuietHours, shown: time, expected: bool) -> None:
    assert is_quiet(datetime.combine(datetime(2026, 7, 1, tzinfo=UTC), shown, UTC), UTC, quiet) is expected
