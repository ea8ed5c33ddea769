"""Panels, rules and targets to be reminded of, and a step that takes what is due as sent."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, tzinfo

from mediaprep.model import (
    AnswerKind,
    Currency,
    KindStatus,
    PanelStatus,
    QuietHours,
    Reminder,
    ReminderAnswer,
    ReminderKey,
    ReminderRule,
)
from mediaprep.reminders import Timing, due_reminders

LAPSE = datetime(2026, 7, 9, tzinfo=UTC)
DAY = timedelta(days=1)
RULE = ReminderRule("default", (14, 7, 1))


def panel(*kinds: tuple[str, str, datetime | None], aircraft: str = "D-TEST") -> PanelStatus:
    """A panel of which only units, kinds and lapses matter."""
    statuses = tuple(KindStatus(unit, kind, Currency.CURRENT, None, None, lapse) for unit, kind, lapse in kinds)
    return PanelStatus(aircraft, LAPSE, statuses)


ONE = panel(("NAV-1", "navigation", LAPSE))


def due(
    now: datetime,
    sent: Iterable[ReminderKey] = (),
    *,
    panels: Iterable[PanelStatus] = (ONE,),
    rules: Iterable[ReminderRule] = (RULE,),
    answers: Iterable[ReminderAnswer] = (),
    zone: tzinfo = UTC,
    quiet: QuietHours | None = None,
    since: datetime = LAPSE - 100 * DAY,
) -> list[Reminder]:
    return due_reminders(
        list(panels),
        list(rules),
        now=now,
        timing=Timing(zone, quiet, since),
        sent=set(sent),
        answers=list(answers),
    )


def steps(reminders: Iterable[Reminder]) -> list[str]:
    return [one.key.step for one in reminders]


def key(step: str) -> ReminderKey:
    return ReminderKey("D-TEST", "NAV-1", "navigation", LAPSE, step)


def answer(kind: AnswerKind, at: datetime, until: datetime | None = None) -> ReminderAnswer:
    return ReminderAnswer("D-TEST", "NAV-1", "navigation", LAPSE, kind, at, until)
