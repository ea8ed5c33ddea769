"""What a reminder says: plain words, both in UTC and by the target's clock, with the caution that goes with dates."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, tzinfo

from mediaprep.cautions import CAUTION
from mediaprep.model import Message, Reminder

MOST_LINES = 40
"""How many lapses one message names; the rest are counted. Many channels cut long messages."""


def reminder_message(reminders: Sequence[Reminder], zone: tzinfo) -> Message:
    """Return the one message that tells of all these reminders, which are at least one."""
    lapsed = [one for one in reminders if one.days < 0]
    ahead = [one for one in reminders if one.days >= 0]
    parts = []
    for heading, some in (("LAPSED", lapsed), ("LAPSES", ahead)):
        if some:
            parts.append("\n".join([heading, *(_line(one, zone) for one in some[:MOST_LINES])]))
            if len(some) > MOST_LINES:
                parts.append(f"... and {len(some) - MOST_LINES} more: see 'mediaprep due'.")
    if any(one.missed for one in reminders):
        parts.append("Earlier reminders of some of these could not be sent in time; this message stands for them.")
    parts.append(CAUTION)
    first = reminders[0].key
    parts.append(
        f"To answer: mediaprep remind ack {first.aircraft}/{first.unit} --kind {first.kind}\n"
        f"or, to put it off: mediaprep remind snooze {first.aircraft}/{first.unit} --kind {first.kind} --days 2"
    )
    return Message(_title(lapsed, ahead), "\n\n".join(parts) + "\n")


def trial_message(target: str) -> Message:
    """Return what is sent to try a target out."""
    return Message(
        "mediaprep: this is a test",
        f"Reminders for target {target} arrive here. Nothing lapses because of this message.\n\n{CAUTION}\n",
    )


def describe_days(days: int) -> str:
    """Return days until a lapse as people say it; negative: since."""
    if days == 0:
        return "today"
    if abs(days) == 1:
        return "tomorrow" if days > 0 else "yesterday"
    return f"in {days} days" if days > 0 else f"{-days} days ago"


def _title(lapsed: Sequence[Reminder], ahead: Sequence[Reminder]) -> str:
    if len(lapsed) + len(ahead) == 1:
        (only,) = [*lapsed, *ahead]
        return f"{_name(only)} {'lapsed' if only.days < 0 else 'lapses'} {describe_days(only.days)}"
    counts = [f"{len(lapsed)} lapsed"] if lapsed else []
    counts += [f"{len(ahead)} about to lapse, the first {describe_days(ahead[0].days)}"] if ahead else []
    return f"Aircraft data: {', '.join(counts)}"


def _line(reminder: Reminder, zone: tzinfo) -> str:
    held = f" {reminder.cycle}" if reminder.cycle else ""
    word = "lapsed" if reminder.days < 0 else "lapses"
    lapses_at = reminder.key.lapses_at
    utc, local = lapses_at.astimezone(UTC), lapses_at.astimezone(zone)
    here = "" if local.utcoffset() == utc.utcoffset() else f", {local:%Y-%m-%d %H:%M} {local:%Z}"
    from_simulated = "; a simulated card" if reminder.simulated else ""
    return (
        f"- {_name(reminder)}{held}: {word} {describe_days(reminder.days)} "
        f"({utc:%Y-%m-%d %H:%M} UTC{here}{from_simulated})"
    )


def _name(reminder: Reminder) -> str:
    return f"{reminder.key.aircraft}/{reminder.key.unit} {reminder.key.kind}"
