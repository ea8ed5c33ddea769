"""Which reminders are due, given how the panels stand, the owner's rules and answers, and what was sent already.

Days are those of the target's calendar: a step that lies `n` days from the day of a lapse is due from the first moment
of that day in the target's zone. Of the steps that are due for one lapse only the latest counts; earlier ones that were
never sent are missed, and it stands for them. A computer that was off for a month has one thing to say of each lapse.

Whether quiet hours hold is asked of the instant, never the other way round: an hour that the clock skips in spring is
then no hour at all, and one that it shows twice in autumn is quiet twice.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta, tzinfo

from mediaprep.model import (
    AnswerKind,
    KindStatus,
    PanelStatus,
    QuietHours,
    Reminder,
    ReminderAnswer,
    ReminderKey,
    ReminderRule,
)
from mediaprep.quantities import format_utc, parse_utc

CLOCK_TRUST = timedelta(days=1)
"""How far into the future something that was recorded may lie before the clock it was recorded by counts as wrong."""

FIRST_RETRY = timedelta(minutes=2)
LONGEST_RETRY = timedelta(hours=6)

_SNOOZED = "snoozed:"


@dataclass(frozen=True, slots=True)
class Timing:
    """How a target counts its days and hours. `since`: what came due before then was not missed by it."""

    zone: tzinfo
    quiet: QuietHours | None
    since: datetime


@dataclass(frozen=True, slots=True)
class _Step:
    due_at: datetime
    name: str


def due_reminders(
    panels: Iterable[PanelStatus],
    rules: Sequence[ReminderRule],
    *,
    now: datetime,
    timing: Timing,
    sent: Collection[ReminderKey],
    answers: Iterable[ReminderAnswer] = (),
) -> list[Reminder]:
    """Return the reminders that are due to one target, soonest lapse first; none in its quiet hours.

    `panels` are how the aircraft stand at `now`. `sent` is what went to this target before: at least all of it that
    concerns the lapses in `panels`. `answers` are in the order they were given; the latest to a lapse counts. An
    acknowledgement given before the day of a lapse holds until that day begins, one given later for good. For one
    `now`, what this returns, once sent, is not returned again; nor is any step before it.
    """
    if is_quiet(now, timing.zone, timing.quiet):
        return []
    sent_steps: defaultdict[tuple[str, str, str, datetime], set[str]] = defaultdict(set)
    for key in sent:
        sent_steps[key.aircraft, key.unit, key.kind, key.lapses_at].add(key.step)
    answered = {(one.aircraft, one.unit, one.kind, one.lapses_at): one for one in answers}
    # A whole fleet shares few lapses, as most data follow one grid of dates.
    shared: dict[tuple[str, datetime], _Steps] = {}
    found = []
    for panel in panels:
        for status in panel.kinds:
            if status.lapses_at is None:
                continue
            rule = rule_for(rules, panel.aircraft, status.unit, status.kind)
            if rule is None:
                continue
            subject = (panel.aircraft, status.unit, status.kind, status.lapses_at)
            steps = shared.get((rule.name, status.lapses_at))
            if steps is None:
                steps = shared[rule.name, status.lapses_at] = _Steps(rule, status.lapses_at, timing, now)
            reminder = _reminder(subject, status, steps, sent_steps.get(subject, ()), answered.get(subject))
            if reminder is not None:
                found.append(reminder)
    return sorted(found, key=lambda one: (one.key.lapses_at, one.key.aircraft, one.key.unit, one.key.kind))


def rule_for(rules: Iterable[ReminderRule], aircraft: str, unit: str, kind: str) -> ReminderRule | None:
    """Return the rule that holds for one kind of one unit: the one that says most. None: no rule covers it.

    A rule for a unit says more than one for a kind, and that more than one for an aircraft. Of two that say as much,
    which the records keep out, the first by name.
    """
    matching = [
        rule
        for rule in rules
        if rule.aircraft in {None, aircraft} and rule.unit in {None, unit} and rule.kind in {None, kind}
    ]
    return min(matching, key=_rank, default=None)


def is_quiet(now: datetime, zone: tzinfo, quiet: QuietHours | None) -> bool:
    """Say whether an aware instant falls into quiet hours, by what a clock on the wall of the zone shows then."""
    if quiet is None:
        return False
    shown = now.astimezone(zone).time()
    if quiet.start <= quiet.end:
        return quiet.start <= shown < quiet.end
    return shown >= quiet.start or shown < quiet.end


def retry_delay(attempts: int) -> timedelta:
    """Return how long to wait after so many failed attempts, one or more: doubling, from 2 minutes to 6 hours."""
    return min(FIRST_RETRY * (1 << min(attempts - 1, 16)), LONGEST_RETRY)


class _Steps:
    """The steps of a rule around one lapse, as one target counts its days, at one instant."""

    def __init__(self, rule: ReminderRule, lapses_at: datetime, timing: Timing, now: datetime) -> None:
        self.timing, self.now = timing, now
        self._day = lapses_at.astimezone(timing.zone).date()
        self.days_left = (self._day - now.astimezone(timing.zone).date()).days
        self.due = self._due(rule)

    def begins(self, offset: int) -> datetime:
        """Return the first instant of the day that lies so many days from that of the lapse.

        A midnight that the clock skips or shows twice is read as its first moment (PEP 495, fold 0).
        """
        midnight = datetime.combine(self._day + timedelta(days=offset), time(0, 0), self.timing.zone)
        return midnight.astimezone(UTC)

    def _due(self, rule: ReminderRule) -> list[_Step]:
        """Return the rule's steps that are due by now, in no order; of those that repeat, the latest two at least."""
        offsets = {-days for days in rule.days_before}
        if rule.on_the_day:
            offsets.add(0)
        if rule.repeat_days is not None:
            latest = -self.days_left // rule.repeat_days
            offsets |= {turn * rule.repeat_days for turn in range(max(1, latest - 1), latest + 2)}
        steps = [_Step(self.begins(offset), f"{offset:+d}") for offset in offsets]
        return [step for step in steps if step.due_at <= self.now]

    def due_at(self, name: str) -> datetime:
        """Return when a step that was sent was due."""
        if name.startswith(_SNOOZED):
            return parse_utc(name.removeprefix(_SNOOZED))
        return self.begins(int(name))


def _reminder(
    subject: tuple[str, str, str, datetime],
    status: KindStatus,
    steps: _Steps,
    sent: Collection[str],
    answer: ReminderAnswer | None,
) -> Reminder | None:
    candidates = steps.due
    if answer is not None:
        candidates = _after_answer(candidates, answer, steps)
    latest = max(candidates, key=lambda step: step.due_at, default=None)
    if latest is None:
        return None
    # Something sent by a clock that was far ahead must not silence what comes due by the right time; its own step
    # does not go out twice all the same.
    past = [due_at for due_at in map(steps.due_at, sent) if due_at <= steps.now + CLOCK_TRUST]
    if latest.name in sent or any(latest.due_at <= due_at for due_at in past):
        return None
    since = max([steps.timing.since, *past])
    missed = any(since < step.due_at < latest.due_at for step in candidates)
    load = status.load
    return Reminder(
        ReminderKey(*subject, latest.name),
        latest.due_at,
        steps.days_left,
        (load.validity.cycle or load.bundle) if load is not None else None,
        load.simulated if load is not None else False,
        missed,
    )


def _after_answer(candidates: list[_Step], answer: ReminderAnswer, steps: _Steps) -> list[_Step]:
    """Return the steps that an answer leaves."""
    if answer.answer is AnswerKind.ACKNOWLEDGED:
        lapse_day = steps.begins(0)
        return [step for step in candidates if step.due_at >= lapse_day] if answer.at < lapse_day else []
    if answer.until is None or answer.until > steps.now:
        return []
    return [*candidates, _Step(answer.until, _SNOOZED + format_utc(answer.until))]


def _rank(rule: ReminderRule) -> tuple[bool, bool, bool, str]:
    return rule.unit is None, rule.kind is None, rule.aircraft is None, rule.name
