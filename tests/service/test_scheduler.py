"""Reminders while the service runs: sent by themselves, once, and ended cleanly."""

from __future__ import annotations

import logging
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from mediaprep.clock import FixedClock, SystemClock
from mediaprep.config import Settings
from mediaprep.errors import RecordsUnusable
from mediaprep.model import (
    Aircraft,
    Delivery,
    Message,
    MessageState,
    ReminderTarget,
    Validity,
)
from mediaprep.records import Store, open_records
from mediaprep.send import RecordingSender
from service.scheduler import Reminding
from tests.records.builders import NOON, bundle, card, settings, taken_in, unit, written
from tests.reminders.servers import webhook

WAIT_SECONDS = 60
FAST_MINUTES = 0.05 / 60


def furnish(records: Store, lapses_in: timedelta, now: object, url: str) -> None:
    """One unit with navigation data that lapse so soon, and one target."""
    records.add_aircraft(Aircraft("D-TEST"))
    made = records.add_unit(unit())
    lapse = now + lapses_in  # type: ignore[operator]
    what = taken_in(records, bundle(validity=Validity("2607", NOON - timedelta(days=900), lapse)))
    on = card(records)
    written(records, on, what, made)
    records.accept(records.install(on.name, made, None, at=NOON), at=NOON)
    records.add_reminder_target(ReminderTarget("hook", "hook://...", "UTC", None, allow_local=True, added_at=NOON), url)


@pytest.fixture
def clock() -> FixedClock:
    return FixedClock(NOON + timedelta(days=20))


@pytest.fixture
def records(tmp_path: Path, clock: FixedClock) -> Iterator[Store]:
    opened = open_records(settings(tmp_path), clock=clock)
    furnish(opened, timedelta(days=5), clock.now(), "hook://example.org/x")
    yield opened
    opened.close()


class Watched(RecordingSender):
    """Says when it was asked to send, and waits there when told to."""

    def __init__(self, *answers: Delivery) -> None:
        super().__init__(answers)
        self.asked, self.go_on = threading.Event(), threading.Event()
        self.go_on.set()

    def send(self, url: str, message: Message) -> Delivery:
        self.asked.set()
        self.go_on.wait(WAIT_SECONDS)
        return super().send(url, message)


def wait_until_ended(records: Store) -> None:
    until = time.monotonic() + WAIT_SECONDS
    while not any(one.ended_at for one in records.reminder_messages()):
        assert time.monotonic() < until
        time.sleep(0.01)


def test_it_sends_at_its_start_and_not_again(records: Store, clock: FixedClock) -> None:
    sender = Watched()
    reminding = Reminding(records, sender, clock, every_minutes=FAST_MINUTES)
    wait_until_ended(records)
    reminding.run_once()
    reminding.close()
    assert len(sender.sent) == 1


def test_it_goes_on_looking(records: Store, clock: FixedClock) -> None:
    sender = Watched(Delivery(delivered=False, detail="HTTP 503: a fault at the target"))
    reminding = Reminding(records, sender, clock, every_minutes=FAST_MINUTES)
    assert sender.asked.wait(WAIT_SECONDS)
    clock.advance(timedelta(hours=1))
    until = time.monotonic() + WAIT_SECONDS
    while not sender.sent:
        # However the two clocks fell together, an hour is longer than any first wait.
        clock.advance(timedelta(minutes=1))
        assert time.monotonic() < until
        time.sleep(0.01)
    reminding.close()
    assert len(sender.sent) == 1


def test_closing_waits_for_the_message_on_its_way_and_begins_no_other(records: Store, clock: FixedClock) -> None:
    records.add_reminder_target(
        ReminderTarget("second", "hook://...", "UTC", None, allow_local=True, added_at=NOON), "hook://example.org/y"
    )
    sender = Watched()
    sender.go_on.clear()
    reminding = Reminding(records, sender, clock, every_minutes=FAST_MINUTES)
    assert sender.asked.wait(WAIT_SECONDS)
    closing = threading.Thread(target=reminding.close)
    closing.start()
    while not reminding._closing.is_set():
        time.sleep(0.01)
    assert closing.is_alive()
    sender.go_on.set()
    closing.join(WAIT_SECONDS)
    assert not closing.is_alive()
    assert [one.state for one in records.reminder_messages()] == [MessageState.SENT]
    assert not [thread for thread in threading.enumerate() if "APScheduler" in thread.name]


def test_a_fault_is_logged_and_does_not_end_it(
    records: Store, clock: FixedClock, caplog: pytest.LogCaptureFixture, monkeypatch: pytest.MonkeyPatch
) -> None:
    sender = Watched(Delivery(delivered=False, detail="HTTP 503: a fault at the target"))
    reminding = Reminding(records, sender, clock)
    assert sender.asked.wait(WAIT_SECONDS)
    reminding.close()
    assert "did not reach target hook: HTTP 503" in caplog.text
    caplog.clear()

    def unusable(*_: object) -> None:
        message = "The records are away"
        raise RecordsUnusable(message)

    monkeypatch.setattr(Store, "reminder_targets", unusable)
    reminding.run_once()
    assert "The records are away" in caplog.text
    monkeypatch.setattr(Store, "reminder_targets", lambda _: 1 / 0)
    reminding.run_once()
    assert "ZeroDivisionError" in caplog.text
    assert all(record.levelno >= logging.WARNING for record in caplog.records if record.name.startswith("service"))


@pytest.mark.skipif(os.name != "posix", reason="the signals are those of POSIX")
def test_the_service_reminds_while_it_runs_and_ends_quietly(tmp_path: Path) -> None:
    with webhook() as hook:
        here = Settings(data_dir=tmp_path / "data", station="test bench")
        records = open_records(here, clock=SystemClock())
        furnish(records, timedelta(days=5), SystemClock().now(), f"json://127.0.0.1:{hook.port}/x")
        environment = {"MEDIAPREP_DATA_DIR": str(here.data_dir), "MEDIAPREP_STATION": here.station}
        process = subprocess.Popen(
            [sys.executable, "-m", "mediaprep", "serve", "--port", "0"],
            env=os.environ | environment | {"PYTHONUNBUFFERED": "1"},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            assert hook.arrived.wait(WAIT_SECONDS)
            wait_until_ended(records)
            process.send_signal(signal.SIGTERM)
            said, complained = process.communicate(timeout=WAIT_SECONDS)
        finally:
            process.kill()
            process.communicate()
        records.close()
    assert (process.returncode, complained) == (0, "")
    assert re.search(r"^Stopping", said, re.MULTILINE)
    assert [body["title"] for body in hook.got] == ["D-TEST/NAV-1 navigation lapses in 5 days"]
