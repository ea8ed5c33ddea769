"""Reminders in the records: rules, targets and their secrets, and claims that hold against programs that die."""

from __future__ import annotations

import multiprocessing
import os
import signal
import stat
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from datetime import time as clock_time
from pathlib import Path

import pytest

from mediaprep.clock import FixedClock
from mediaprep.errors import NotFound, RecordExists, RecordsUnusable, Usage
from mediaprep.model import (
    AnswerKind,
    Delivery,
    Message,
    MessageState,
    QuietHours,
    ReminderAnswer,
    ReminderRule,
    ReminderTarget,
)
from mediaprep.records import Store, open_records
from mediaprep.records.reminder_messages import LEASE
from mediaprep.reminders import FIRST_RETRY
from mediaprep.reminding import send_due
from mediaprep.send import RecordingSender
from tests.records.builders import CYCLE, NOON, bundle, card, database_file, panel, settings, taken_in, written

URL = "hook://example.org/secret-path"
LAPSE = CYCLE.lapses_at or NOON
WEEK_BEFORE = LAPSE - timedelta(days=7)
MINUTE = timedelta(minutes=1)
FAILED = Delivery(delivered=False, detail="HTTP 503: a fault at the target")


def target(name: str = "phone", **changes: object) -> ReminderTarget:
    made = ReminderTarget(name, "hook://...", "UTC", None, allow_local=False, added_at=NOON)
    return replace(made, **changes)  # type: ignore[arg-type]


def hold(store: Store, validity: object = CYCLE, name: str = "nav-2607") -> None:
    """Let the unit hold a set, accepted."""
    what = taken_in(store, bundle(name, validity=validity))
    on = card(store, identity=f"sd:{name}")
    (unit,) = store.units("D-TEST")
    _, loads = written(store, on, what, unit)
    store.accept(store.install(on.name, unit, None, at=NOON), at=NOON + MINUTE)
    assert loads


@pytest.fixture
def ready(store: Store, clock: FixedClock) -> Store:
    """A unit whose navigation data lapse in a week, and one target."""
    panel(store)
    hold(store)
    store.add_reminder_target(target(), URL)
    clock.advance(WEEK_BEFORE - NOON)
    return store


# --- rules -----------------------------------------------------------------------------------------------------------


def test_new_records_hold_a_rule_for_everything(store: Store) -> None:
    assert store.reminder_rules() == (ReminderRule("default", (14, 7, 3, 1)),)


def test_rules_come_back_as_they_were_put_in(store: Store) -> None:
    (unit,) = panel(store)
    rules = [
        ReminderRule("a", (30, 2), on_the_day=False, repeat_days=None, aircraft="D-TEST"),
        ReminderRule("b", (), kind="obstacle"),
        ReminderRule("c", (1,), aircraft="D-TEST", unit=unit.name, kind="navigation"),
    ]
    for rule in rules:
        store.add_reminder_rule(rule)
    store.remove_reminder_rule("default")
    assert store.reminder_rules() == tuple(rules)


@pytest.mark.parametrize(
    ("rule", "error"),
    [
        (ReminderRule("default", (1,), kind="obstacle"), RecordExists),
        (ReminderRule("again", (1,)), RecordExists),
        (ReminderRule("a/b", (1,), kind="obstacle"), Usage),
        (ReminderRule("x", (0,), kind="obstacle"), Usage),
        (ReminderRule("x", (1,), repeat_days=0, kind="obstacle"), Usage),
        (ReminderRule("x", (), on_the_day=False, repeat_days=None, kind="obstacle"), Usage),
        (ReminderRule("x", (1,), unit="NAV-1"), Usage),
        (ReminderRule("x", (1,), aircraft="NONE"), NotFound),
        (ReminderRule("x", (1,), aircraft="D-TEST", unit="NONE"), NotFound),
        (ReminderRule("x", (1,), kind="none"), NotFound),
    ],
)
def test_a_rule_that_cannot_be_is_refused(store: Store, rule: ReminderRule, error: type[Exception]) -> None:
    panel(store)
    with pytest.raises(error):
        store.add_reminder_rule(rule)
    assert len(store.reminder_rules()) == 1


def test_removing_a_rule_that_is_not_there_is_told(store: Store) -> None:
    with pytest.raises(NotFound, match="no reminder rule none"):
        store.remove_reminder_rule("none")


# --- targets and secrets ---------------------------------------------------------------------------------------------


def test_a_target_comes_back_without_its_address_which_is_kept_apart(store: Store) -> None:
    quiet = QuietHours(clock_time(22), clock_time(7))
    made = store.add_reminder_target(target(quiet=quiet, zone="Europe/Berlin", allow_local=True), URL)
    assert store.reminder_targets() == (made,)
    assert "secret" not in repr(store.reminder_targets())
    assert store.reminder_secret("phone") == URL
    store.add_reminder_target(target("ringed", keyring_name="entry"), None)
    assert store.reminder_secret("ringed") is None


def test_a_removed_target_loses_its_address_and_leaves_its_name_free(store: Store) -> None:
    store.add_reminder_target(target(), URL)
    with pytest.raises(RecordExists) as caught:
        store.add_reminder_target(target(), URL)
    assert "secret" not in f"{caught.value!r} {caught.value.__cause__!r}"
    store.remove_reminder_target("phone", at=NOON)
    with pytest.raises(NotFound):
        store.reminder_secret("phone")
    with store._database.reading() as connection:
        assert connection.exec_driver_sql("SELECT count(*) FROM reminder_secrets").scalar() == 0
    store.add_reminder_target(target(), URL + "/new")
    assert store.reminder_secret("phone") == URL + "/new"


@pytest.mark.skipif(os.name != "posix", reason="file modes are those of POSIX")
def test_a_file_that_holds_secrets_is_closed_to_others(file_store: Store, tmp_path: Path) -> None:
    file = database_file(tmp_path)
    for each in (file, Path(f"{file}-wal")):
        each.chmod(0o644)
    file_store.add_reminder_target(target(), URL)
    files = [each for each in file.parent.iterdir() if each.name.startswith(file.name)]
    assert len(files) == 3
    assert {stat.S_IMODE(each.stat().st_mode) for each in files} == {0o600}


@pytest.mark.skipif(sys.platform != "linux", reason="counts on Linux's rules for modes")
def test_a_file_that_cannot_be_closed_takes_no_secret(
    file_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*_: object, **__: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    database_file(tmp_path).chmod(0o644)
    monkeypatch.setattr(Path, "chmod", refused)
    with pytest.raises(RecordsUnusable, match="can be read by others"):
        file_store.add_reminder_target(target(), URL)
    assert file_store.reminder_targets() == ()


# --- sending, once ---------------------------------------------------------------------------------------------------


def test_what_is_due_goes_out_once_and_is_kept_with_its_attempt(ready: Store, clock: FixedClock) -> None:
    sender = RecordingSender()
    (done,) = send_due(ready, sender, clock)
    assert (done.target, done.state, [one.key.step for one in done.reminders]) == ("phone", MessageState.SENT, ["-7"])
    assert [url for url, _ in sender.sent] == [URL]
    assert send_due(ready, sender, clock) == []
    assert len(sender.sent) == 1
    (kept,) = ready.reminder_messages()
    assert (kept.state, kept.ended_at, [one.key for one in done.reminders]) == (
        MessageState.SENT,
        clock.now(),
        list(kept.keys),
    )
    assert [attempt.delivery.delivered for attempt in kept.attempts] == [True]
    assert "secret" not in repr(kept)


def test_each_target_gets_its_own_and_one_s_fault_keeps_nothing_from_another(ready: Store, clock: FixedClock) -> None:
    ready.add_reminder_target(target("mail"), "mail://example.org/a")

    class Broken(RecordingSender):
        def send(self, url: str, message: Message) -> Delivery:
            if url.startswith("mail"):
                message_with_secret = f"bug near {url}"
                raise RuntimeError(message_with_secret)
            return super().send(url, message)

    states = {one.target: (one.state, one.detail) for one in send_due(ready, Broken(), clock)}
    assert states == {
        "mail": (MessageState.WAITING, "a fault while sending (RuntimeError)"),
        "phone": (MessageState.SENT, "delivered"),
    }


def test_a_failure_is_tried_again_later_each_time_until_it_arrives(ready: Store, clock: FixedClock) -> None:
    sender = RecordingSender([FAILED, FAILED])
    assert [one.state for one in send_due(ready, sender, clock)] == [MessageState.WAITING]
    assert send_due(ready, sender, clock) == [], "not before its time"
    clock.advance(FIRST_RETRY)
    assert [one.detail for one in send_due(ready, sender, clock)] == [FAILED.detail]
    clock.advance(FIRST_RETRY)
    assert send_due(ready, sender, clock) == [], "the second wait is longer"
    clock.advance(FIRST_RETRY)
    assert [one.state for one in send_due(ready, sender, clock)] == [MessageState.SENT]
    (kept,) = ready.reminder_messages()
    assert [attempt.delivery.delivered for attempt in kept.attempts] == [False, False, True]
    assert len(sender.sent) == 1


def test_a_message_that_waits_takes_along_what_comes_due_and_says_how_it_stands_then(
    ready: Store, clock: FixedClock
) -> None:
    sender = RecordingSender([FAILED])
    send_due(ready, sender, clock)
    clock.advance(LAPSE - clock.now() + timedelta(days=1))
    (done,) = send_due(ready, sender, clock)
    assert [one.key.step for one in done.reminders] == ["+0"]
    ((_, message),) = sender.sent
    assert message.title == "D-TEST/NAV-1 navigation lapsed yesterday"
    assert len(ready.reminder_messages()) == 1


def test_a_message_that_became_needless_is_withdrawn(ready: Store, clock: FixedClock) -> None:
    sender = RecordingSender([FAILED])
    send_due(ready, sender, clock)
    unit = ready.units("D-TEST")[0]
    said = ReminderAnswer("D-TEST", unit.name, "navigation", LAPSE, AnswerKind.ACKNOWLEDGED, clock.now())
    ready.answer_reminders([said])
    clock.advance(FIRST_RETRY)
    assert send_due(ready, sender, clock) == []
    assert [(one.state, one.keys) for one in ready.reminder_messages()] == [(MessageState.WITHDRAWN, ())]
    clock.advance(LAPSE - clock.now())
    assert [one.state for one in send_due(ready, sender, clock)] == [MessageState.SENT]


def test_removing_a_target_withdraws_what_waits_for_it(ready: Store, clock: FixedClock) -> None:
    send_due(ready, RecordingSender([FAILED]), clock)
    ready.remove_reminder_target("phone", at=clock.now())
    assert [one.state for one in ready.reminder_messages()] == [MessageState.WITHDRAWN]
    clock.advance(timedelta(days=30))
    assert send_due(ready, RecordingSender(), clock) == []


def test_in_quiet_hours_nothing_is_sent_and_a_waiting_message_goes_on_waiting(ready: Store, clock: FixedClock) -> None:
    ready.remove_reminder_target("phone", at=clock.now())
    quiet = QuietHours(clock_time(22), clock_time(7))
    ready.add_reminder_target(target("bed", quiet=quiet, zone="Europe/Berlin"), URL)
    sender = RecordingSender([FAILED])
    assert clock.now().hour == 0, "two o'clock at night in Berlin"
    assert send_due(ready, sender, clock) == []
    clock.advance(timedelta(hours=5))
    assert [one.state for one in send_due(ready, sender, clock)] == [MessageState.WAITING]
    clock.advance(timedelta(hours=16))
    assert send_due(ready, sender, clock) == []
    assert [one.state for one in ready.reminder_messages()] == [MessageState.WAITING]
    clock.advance(timedelta(hours=8))
    assert [one.state for one in send_due(ready, sender, clock)] == [MessageState.SENT]


def test_a_month_without_a_computer_ends_in_one_message(ready: Store, clock: FixedClock) -> None:
    sender = RecordingSender()
    send_due(ready, sender, clock)
    clock.advance(timedelta(days=31))
    send_due(ready, sender, clock)
    send_due(ready, sender, clock)
    assert len(sender.sent) == 2
    assert "stands for them" in sender.sent[1][1].body


def test_a_clock_set_back_sends_nothing_again(ready: Store, clock: FixedClock) -> None:
    sender = RecordingSender()
    for hours in (0, -1, 1, -23, 24, -3):
        clock.advance(timedelta(hours=hours))
        send_due(ready, sender, clock)
    steps = [key.step for message in ready.reminder_messages() for key in message.keys]
    assert steps == ["-7"]


def test_a_message_claimed_by_a_clock_that_was_far_ahead_does_not_wait_for_that_time(
    ready: Store, clock: FixedClock
) -> None:
    sender = RecordingSender([FAILED])
    clock.advance(timedelta(days=400))
    assert [one.state for one in send_due(ready, sender, clock)] == [MessageState.WAITING]
    clock.advance(timedelta(days=-400))
    (done,) = send_due(ready, sender, clock)
    assert [one.key.step for one in done.reminders] == ["-7"]
    assert [key.step for message in ready.reminder_messages() for key in message.keys] == ["-7"]


def test_a_target_whose_zone_is_not_known_here_is_named(ready: Store, clock: FixedClock) -> None:
    ready.add_reminder_target(target("far", zone="Mars/Olympus"), URL)
    states = {one.target: (one.state, one.detail) for one in send_due(ready, RecordingSender(), clock)}
    assert states["far"] == (None, "'Mars/Olympus' is no time zone that this computer knows")
    assert states["phone"][0] is MessageState.SENT


def test_an_address_that_was_repointed_to_this_computer_is_not_used(ready: Store, clock: FixedClock) -> None:
    ready.add_reminder_target(target("turned"), "hook://localhost/x")
    ready.add_reminder_target(target("own", allow_local=True), "hook://localhost/x")
    sender = RecordingSender()
    states = {one.target: one.detail for one in send_due(ready, sender, clock)}
    assert "points to this computer" in states["turned"]
    assert states["own"] == "delivered"


def test_when_asked_to_stop_no_further_target_is_begun(ready: Store, clock: FixedClock) -> None:
    ready.add_reminder_target(target("second"), URL)
    sender = RecordingSender()
    done = send_due(ready, sender, clock, cancelled=lambda: len(sender.sent) == 1)
    assert [one.target for one in done] == ["phone"]
    assert [one.target for one in send_due(ready, sender, clock)] == ["second"]


# --- several programs, and their deaths ------------------------------------------------------------------------------


class FileSender(RecordingSender):
    """Writes each message that it delivers to a file, so that several programs can be counted together."""

    def __init__(self, file: Path, *, die_before: bool = False, die_after: bool = False) -> None:
        super().__init__()
        self._file, self._die_before, self._die_after = file, die_before, die_after

    def send(self, url: str, message: Message) -> Delivery:
        if self._die_before:
            os.kill(os.getpid(), signal.SIGKILL)
        with self._file.open("a") as file:
            file.write(message.title + "\n")
        if self._die_after:
            os.kill(os.getpid(), signal.SIGKILL)
        time.sleep(0.1)
        return super().send(url, message)


def station(folder: Path, name: str, now: datetime, sender: FileSender, start: object = None) -> None:
    if start is not None:
        start.wait(60)  # type: ignore[attr-defined]
    clock = FixedClock(now)
    records = open_records(settings(folder, station=name), clock=clock)
    send_due(records, sender, clock)
    records.close()


def run_apart(*runs: Callable[[], multiprocessing.process.BaseProcess]) -> list[int | None]:
    processes = [run() for run in runs]
    for process in processes:
        process.start()
    for process in processes:
        process.join(120)
    return [process.exitcode for process in processes]


CONTEXT = multiprocessing.get_context("spawn")


def test_several_stations_at_the_same_moment_send_once(ready: Store, clock: FixedClock, tmp_path: Path) -> None:
    file = tmp_path / "sent"
    with CONTEXT.Manager() as manager:
        start = manager.Barrier(4)
        arguments = [(tmp_path, f"bench-{number}", clock.now(), FileSender(file), start) for number in range(4)]
        codes = run_apart(*(lambda each=each: CONTEXT.Process(target=station, args=each) for each in arguments))
    assert codes == [0] * 4
    assert file.read_text().splitlines() == ["D-TEST/NAV-1 navigation lapses in 7 days"]
    (kept,) = ready.reminder_messages()
    assert (kept.state, len(kept.attempts)) == (MessageState.SENT, 1)


@pytest.mark.skipif(os.name != "posix", reason="kills as POSIX does")
@pytest.mark.parametrize("moment", ["before", "after"])
def test_a_claim_whose_program_was_killed_is_taken_over_when_its_lease_ends(
    ready: Store, clock: FixedClock, tmp_path: Path, moment: str
) -> None:
    file = tmp_path / "sent"
    file.touch()
    killed = FileSender(file, die_before=moment == "before", die_after=moment == "after")
    run = CONTEXT.Process(target=station, args=(tmp_path, "bench-2", clock.now(), killed))
    assert run_apart(lambda: run) == [-signal.SIGKILL]
    assert [(one.state, one.attempts) for one in ready.reminder_messages()] == [(MessageState.CLAIMED, ())]
    sender = FileSender(file)
    clock.advance(LEASE - timedelta(seconds=1))
    assert send_due(ready, sender, clock) == [], "it might still be at work"
    clock.advance(timedelta(seconds=1))
    assert [one.state for one in send_due(ready, sender, clock)] == [MessageState.SENT]
    assert send_due(ready, sender, clock) == []
    # Handed over but not written down: nobody can know, so it goes out again. At least once, never none.
    assert len(file.read_text().splitlines()) == (1 if moment == "before" else 2)
    (kept,) = ready.reminder_messages()
    assert (kept.state, [attempt.station for attempt in kept.attempts]) == (MessageState.SENT, ["bench-1"])


def test_what_may_have_arrived_stays_claimed_even_when_it_is_not_due_any_more(ready: Store, clock: FixedClock) -> None:
    claim = ready.claim_message(
        ready.reminder_target("phone"), {LAPSE}, lambda sent: due_of(ready, clock, sent), now=clock.now()
    )
    assert claim is not None  # and its program dies here
    clock.advance(timedelta(days=4))
    (done,) = send_due(ready, RecordingSender(), clock)
    assert [one.key.step for one in done.reminders] == ["-3"]
    assert [key.step for message in ready.reminder_messages() for key in message.keys] == ["-3", "-7"]


def test_a_slow_station_that_lost_its_claim_can_still_say_that_it_delivered(ready: Store, clock: FixedClock) -> None:
    phone = ready.reminder_target("phone")

    def decide(sent: object) -> list:
        return due_of(ready, clock, sent)

    slow = ready.claim_message(phone, {LAPSE}, decide, now=clock.now())
    assert ready.claim_message(phone, {LAPSE}, decide, now=clock.now()) is None
    clock.advance(LEASE)
    quick = ready.claim_message(phone, {LAPSE}, decide, now=clock.now())
    assert slow is not None
    assert quick is not None
    assert (quick.number, quick.attempt) == (slow.number, slow.attempt + 1)
    assert ready.finish_attempt(slow, FAILED, now=clock.now()) is MessageState.CLAIMED, "a failure of his says nothing"
    assert (
        ready.finish_attempt(quick, Delivery(delivered=True, detail="delivered"), now=clock.now()) is MessageState.SENT
    )
    (kept,) = ready.reminder_messages()
    assert [attempt.delivery.delivered for attempt in kept.attempts] == [False, True]


def due_of(store: Store, clock: FixedClock, sent: object) -> list:
    from mediaprep.reminders import due_reminders
    from mediaprep.reminding import situation, timing_of

    stands = situation(store, clock)
    return due_reminders(
        stands.panels,
        stands.rules,
        now=stands.now,
        timing=timing_of(store.reminder_target("phone")),
        sent=sent,  # type: ignore[arg-type]
        answers=stands.answers,
    )


def test_answers_come_back_in_the_order_they_were_given(ready: Store, clock: FixedClock) -> None:
    first = ReminderAnswer("D-TEST", "NAV-1", "navigation", LAPSE, AnswerKind.SNOOZED, clock.now(), LAPSE)
    second = replace(first, answer=AnswerKind.ACKNOWLEDGED, until=None)
    ready.answer_reminders([first, second])
    assert ready.reminder_answers({LAPSE}) == (first, second)
    assert ready.reminder_answers({datetime(2030, 1, 1, tzinfo=UTC)}) == ()
    with pytest.raises(NotFound):
        ready.answer_reminders([replace(first, unit="NONE")])
