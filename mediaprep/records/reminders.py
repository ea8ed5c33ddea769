"""The owner's word on reminders: rules that say when, and answers to those that came."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select
from sqlalchemy.exc import IntegrityError

from mediaprep.errors import NotFound, RecordExists, Usage
from mediaprep.model import AnswerKind, ReminderAnswer, ReminderRule
from mediaprep.records import reminder_tables as r
from mediaprep.records import tables as t
from mediaprep.records.database import Subject, violates_unique
from mediaprep.records.panel import aircraft_id, checked_name, read_kinds, unit_id

_RULES = (
    select(r.rules, t.aircraft.c.name.label("aircraft"), t.units.c.name.label("unit"))
    .select_from(
        r.rules.outerjoin(t.aircraft, r.rules.c.aircraft_id == t.aircraft.c.id).outerjoin(
            t.units, r.rules.c.unit_id == t.units.c.id
        )
    )
    .order_by(r.rules.c.name)
)

_ANSWERS = (
    select(r.answers, t.aircraft.c.name.label("aircraft"), t.units.c.name.label("unit"))
    .select_from(r.answers.join(t.units, r.answers.c.unit_id == t.units.c.id).join(t.aircraft))
    .order_by(r.answers.c.number)
)


class ReminderRecords(Subject):
    """Rules of reminders, and answers to them."""

    def add_reminder_rule(self, rule: ReminderRule) -> ReminderRule:
        """Take a rule into the records.

        Raise Usage for days that cannot be, RecordExists where there is one of that name or for the same aircraft,
        unit and kind, NotFound for what it is for.
        """
        checked_name("reminder rule", rule.name)
        _check_days(rule)
        try:
            with self._database.writing() as connection:
                _refuse_same_scope(connection, rule)
                connection.execute(insert(r.rules).values(_rule_row(connection, rule)))
        except IntegrityError as error:
            if not violates_unique(error):
                raise
            message = f"There is a reminder rule {rule.name} already"
            raise RecordExists(message, remedy="Remove it first, or choose another name.") from error
        return rule

    def remove_reminder_rule(self, name: str) -> None:
        """Let go of a rule. Raise NotFound."""
        with self._database.writing() as connection:
            if not connection.execute(delete(r.rules).where(r.rules.c.name == name)).rowcount:
                message = f"There is no reminder rule {name}"
                raise NotFound(message, remedy="See 'mediaprep remind rules' for those there are.")

    def reminder_rules(self) -> tuple[ReminderRule, ...]:
        """Return all rules by name."""
        with self._database.reading() as connection:
            return tuple(_rule(row) for row in connection.execute(_RULES))

    def answer_reminders(self, answers: Sequence[ReminderAnswer]) -> None:
        """Keep what the owner said; the latest to a lapse counts, earlier ones stay. Raise NotFound for a unit."""
        with self._database.writing() as connection:
            for answer in answers:
                row = {
                    "unit_id": unit_id(connection, answer.aircraft, answer.unit),
                    "kind": answer.kind,
                    "lapses_at": answer.lapses_at,
                    "answer": answer.answer.value,
                    "at": answer.at,
                    "until": answer.until,
                    "station": self._worker.station,
                    "operator": self._worker.operator,
                }
                connection.execute(insert(r.answers).values(row))

    def reminder_answers(self, lapses: Collection[datetime]) -> tuple[ReminderAnswer, ...]:
        """Return the answers that concern lapses at these instants, in the order in which they were given."""
        with self._database.reading() as connection:
            rows = connection.execute(_ANSWERS.where(r.answers.c.lapses_at.in_(sorted(lapses))))
            return tuple(
                ReminderAnswer(
                    row.aircraft, row.unit, row.kind, row.lapses_at, AnswerKind(row.answer), row.at, row.until
                )
                for row in rows
            )


# --- for the opening of new records ----------------------------------------------------------------------------------


def write_reminder_rules(connection: Connection, rules: Sequence[ReminderRule]) -> None:
    """Put rules into new records."""
    for rule in rules:
        connection.execute(insert(r.rules).values(_rule_row(connection, rule)))


# --- rows into values and back ---------------------------------------------------------------------------------------


def _check_days(rule: ReminderRule) -> None:
    if any(days < 1 for days in rule.days_before) or (rule.repeat_days is not None and rule.repeat_days < 1):
        message = f"Reminder rule {rule.name} names days that are not 1 or more"
        raise Usage(message, remedy="Say --on-day for the day of the lapse itself.")
    if not rule.days_before and not rule.on_the_day and rule.repeat_days is None:
        message = f"Reminder rule {rule.name} never reminds of anything"
        raise Usage(message, remedy="Name days before the lapse, the day itself, or days after which to repeat.")


def _refuse_same_scope(connection: Connection, rule: ReminderRule) -> None:
    for row in connection.execute(_RULES):
        if (row.aircraft, row.unit, row.kind) == (rule.aircraft, rule.unit, rule.kind):
            message = f"Reminder rule {row.name} is for the same: a second one for it would never be used"
            raise RecordExists(message, remedy=f"Remove the other first: mediaprep remind rule remove {row.name}.")


def _rule_row(connection: Connection, rule: ReminderRule) -> dict[str, Any]:
    if rule.unit is not None and rule.aircraft is None:
        message = f"Reminder rule {rule.name} names a unit without its aircraft"
        raise Usage(message, remedy="Write AIRCRAFT/UNIT.")
    if rule.kind is not None and rule.kind not in read_kinds(connection):
        message = f"There is no data kind {rule.kind}"
        raise NotFound(message, remedy="See 'mediaprep unit kinds' for those there are.")
    return {
        "name": rule.name,
        "aircraft_id": aircraft_id(connection, rule.aircraft) if rule.aircraft is not None else None,
        "unit_id": unit_id(connection, rule.aircraft, rule.unit) if rule.aircraft and rule.unit else None,
        "kind": rule.kind,
        "days_before": sorted(set(rule.days_before), reverse=True),
        "on_the_day": rule.on_the_day,
        "repeat_days": rule.repeat_days,
    }


def _rule(row: Row[Any]) -> ReminderRule:
    return ReminderRule(
        row.name, tuple(row.days_before), row.on_the_day, row.repeat_days, row.aircraft, row.unit, row.kind
    )
