"""Reminders: when someone is told that something lapses, where the word goes, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time
from enum import StrEnum


@dataclass(frozen=True, slots=True)
class ReminderRule:
    """When to remind of what lapses, counted in days of the target's own calendar.

    `days_before` are whole days before the day of the lapse. `repeat_days`: every so many days after it, None for
    never. `aircraft`, `unit` and `kind` say what it is for, None for any; a unit needs its aircraft.
    """

    name: str
    days_before: tuple[int, ...]
    on_the_day: bool = True
    repeat_days: int | None = 7
    aircraft: str | None = None
    unit: str | None = None
    kind: str | None = None


@dataclass(frozen=True, slots=True)
class QuietHours:
    """Hours of the wall clock in which nothing is sent: from `start` until just before `end`, over midnight if need be.

    Both are naive and read in the target's time zone.
    """

    start: time
    end: time


@dataclass(frozen=True, slots=True)
class ReminderKey:
    """What makes a reminder the same one for good, whatever happens to clocks, programs and stations.

    `step` is the rule's step: signed days from the day of the lapse (`-14`, `+0`, `+7`), or `snoozed:` and the instant
    until which it was put off.
    """

    aircraft: str
    unit: str
    kind: str
    lapses_at: datetime
    step: str


@dataclass(frozen=True, slots=True)
class Reminder:
    """One reminder that is due.

    `days` are days of the target's calendar until the lapse: negative after it. `missed`: earlier steps of the rule
    came and went without being sent, such as while the computer was off, and this one stands for them.
    """

    key: ReminderKey
    due_at: datetime
    days: int
    cycle: str | None
    simulated: bool
    missed: bool = False


class AnswerKind(StrEnum):
    """What the owner said to a reminder."""

    ACKNOWLEDGED = "acknowledged"
    SNOOZED = "snoozed"


@dataclass(frozen=True, slots=True)
class ReminderAnswer:
    """The owner's answer to the reminders of one lapse. `until` is for SNOOZED only."""

    aircraft: str
    unit: str
    kind: str
    lapses_at: datetime
    answer: AnswerKind
    at: datetime
    until: datetime | None = None


@dataclass(frozen=True, slots=True)
class ReminderTarget:
    """Where reminders go. Its address is a secret and is not here: `address` is what may be shown of it.

    `zone` is an IANA time zone. `keyring_name` is the entry of the platform's keyring that holds the address, None
    where the records hold it. `allow_local`: the owner said that it may point to this computer.
    """

    name: str
    address: str
    zone: str
    quiet: QuietHours | None
    allow_local: bool
    added_at: datetime
    keyring_name: str | None = None


@dataclass(frozen=True, slots=True)
class Message:
    """What goes out: a line that says it all, and the whole of it."""

    title: str
    body: str


@dataclass(frozen=True, slots=True)
class Delivery:
    """How one attempt to hand a message to a target ended. `detail` never holds any part of the address."""

    delivered: bool
    detail: str


class MessageState(StrEnum):
    """Where a message is. WITHDRAWN: what it would have said was no longer so, or its target was removed."""

    CLAIMED = "claimed"
    WAITING = "waiting"
    SENT = "sent"
    WITHDRAWN = "withdrawn"


@dataclass(frozen=True, slots=True)
class MessageClaim:
    """The right to make one attempt at one message to one target, until a lease ends."""

    number: int
    attempt: int
    target: ReminderTarget
    reminders: tuple[Reminder, ...]


@dataclass(frozen=True, slots=True)
class MessageAttempt:
    """One attempt at a message, kept for good."""

    at: datetime
    station: str
    delivery: Delivery


@dataclass(frozen=True, slots=True)
class ReminderMessage:
    """One message to one target and all attempts at it. Every reminder in it was sent, or is held for it, once.

    `next_attempt_at` is for WAITING only.
    """

    number: int
    target: str
    state: MessageState
    made_at: datetime
    ended_at: datetime | None
    next_attempt_at: datetime | None
    keys: tuple[ReminderKey, ...]
    attempts: tuple[MessageAttempt, ...]
