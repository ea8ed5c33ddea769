"""What the pages say of dates, units and cards: pure words, each with the tone in which it is said.

A tone is one of `good`, `soon`, `bad`, `open`, `plain`: it chooses a colour and a mark, never without the word.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime

from mediaprep.model import Currency, Doing, Fitness, JobState, KindStatus, NextStep, Validity
from mediaprep.quantities import format_days

CURRENCY_TONES = {
    Currency.NOTHING_LOADED: "open",
    Currency.NOT_YET: "plain",
    Currency.CURRENT: "good",
    Currency.LAPSES_SOON: "soon",
    Currency.LAPSED: "bad",
    Currency.NO_EXPIRY: "good",
    Currency.UNKNOWN: "open",
}
FITNESS_TONES = {
    Fitness.VERIFIED: "good",
    Fitness.REINSERT: "soon",
    Fitness.UNFIT: "bad",
    Fitness.EMPTY: "plain",
}
JOB_TONES = {
    JobState.RUNNING: "plain",
    JobState.DONE: "good",
    JobState.REFUSED: "soon",
    JobState.FAILED: "bad",
    JobState.CANCELLED: "soon",
    JobState.INTERRUPTED: "bad",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """One data kind of one unit, in words: `when` names the date, `left` the days to it or since, both may be empty."""

    kind: str
    holds: str
    word: str
    tone: str
    when: str
    left: str
    then: str
    waiting: str


def standing_of(status: KindStatus, at: datetime) -> Standing:
    """Return how one data kind of a unit stands at an instant."""
    when, left = _when(status, at)
    load, following, waiting = status.load, status.next_load, status.waiting
    return Standing(
        kind=status.kind,
        holds="nothing" if load is None else _set_name(load.validity, load.bundle),
        word=status.currency.value,
        tone=CURRENCY_TONES[status.currency],
        when=when,
        left=left,
        then="" if following is None else f"then {_set_name(following.validity, following.bundle)}",
        waiting="" if waiting is None else f"{waiting.bundle} on card {waiting.card}: {waiting.state.value}",
    )


def next_step_of(step: NextStep) -> str:
    """Return what is to be done next, as one sentence."""
    load = step.load
    match step.doing:
        case Doing.ANSWER if load is not None:
            what = f"Log what {step.unit} showed when card {load.card} with {load.bundle} was put in"
        case Doing.CARRY if load is not None:
            what = f"Carry card {load.card} with {load.bundle} to {step.unit}"
        case _:
            what = f"Write the next {step.kind} for {step.unit} and load it"
    return f"{what}: nothing covers it now." if step.last_day is None else f"{what}, by {date_of(step.last_day)}."


def date_of(day: date) -> str:
    """Return a date for people."""
    return f"{day.day} {day:%b %Y}"


def instant_of(instant: datetime) -> str:
    """Return an instant for people, in UTC: the date, with the time where it is not midnight."""
    utc = instant.astimezone(UTC)
    return date_of(utc) if (utc.hour, utc.minute) == (0, 0) else f"{date_of(utc)}, {utc:%H:%M}"


def validity_of(validity: Validity) -> str:
    """Return a period for people."""
    begins = f"from {instant_of(validity.effective_at)}" if validity.effective_at else ""
    ends = f"until {instant_of(validity.lapses_at)}" if validity.lapses_at else "does not lapse"
    return f"{begins} {ends}".strip()


def _when(status: KindStatus, at: datetime) -> tuple[str, str]:
    if status.currency is Currency.NOT_YET and status.load is not None and status.load.validity.effective_at:
        begins = status.load.validity.effective_at
        return f"from {instant_of(begins)}", f"in {format_days(begins - at)}"
    if status.lapses_at is None:
        return "", ""
    gone = status.currency is Currency.LAPSED
    distance = format_days(abs(status.lapses_at - at))
    return f"{'on' if gone else 'until'} {instant_of(status.lapses_at)}", f"{distance} {'ago' if gone else 'left'}"


def _set_name(validity: Validity, bundle: str) -> str:
    return f"cycle {validity.cycle}" if validity.cycle else bundle
