"""Send what is due: gather how the panels stand, claim, send, write down. The command and the service both call this.

Each target gets at most one message at a time. A message is claimed in the records before it is sent and closed after,
so that it goes out once whoever else is at work; see `records/reminder_messages.py` for what happens to a claim whose
program died in between.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from mediaprep import vault
from mediaprep.errors import NotFound, TargetRefused, Usage
from mediaprep.locality import local_host
from mediaprep.model import (
    Delivery,
    KindStatus,
    Message,
    MessageState,
    PanelStatus,
    Reminder,
    ReminderAnswer,
    ReminderKey,
    ReminderRule,
    ReminderTarget,
    Unit,
)
from mediaprep.ports import Clock, Sender
from mediaprep.reminder_text import reminder_message
from mediaprep.reminders import Timing, due_reminders, is_quiet
from mediaprep.status import fleet_status

if TYPE_CHECKING:
    from mediaprep.records import Store

_ELSEWHERE = "its address is in the keyring of another computer or user"


@dataclass(frozen=True, slots=True)
class Dispatch:
    """What was done for one target. `state` None: nothing could be tried from here, and `detail` says why."""

    target: str
    state: MessageState | None
    detail: str
    reminders: tuple[Reminder, ...] = ()


@dataclass(frozen=True, slots=True)
class Situation:
    """All that decides what is due, the same for each target: panels as they stand now, rules and answers."""

    now: datetime
    panels: tuple[PanelStatus, ...]
    rules: tuple[ReminderRule, ...]
    answers: tuple[ReminderAnswer, ...]

    @property
    def lapses(self) -> frozenset[datetime]:
        """The instants at which something lapses."""
        kinds = [status for panel in self.panels for status in panel.kinds]
        return frozenset(status.lapses_at for status in kinds if status.lapses_at is not None)


def situation(records: Store, clock: Clock) -> Situation:
    """Return how everything stands now."""
    now = clock.now()
    panels = tuple(fleet_status(records.all_units(), records.kinds(), records.loads_of_the_fleet(now), now))
    found = Situation(now, panels, records.reminder_rules(), ())
    return Situation(now, panels, found.rules, records.reminder_answers(found.lapses))


def send_due(
    records: Store, sender: Sender, clock: Clock, *, cancelled: Callable[[], bool] = lambda: False
) -> list[Dispatch]:
    """Send each target what is due to it now, and return what was done where there was anything to do.

    A fault of one target keeps no other from its message. `cancelled` is asked before each target.
    """
    stands = situation(records, clock)
    done = []
    for target in records.reminder_targets():
        if cancelled():
            break
        dispatch = _serve(records, sender, clock, stands, target)
        if dispatch is not None:
            done.append(dispatch)
    return done


def due_to(records: Store, target: ReminderTarget, stands: Situation) -> list[Reminder]:
    """Return what would go to a target now, and is not on its way. Raise Usage for a zone not known here."""
    sent = records.reminders_sent(target.name, stands.lapses)
    return due_reminders(
        stands.panels,
        stands.rules,
        now=stands.now,
        timing=timing_of(target),
        sent=sent,
        answers=stands.answers,
    )


def timing_of(target: ReminderTarget) -> Timing:
    """Return how a target counts its days. Raise Usage for a time zone that this computer does not know."""
    return Timing(zone_named(target.zone), target.quiet, target.added_at)


def zone_named(name: str) -> ZoneInfo:
    """Return the IANA time zone of a name. Raise Usage where this computer knows none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        message = f"'{name}' is no time zone that this computer knows"
        raise Usage(message, remedy="Write an IANA name such as Europe/Berlin, America/New_York or UTC.") from None


def refuse_local(sender: Sender, url: str) -> None:
    """Raise TargetRefused where an address points to this computer or a link of its own, Usage where it is none."""
    host = local_host(sender.hosts(url))
    if host is not None:
        message = "The target's address points to this computer or to a link of its own"
        raise TargetRefused(message)


def secret_of(records: Store, target: ReminderTarget) -> str | None:
    """Return a target's address, None where it cannot be read from here. Raise NotFound."""
    if target.keyring_name is not None:
        return vault.fetch(target.keyring_name)
    return records.reminder_secret(target.name)


def hand_over(sender: Sender, target: ReminderTarget, url: str, message: Message) -> Delivery:
    """Make one attempt at a message to a target. Where its address leads is looked at anew: names can be repointed."""
    try:
        if not target.allow_local:
            refuse_local(sender, url)
        return sender.send(url, message)
    except (Usage, TargetRefused) as error:
        return Delivery(delivered=False, detail=str(error))
    except Exception as error:  # noqa: BLE001 - a fault in one of a hundred kinds of target must not stop the others
        return Delivery(delivered=False, detail=f"a fault while sending ({type(error).__name__})")


def answerable(stands: Situation, unit: Unit, kinds: Sequence[str]) -> list[KindStatus]:
    """Return the kinds of a unit that an answer is about: those named, or else those that are being reminded of.

    Raise NotFound where there is nothing to answer to.
    """
    held = [
        status
        for panel in stands.panels
        if panel.aircraft == unit.aircraft
        for status in panel.kinds
        if status.unit == unit.name and status.lapses_at is not None
    ]
    missing = [kind for kind in kinds if kind not in {status.kind for status in held}]
    if missing:
        message = f"Unit {unit.label} holds no {missing[0]} data that lapse"
        raise NotFound(message, remedy="See 'mediaprep status' for what it holds.")
    if kinds:
        return [status for status in held if status.kind in kinds]
    timing = Timing(UTC, None, stands.now)
    due = due_reminders(stands.panels, stands.rules, now=stands.now, timing=timing, sent=())
    reminded = {one.key.kind for one in due if (one.key.aircraft, one.key.unit) == (unit.aircraft, unit.name)}
    if not reminded:
        message = f"Nothing of unit {unit.label} is being reminded of"
        raise NotFound(message, remedy="Name a kind of data with --kind, or see 'mediaprep due'.")
    return [status for status in held if status.kind in reminded]


def _serve(records: Store, sender: Sender, clock: Clock, stands: Situation, target: ReminderTarget) -> Dispatch | None:
    try:
        timing = timing_of(target)
        url = secret_of(records, target)
    except NotFound:
        return None  # another program removed the target since the list was read
    except Usage as error:
        return Dispatch(target.name, None, str(error))
    if url is None:
        return Dispatch(target.name, None, _ELSEWHERE)

    # Asked anew for each target: those before it may have taken their time, and the claim's lease runs from here.
    now = clock.now()

    def decide(sent: Collection[ReminderKey]) -> list[Reminder]:
        return due_reminders(stands.panels, stands.rules, now=now, timing=timing, sent=sent, answers=stands.answers)

    if is_quiet(now, timing.zone, timing.quiet):
        return None  # asked before the claim: in quiet hours a message that waits must not be taken for needless
    try:
        claim = records.claim_message(target, stands.lapses, decide, now=now)
    except NotFound:
        return None
    if claim is None:
        return None
    delivery = hand_over(sender, target, url, reminder_message(claim.reminders, timing.zone))
    state = records.finish_attempt(claim, delivery, now=clock.now())
    return Dispatch(target.name, state, delivery.detail, claim.reminders)
