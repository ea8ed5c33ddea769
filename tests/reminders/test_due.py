"""What is due: steps, misses, answers and rules, and that nothing is due twice."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.model import AnswerKind, QuietHours, ReminderAnswer, ReminderKey, ReminderRule
from mediaprep.reminders import CLOCK_TRUST, FIRST_RETRY, LONGEST_RETRY, retry_delay, rule_for
from tests.reminders.builders import DAY, LAPSE, ONE, RULE, answer, due, key, panel, steps

SECOND = timedelta(seconds=1)


@pytest.mark.parametrize(
    ("days", "step"),
    [(-15, None), (-14, "-14"), (-8, "-14"), (-7, "-7"), (-1, "-1"), (0, "+0"), (6, "+0"), (7, "+7"), (13, "+7"),
     (14, "+14"), (700, "+700"), (705, "+700")],
)  # fmt: skip
def test_the_latest_step_that_has_begun_is_due(days: int, step: str | None) -> None:
    assert steps(due(LAPSE + days * DAY)) == ([step] if step else [])


def test_a_step_begins_with_its_day_and_not_before() -> None:
    assert due(LAPSE - 14 * DAY - SECOND) == []
    assert steps(due(LAPSE - 14 * DAY)) == ["-14"]


def test_each_step_goes_out_once_in_its_turn() -> None:
    sent: list[ReminderKey] = []
    came = []
    for hour in range(-20 * 24, 20 * 24):
        for one in due(LAPSE + timedelta(hours=hour), sent):
            sent.append(one.key)
            came.append((hour // 24, one.key.step, one.missed))
    assert came == [(-14, "-14", False), (-7, "-7", False), (-1, "-1", False), (0, "+0", False), (7, "+7", False),
                    (14, "+14", False)]  # fmt: skip


def test_what_was_missed_is_caught_up_by_one_reminder_that_says_so() -> None:
    (only,) = due(LAPSE + 9 * DAY, [key("-14")])
    assert (only.key.step, only.missed, only.days) == ("+7", True, -9)
    assert due(LAPSE + 9 * DAY, [key("-14"), only.key]) == []


def test_a_new_target_has_missed_nothing_but_hears_how_it_stands() -> None:
    (only,) = due(LAPSE - 3 * DAY, since=LAPSE - 3 * DAY)
    assert (only.key.step, only.missed) == ("-7", False)


def test_a_step_before_one_that_was_sent_does_not_come_any_more() -> None:
    longer = ReminderRule("longer", (14, 10, 7))
    assert due(LAPSE - 5 * DAY, [key("-7")], rules=[longer]) == []
    assert due(LAPSE - 8 * DAY, [key("-7")], rules=[longer]) == [], "the clock was set back by a day"


def test_what_a_wrong_clock_sent_does_not_silence_what_comes_due() -> None:
    wrong = [key("+371"), key("+364")]
    assert steps(due(LAPSE - 7 * DAY, wrong)) == ["-7"]
    assert due(LAPSE + 371 * DAY, wrong) == [], "and is not sent again when its time comes"


def test_new_data_with_another_lapse_are_reminded_of_anew() -> None:
    later = LAPSE + 28 * DAY
    other = panel(("NAV-1", "navigation", later))
    (only,) = due(later - DAY, [key("-1")], panels=[other])
    assert only.key == ReminderKey("D-TEST", "NAV-1", "navigation", later, "-1")


def test_what_never_lapses_or_no_rule_covers_is_not_reminded_of() -> None:
    assert due(LAPSE, panels=[panel(("NAV-1", "base-map", None))]) == []
    assert due(LAPSE, rules=[ReminderRule("other", (7,), kind="obstacle")]) == []
    assert due(LAPSE, rules=[]) == []


def test_a_rule_without_day_and_repeat_ends_with_its_last_step() -> None:
    rule = ReminderRule("short", (3,), on_the_day=False, repeat_days=None)
    assert steps(due(LAPSE + 400 * DAY, rules=[rule])) == ["-3"]
    assert due(LAPSE + 400 * DAY, [key("-3")], rules=[rule]) == []


# --- rules -----------------------------------------------------------------------------------------------------------


def test_the_rule_that_says_most_holds() -> None:
    everything = ReminderRule("a", (1,))
    aircraft = ReminderRule("b", (1,), aircraft="D-TEST")
    kind = ReminderRule("c", (1,), kind="navigation")
    aircraft_kind = ReminderRule("d", (1,), aircraft="D-TEST", kind="navigation")
    unit = ReminderRule("e", (1,), aircraft="D-TEST", unit="NAV-1")
    unit_kind = ReminderRule("f", (1,), aircraft="D-TEST", unit="NAV-1", kind="navigation")
    ranked = [everything, aircraft, kind, aircraft_kind, unit, unit_kind]
    for count in range(1, len(ranked) + 1):
        assert rule_for(ranked[:count], "D-TEST", "NAV-1", "navigation") == ranked[count - 1]
        assert rule_for(reversed(ranked[:count]), "D-TEST", "NAV-1", "navigation") == ranked[count - 1]
    assert rule_for(ranked, "D-TEST", "NAV-2", "navigation") == aircraft_kind
    assert rule_for(ranked, "D-ELSE", "NAV-1", "obstacle") == everything
    assert rule_for([unit], "D-ELSE", "NAV-1", "navigation") is None


# --- answers ---------------------------------------------------------------------------------------------------------


def test_acknowledged_before_the_lapse_it_comes_again_on_the_day() -> None:
    said = [answer(AnswerKind.ACKNOWLEDGED, LAPSE - 8 * DAY)]
    assert due(LAPSE - DAY, answers=said) == []
    assert due(LAPSE - SECOND, answers=said) == []
    assert steps(due(LAPSE, answers=said)) == ["+0"]
    assert steps(due(LAPSE + 7 * DAY, answers=said)) == ["+7"]


def test_acknowledged_on_the_day_or_later_it_is_quiet_for_good() -> None:
    for at in (LAPSE, LAPSE + 8 * DAY):
        assert due(at + 700 * DAY, answers=[answer(AnswerKind.ACKNOWLEDGED, at)]) == []


def test_put_off_it_comes_again_when_the_time_is_over_even_if_no_step_of_the_rule_does() -> None:
    sent = [key("-7")]
    until = LAPSE - 4 * DAY + timedelta(hours=9)
    said = [answer(AnswerKind.SNOOZED, LAPSE - 6 * DAY, until)]
    assert due(until - SECOND, sent, answers=said) == []
    (again,) = due(until, sent, answers=said)
    assert again.key.step == "snoozed:2026-07-05T09:00:00Z"
    assert due(until, [*sent, again.key], answers=said) == []
    assert steps(due(LAPSE - DAY, [*sent, again.key], answers=said)) == ["-1"]


def test_put_off_beyond_a_step_only_the_end_of_it_counts() -> None:
    said = [answer(AnswerKind.SNOOZED, LAPSE - 6 * DAY, LAPSE + 3 * DAY)]
    assert due(LAPSE, [key("-7")], answers=said) == []
    (late,) = due(LAPSE + 3 * DAY, [key("-7")], answers=said)
    assert late.missed


def test_the_latest_answer_counts_and_one_to_another_lapse_does_not() -> None:
    acknowledged = answer(AnswerKind.ACKNOWLEDGED, LAPSE - 8 * DAY)
    snoozed = answer(AnswerKind.SNOOZED, LAPSE - 8 * DAY, LAPSE - 7 * DAY)
    assert due(LAPSE - 6 * DAY, answers=[snoozed, acknowledged]) == []
    assert due(LAPSE - 6 * DAY, answers=[acknowledged, snoozed])
    other = ReminderAnswer("D-TEST", "NAV-1", "navigation", LAPSE - 28 * DAY, AnswerKind.ACKNOWLEDGED, LAPSE)
    assert due(LAPSE - 6 * DAY, answers=[other])


# --- properties ------------------------------------------------------------------------------------------------------

ZONES = st.sampled_from(["UTC", "Europe/Berlin", "America/New_York", "Asia/Kathmandu", "Pacific/Apia", "Asia/Beirut"])
RULES = st.builds(
    ReminderRule,
    st.just("rule"),
    st.sets(st.integers(1, 60), max_size=5).map(tuple),
    st.booleans(),
    st.none() | st.integers(1, 30),
)
INSTANTS = st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC))  # noqa: DTZ001
LAPSES = st.lists(INSTANTS, min_size=1, max_size=4)
QUIETS = st.none() | st.builds(QuietHours, st.times(), st.times())


@given(RULES, LAPSES, st.lists(INSTANTS, min_size=1, max_size=20), ZONES, QUIETS)
def test_whatever_the_clock_does_no_reminder_comes_twice_and_none_right_after_itself(
    rule: ReminderRule, lapses: list[datetime], clock: list[datetime], zone: str, quiet: QuietHours | None
) -> None:
    panels = [panel(*((f"U-{number}", "navigation", lapse) for number, lapse in enumerate(lapses)))]
    sent: set[ReminderKey] = set()
    for now in clock:
        found = due(now, sent, panels=panels, rules=[rule], zone=ZoneInfo(zone), quiet=quiet)
        keys = {one.key for one in found}
        assert len(keys) == len(found) <= len(lapses), "one for each lapse, however much was missed"
        assert not keys & sent
        sent |= keys
        assert due(now, sent, panels=panels, rules=[rule], zone=ZoneInfo(zone), quiet=quiet) == []


@given(RULES, INSTANTS, ZONES, st.integers(1, 40))
def test_looking_seldom_or_often_ends_with_the_same_last_step(
    rule: ReminderRule, lapse: datetime, zone: str, every_hours: int
) -> None:
    panels = [panel(("NAV-1", "navigation", lapse))]
    end = lapse + 40 * DAY
    often: list[ReminderKey] = []
    now = lapse - 70 * DAY
    while now < end:
        often += [one.key for one in due(now, often, panels=panels, rules=[rule], zone=ZoneInfo(zone))]
        now += timedelta(hours=every_hours)
    often += [one.key for one in due(end, often, panels=panels, rules=[rule], zone=ZoneInfo(zone))]
    seldom = [one.key for one in due(end, panels=panels, rules=[rule], zone=ZoneInfo(zone))]
    assert seldom == often[-1:]
    offsets = [int(one.step) for one in often]
    assert offsets == sorted(offsets)


@given(st.integers(1, 10_000))
def test_retries_come_later_each_time_up_to_a_bound_that_the_records_trust(attempts: int) -> None:
    assert FIRST_RETRY <= retry_delay(attempts) <= retry_delay(attempts + 1) <= LONGEST_RETRY < CLOCK_TRUST


def test_reminders_come_with_the_soonest_lapse_first() -> None:
    several = panel(("B", "navigation", LAPSE), ("A", "navigation", LAPSE), ("C", "obstacle", LAPSE - DAY))
    assert [one.key.unit for one in due(LAPSE, panels=[several])] == ["C", "A", "B"]
    assert ONE.kinds[0].lapses_at == LAPSE
    assert RULE.days_before[0] == 14
