"""Reminders while the service runs: one job, every few minutes. What is due and what was sent is the records' matter.

The scheduler keeps nothing that would have to outlive it, so it holds its one job in memory.
"""

from __future__ import annotations

import logging
import threading
from datetime import UTC, datetime

from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.interval import IntervalTrigger

from mediaprep.errors import MediaPrepError
from mediaprep.model import MessageState
from mediaprep.ports import Clock, Sender
from mediaprep.records import Store
from mediaprep.reminding import send_due

EVERY_MINUTES = 5

_log = logging.getLogger(__name__)


class Reminding:
    """Sends what is due at once and then every few minutes, in a thread of its own, until it is closed."""

    def __init__(self, records: Store, sender: Sender, clock: Clock, *, every_minutes: float = EVERY_MINUTES) -> None:
        self._records, self._sender, self._clock = records, sender, clock
        self._closing = threading.Event()
        self._scheduler = BackgroundScheduler(timezone=UTC)
        self._scheduler.add_job(
            self.run_once,
            IntervalTrigger(minutes=every_minutes, timezone=UTC),
            id="remind",
            next_run_time=datetime.now(UTC),
            # A run that is late, as after the computer slept, still runs, and once.
            coalesce=True,
            misfire_grace_time=None,
            max_instances=1,
        )
        self._scheduler.start()

    def run_once(self) -> None:
        """Send what is due now. A fault is logged; the next run tries again."""
        try:
            done = send_due(self._records, self._sender, self._clock, cancelled=self._closing.is_set)
        except MediaPrepError as error:
            _log.warning("Reminders could not be looked at: %s", error)
            return
        except Exception:  # noqa: BLE001 - the thread's last resort: the next run must come all the same
            _log.exception("A fault in mediaprep while sending reminders")
            return
        for one in done:
            if one.state is not MessageState.SENT:
                _log.warning("Reminders did not reach target %s: %s", one.target, one.detail)

    def close(self) -> None:
        """Begin no further message, wait for the one on its way, and end."""
        self._closing.set()
        self._scheduler.shutdown(wait=True)
