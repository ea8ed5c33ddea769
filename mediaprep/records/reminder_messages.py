"""Messages on their way to targets: claimed by one station at a time, with every attempt kept.

A reminder is claimed by inserting its key, which is unique for each target: of two stations only one succeeds. A claim
is for one attempt and ends with a lease, so that a message whose station died is taken over. Between the handing over
of a message and the writing down of that, nobody can tell whether it arrived: it is then sent again.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any, TypeAlias

from sqlalchemy import Connection, Row, Select, bindparam, delete, func, insert, select, update

from mediaprep.model import (
    Delivery,
    MessageAttempt,
    MessageClaim,
    MessageState,
    Reminder,
    ReminderKey,
    ReminderMessage,
    ReminderTarget,
)
from mediaprep.records import reminder_tables as r
from mediaprep.records import tables as t
from mediaprep.records.database import Subject, insert_rows
from mediaprep.records.reminder_targets import target_row
from mediaprep.reminders import CLOCK_TRUST, retry_delay

Decide: TypeAlias = Callable[[Collection[ReminderKey]], Sequence[Reminder]]
"""From what was sent to a target before to what is due to it now."""

LEASE = timedelta(minutes=5)
"""How long one attempt may take before its station counts as dead. No attempt waits that long for its target."""

_CLAIMS = select(r.claims, t.aircraft.c.name.label("aircraft"), t.units.c.name.label("unit")).select_from(
    r.claims.join(t.units, r.claims.c.unit_id == t.units.c.id).join(t.aircraft)
)


class ReminderMessageRecords(Subject):
    """Messages to targets."""

    def claim_message(
        self, target: ReminderTarget, lapses: Collection[datetime], decide: Decide, *, now: datetime
    ) -> MessageClaim | None:
        """Claim one attempt at what is due to a target, None where nothing is, or it is not this station's turn.

        `decide` is asked inside the transaction, with the keys of all that went to the target and concerns `lapses`.
        An open message whose turn it is, or whose station died, is taken over: it then says what is due now, which
        may be more or less than when it was made. Raise NotFound.
        """
        with self._database.writing() as connection:
            key = target_row(connection, target.name, lock=True).id
            open_message = connection.execute(
                select(r.messages).where(r.messages.c.target_id == key, r.messages.c.ended_at.is_(None))
            ).one_or_none()
            if open_message is not None and not _may_take_over(open_message, now):
                return None
            known = _keys(connection, r.claims.c.target_id == key, lapses)
            own = {one for one, message in known.items() if open_message is not None and message == open_message.number}
            reminders = tuple(decide(known.keys() - own))
            if open_message is None:
                if not reminders:
                    return None
                number, attempt = self._begin_message(connection, key, now), 1
            else:
                number, attempt = open_message.number, open_message.attempts + 1
                _let_go(connection, open_message, {one.key for one in reminders})
                if not reminders:
                    _end(connection, number, MessageState.WITHDRAWN, now)
                    return None
            _claim(connection, key, number, [one.key for one in reminders if one.key not in own])
            connection.execute(
                update(r.messages)
                .where(r.messages.c.number == number)
                .values(
                    state=MessageState.CLAIMED.value,
                    attempts=attempt,
                    station=self._worker.station,
                    lease_until=now + LEASE,
                    next_attempt_at=None,
                )
            )
            return MessageClaim(number, attempt, target, reminders)

    def finish_attempt(self, claim: MessageClaim, delivery: Delivery, *, now: datetime) -> MessageState:
        """Write down how a claimed attempt ended, and return where its message is then.

        What was delivered is sent, even where another station took the claim over meanwhile. A failure of an attempt
        that was taken over changes nothing for the message.
        """
        with self._database.writing() as connection:
            row = {
                "message": claim.number,
                "position": claim.attempt,
                "at": now,
                "station": self._worker.station,
                "delivered": delivery.delivered,
                "detail": delivery.detail,
            }
            connection.execute(insert(r.attempts).values(row))
            if delivery.delivered:
                _end(connection, claim.number, MessageState.SENT, now)
            else:
                ours = (r.messages.c.number == claim.number) & (r.messages.c.attempts == claim.attempt)
                connection.execute(
                    update(r.messages)
                    .where(ours & r.messages.c.ended_at.is_(None))
                    .values(
                        state=MessageState.WAITING.value,
                        lease_until=None,
                        next_attempt_at=now + retry_delay(claim.attempt),
                    )
                )
            state = select(r.messages.c.state).where(r.messages.c.number == claim.number)
            return MessageState(connection.execute(state).scalar_one())

    def reminders_sent(self, target: str, lapses: Collection[datetime]) -> frozenset[ReminderKey]:
        """Return what went to a target, or is held by a message on its way, of these lapses. Raise NotFound."""
        with self._database.reading() as connection:
            key = target_row(connection, target).id
            return frozenset(_keys(connection, r.claims.c.target_id == key, lapses))

    def reminder_messages(self, last: int | None = None, *, only_open: bool = False) -> tuple[ReminderMessage, ...]:
        """Return the messages there were, or the last so many, oldest first, each with its reminders and attempts."""
        wanted = select(r.messages, r.targets.c.name.label("target")).join_from(r.messages, r.targets)
        if only_open:
            wanted = wanted.where(r.messages.c.ended_at.is_(None))
        with self._database.reading() as connection:
            return _messages(connection, wanted.order_by(r.messages.c.number.desc()).limit(last))

    def _begin_message(self, connection: Connection, target: int, now: datetime) -> int:
        row = {
            "target_id": target,
            "state": MessageState.CLAIMED.value,
            "attempts": 0,
            "station": self._worker.station,
            "made_at": now,
        }
        return int(connection.execute(insert(r.messages).values(row).returning(r.messages.c.number)).scalar_one())


def _may_take_over(message: Row[Any], now: datetime) -> bool:
    """Return whether a message's next attempt is due, or its station is dead.

    An instant that lies further ahead than any honest one could was written by a wrong clock and does not bind.
    """
    until = message.lease_until if message.state == MessageState.CLAIMED.value else message.next_attempt_at
    return until is None or until <= now or until > now + CLOCK_TRUST


def _let_go(connection: Connection, message: Row[Any], due: Collection[ReminderKey]) -> None:
    """Give back what a message holds that is not due any more, unless an attempt at it may have arrived."""
    ended = select(func.count()).where(r.attempts.c.message == message.number)
    if connection.execute(ended).scalar_one() < message.attempts:
        return
    held = _keys(connection, r.claims.c.message == message.number)
    needless = [key for key in held if key not in due]
    if needless:
        units = _unit_ids(connection)
        own = [
            column == bindparam(f"of_{column.name}") for column in r.claims.primary_key if column.name != "target_id"
        ]
        gone = delete(r.claims).where(r.claims.c.target_id == message.target_id, *own)
        connection.execute(
            gone, [{f"of_{name}": value for name, value in _row(key, units).items()} for key in needless]
        )


def _claim(connection: Connection, target: int, message: int, keys: Sequence[ReminderKey]) -> None:
    if keys:
        units = _unit_ids(connection)
        rows = [{**_row(key, units), "target_id": target, "message": message} for key in keys]
        insert_rows(connection, r.claims, rows)


def _row(key: ReminderKey, units: Mapping[tuple[str, str], int]) -> dict[str, Any]:
    return {
        "lapses_at": key.lapses_at,
        "unit_id": units[key.aircraft, key.unit],
        "kind": key.kind,
        "step": key.step,
    }


def _unit_ids(connection: Connection) -> dict[tuple[str, str], int]:
    """Return the keys of all units by aircraft and name: a first message may be about a whole fleet."""
    wanted = select(t.aircraft.c.name.label("aircraft"), t.units.c.name, t.units.c.id).join_from(t.units, t.aircraft)
    return {(row.aircraft, row.name): row.id for row in connection.execute(wanted)}


def _keys(connection: Connection, wanted: Any, lapses: Collection[datetime] | None = None) -> dict[ReminderKey, int]:
    """Return the keys of claims, each with the number of its message."""
    found = _CLAIMS.where(wanted)
    if lapses is not None:
        found = found.where(r.claims.c.lapses_at.in_(sorted(lapses)))
    return {_key(row): row.message for row in connection.execute(found)}


def _key(row: Row[Any]) -> ReminderKey:
    return ReminderKey(row.aircraft, row.unit, row.kind, row.lapses_at, row.step)


def _end(connection: Connection, number: int, state: MessageState, now: datetime) -> None:
    connection.execute(
        update(r.messages)
        .where(r.messages.c.number == number)
        .values(state=state.value, ended_at=now, lease_until=None, next_attempt_at=None)
    )


def _messages(connection: Connection, wanted: Select[Any]) -> tuple[ReminderMessage, ...]:
    rows = list(reversed(connection.execute(wanted).all()))
    numbers = [row.number for row in rows]
    keys: defaultdict[int, list[ReminderKey]] = defaultdict(list)
    for row in connection.execute(_CLAIMS.where(r.claims.c.message.in_(numbers)).order_by(*r.claims.primary_key)):
        keys[row.message].append(_key(row))
    attempts: defaultdict[int, list[MessageAttempt]] = defaultdict(list)
    made = select(r.attempts).where(r.attempts.c.message.in_(numbers)).order_by(r.attempts.c.position)
    for row in connection.execute(made):
        attempts[row.message].append(MessageAttempt(row.at, row.station, Delivery(row.delivered, row.detail)))
    return tuple(
        ReminderMessage(
            number=row.number,
            target=row.target,
            state=MessageState(row.state),
            made_at=row.made_at,
            ended_at=row.ended_at,
            next_attempt_at=row.next_attempt_at,
            keys=tuple(keys[row.number]),
            attempts=tuple(attempts[row.number]),
        )
        for row in rows
    )
