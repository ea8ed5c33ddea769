"""`mediaprep remind`: send what is due, answer what came, and look back at what went out."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import click

from mediaprep.cautions import CAUTION
from mediaprep.cli.desk import Desk, json_option, pass_desk
from mediaprep.cli.remind_setup import list_rules, rule, target
from mediaprep.cli.words import describe_instant
from mediaprep.errors import DeliveryFailed, Usage
from mediaprep.model import AnswerKind, MessageState, Reminder, ReminderAnswer, ReminderMessage
from mediaprep.quantities import parse_utc

if TYPE_CHECKING:
    from mediaprep.reminding import Dispatch


@click.group(invoke_without_command=True)
@click.option("--dry-run", is_flag=True, help="Show what would go out now, and send nothing.")
@json_option
@click.pass_context
def remind(context: click.Context, dry_run: bool) -> None:
    """Send the reminders that are due now, each once; for a timer to run, or set reminders up.

    What could not be delivered is tried again by later runs. Run it every quarter of an hour or so: a timer for that
    is in packaging/systemd, and 'mediaprep serve' does it while it runs.
    """
    if context.invoked_subcommand is not None:
        return
    desk = context.ensure_object(Desk)
    if not desk.records.reminder_targets():
        desk.out.text("No target yet, so nothing is sent. Add one: mediaprep remind target add NAME")
        desk.out.result(dispatches=[])
    elif dry_run:
        _show_due(desk)
    else:
        _send(desk)


@remind.command()
@click.argument("label", metavar="UNIT")
@click.option("--kind", "kinds", multiple=True, help="Only this kind of data. Repeatable.")
@json_option
@pass_desk
def ack(desk: Desk, label: str, kinds: tuple[str, ...]) -> None:
    """Acknowledge the reminders of a UNIT: no more of them until the day of the lapse, or after it no more at all.

    New data with another lapse is reminded of anew. An acknowledgement makes nothing current.
    """
    answers = _answer(desk, label, kinds, AnswerKind.ACKNOWLEDGED, None)
    for one in answers:
        until = "the day it lapses" if desk.clock.now() < one.lapses_at else "it lapses the next time"
        desk.out.text(f"Acknowledged: {label} {one.kind}, quiet until {until} ({describe_instant(one.lapses_at)} UTC).")
    desk.out.paragraph(CAUTION)
    desk.out.result(answers=answers)


@remind.command()
@click.argument("label", metavar="UNIT")
@click.option("--kind", "kinds", multiple=True, help="Only this kind of data. Repeatable.")
@click.option("--days", type=click.IntRange(min=1), help="For so many days from now.")
@click.option("--until", "instant", metavar="DATE", help="Until a date or time (UTC).")
@json_option
@pass_desk
def snooze(desk: Desk, label: str, kinds: tuple[str, ...], days: int | None, instant: str | None) -> None:
    """Put the reminders of a UNIT off: they come again when the time is over."""
    if (days is None) == (instant is None):
        message = "How long? Neither or both of --days and --until are given"
        raise Usage(message, remedy="Write --days 3, or --until 2026-12-24.")
    now = desk.clock.now()
    until = now.replace(microsecond=0) + timedelta(days=days) if days is not None else parse_utc(instant or "")
    if until <= now:
        message = f"{describe_instant(until)} UTC is over already"
        raise Usage(message, remedy="Name a time to come.")
    answers = _answer(desk, label, kinds, AnswerKind.SNOOZED, until)
    for one in answers:
        desk.out.text(f"Put off until {describe_instant(until)} UTC: {label} {one.kind}.")
        if now < one.lapses_at < until:
            desk.out.note(f"{label} {one.kind} lapses before then, on {describe_instant(one.lapses_at)} UTC.")
    desk.out.paragraph(CAUTION)
    desk.out.result(answers=answers)


@remind.command()
@click.option("--last", default=20, show_default=True, type=click.IntRange(min=1), help="How many messages.")
@json_option
@pass_desk
def history(desk: Desk, last: int) -> None:
    """List the messages that went out or wait, with how each attempt ended."""
    found = desk.records.reminder_messages(last)
    desk.out.table(
        ("NO", "MADE (UTC)", "TARGET", "STATE", "ABOUT", "LAST ATTEMPT"),
        [
            (str(one.number), f"{one.made_at:%Y-%m-%d %H:%M}", one.target, _state(one), _about(one), _last(one))
            for one in found
        ],
        empty="No message was sent yet.",
    )
    desk.out.result(messages=found)


for command in (list_rules, rule, target):
    remind.add_command(command)


def _send(desk: Desk) -> None:
    from mediaprep.reminding import send_due
    from mediaprep.send import AppriseSender

    with desk.stoppable():
        done = send_due(desk.records, AppriseSender(), desk.clock, cancelled=desk.stopped)
    waiting = [one for one in desk.records.reminder_messages(only_open=True) if one.attempts]
    desk.out.table(
        ("TARGET", "REMINDERS", "RESULT"),
        [(one.target, str(len(one.reminders)), _result(one)) for one in done],
        empty="Nothing to send now.",
    )
    for one in waiting:
        if one.target not in {each.target for each in done} and one.next_attempt_at is not None:
            desk.out.text(f"Waits: message {one.number} to {one.target}, next try {_minute(one.next_attempt_at)} UTC.")
    failed = [one for one in done if one.state is not MessageState.SENT]
    if not failed:
        desk.out.result(dispatches=done, waiting=waiting)
        return
    named = "; ".join(f"{one.target}: {one.detail}" for one in failed)
    error = DeliveryFailed(f"Not delivered to {named}")
    desk.out.failure(error, dispatches=done, waiting=waiting)
    desk.exit_code = error.exit_code


def _show_due(desk: Desk) -> None:
    from mediaprep.reminder_text import reminder_message
    from mediaprep.reminders import is_quiet
    from mediaprep.reminding import due_to, situation, zone_named

    stands = situation(desk.records, desk.clock)
    shown: list[dict[str, object]] = []
    for one in desk.records.reminder_targets():
        due: Sequence[Reminder] = due_to(desk.records, one, stands)
        quiet = is_quiet(stands.now, zone_named(one.zone), one.quiet)
        shown.append({"target": one.name, "quiet": quiet, "reminders": due})
        desk.out.heading(f"To {one.name}")
        if due:
            message = reminder_message(due, zone_named(one.zone))
            desk.out.text(message.title, "", message.body.rstrip())
        else:
            desk.out.text("Nothing: quiet hours." if quiet else "Nothing.")
    desk.out.result(due=shown)


def _answer(
    desk: Desk, label: str, kinds: Sequence[str], answer: AnswerKind, until: datetime | None
) -> list[ReminderAnswer]:
    from mediaprep.reminding import answerable, situation

    unit = desk.records.find_unit(label)
    stands = situation(desk.records, desk.clock)
    answers = [
        ReminderAnswer(unit.aircraft, unit.name, status.kind, status.lapses_at, answer, stands.now, until)
        for status in answerable(stands, unit, kinds)
        if status.lapses_at is not None
    ]
    desk.records.answer_reminders(answers)
    return answers


def _result(dispatch: Dispatch) -> str:
    if dispatch.state is MessageState.SENT:
        return "sent"
    return f"NOT SENT: {dispatch.detail}"


def _state(message: ReminderMessage) -> str:
    if message.next_attempt_at is not None:
        return f"waits until {_minute(message.next_attempt_at)}"
    return message.state.value


def _about(message: ReminderMessage) -> str:
    if not message.keys:
        return "-"
    first = message.keys[0]
    more = f" and {len(message.keys) - 1} more" if len(message.keys) > 1 else ""
    return f"{first.aircraft}/{first.unit} {first.kind} ({first.step}){more}"


def _last(message: ReminderMessage) -> str:
    if not message.attempts:
        return "-"
    last = message.attempts[-1]
    return f"{len(message.attempts)}: {last.delivery.detail}"


def _minute(instant: datetime) -> str:
    return f"{instant:%Y-%m-%d %H:%M}"
