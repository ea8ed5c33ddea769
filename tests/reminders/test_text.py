"""What a message says."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from mediaprep.cautions import CAUTION
from mediaprep.cli.words import CAUTION as CAUTION_OF_THE_COMMANDS
from mediaprep.reminder_text import MOST_LINES, describe_days, reminder_message, trial_message
from tests.reminders.builders import DAY, LAPSE, due, panel


def test_a_single_one_is_told_in_the_title_with_both_clocks_in_the_body() -> None:
    (only,) = due(LAPSE - 7 * DAY, since=LAPSE - 8 * DAY)
    message = reminder_message([replace(only, cycle="2607")], ZoneInfo("America/New_York"))
    assert message.title == "D-TEST/NAV-1 navigation lapses in 7 days"
    line = "- D-TEST/NAV-1 navigation 2607: lapses in 7 days (2026-07-09 00:00 UTC, 2026-07-08 20:00 EDT)"
    assert line in message.body.splitlines()
    assert "LAPSED" not in message.body
    assert "could not be sent" not in message.body


def test_several_are_one_message_lapsed_ones_first() -> None:
    several = panel(("A", "navigation", LAPSE - 2 * DAY), ("B", "obstacle", LAPSE + DAY), ("C", "charts", LAPSE))
    message = reminder_message(due(LAPSE, panels=[several], since=LAPSE - 90 * DAY), UTC)
    assert message.title == "Aircraft data: 1 lapsed, 2 about to lapse, the first today"
    body = message.body
    assert body.index("LAPSED") < body.index("D-TEST/A") < body.index("LAPSES") < body.index("D-TEST/C")
    assert "lapsed 2 days ago (2026-07-07 00:00 UTC)" in body
    assert "could not be sent in time; this message stands for them" in body


def test_every_message_says_who_decides_and_how_to_answer() -> None:
    message = reminder_message(due(LAPSE), UTC)
    assert CAUTION in message.body
    assert CAUTION == CAUTION_OF_THE_COMMANDS
    assert "mediaprep remind ack D-TEST/NAV-1 --kind navigation" in message.body
    assert CAUTION in trial_message("phone").body


def test_a_simulated_card_is_called_one() -> None:
    (only,) = due(LAPSE)
    assert "simulated card" in reminder_message([replace(only, simulated=True)], UTC).body
    assert "simulated card" not in reminder_message([only], UTC).body


def test_a_whole_fleet_is_counted_not_listed() -> None:
    fleet = panel(*((f"U-{number}", "navigation", LAPSE) for number in range(MOST_LINES + 5)))
    message = reminder_message(due(LAPSE, panels=[fleet]), UTC)
    assert message.body.count("\n- ") == MOST_LINES
    assert "... and 5 more" in message.body


@pytest.mark.parametrize(
    ("days", "words"), [(0, "today"), (1, "tomorrow"), (-1, "yesterday"), (2, "in 2 days"), (-30, "30 days ago")]
)
def test_days_are_said_as_people_say_them(days: int, words: str) -> None:
    assert describe_days(days) == words
