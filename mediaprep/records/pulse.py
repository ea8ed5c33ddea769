"""A thread that does one small thing again and again, for as long as anybody has a reason to want it done."""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from contextlib import suppress

from mediaprep.errors import RecordsUnusable

# How long the end of a store waits for a beat that is under way.
_PATIENCE_SECONDS = 5.0


class Pulse:
    """Calls `beat` every so many seconds while it is held for at least one reason. For use by several threads.

    A beat that the records refuse is left out: the next one makes up for it.
    """

    def __init__(self, beat: Callable[[], None], seconds: float) -> None:
        self._beat = beat
        self._seconds = seconds
        self._lock = threading.Lock()
        self._reasons: set[Hashable] = set()
        self._ending = threading.Event()
        self._thread: threading.Thread | None = None

    def hold(self, reason: Hashable) -> None:
        """Beat from now on, first in so many seconds."""
        with self._lock:
            self._reasons.add(reason)
            if self._thread is None:
                self._ending = threading.Event()
                self._thread = threading.Thread(target=self._run, args=(self._ending,), name="pulse", daemon=True)
                self._thread.start()

    def let_go(self, reason: Hashable) -> None:
        """Beat no more for this reason; it is no error if there was none. Does not wait."""
        with self._lock:
            self._reasons.discard(reason)
            if not self._reasons:
                self._end()

    def stop(self) -> None:
        """Beat no more at all, and wait for a beat that is under way."""
        with self._lock:
            self._reasons.clear()
            thread = self._end()
        if thread is not None and thread is not threading.current_thread():
            thread.join(_PATIENCE_SECONDS)

    def _end(self) -> threading.Thread | None:
        thread, self._thread = self._thread, None
        self._ending.set()
        return thread

    def _run(self, ending: threading.Event) -> None:
        while not ending.wait(self._seconds):
            with suppress(RecordsUnusable):
                self._beat()
