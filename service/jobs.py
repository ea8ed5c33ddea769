"""Jobs at work in this process: a thread for each, its live progress, its findings, and a way to stop it.

The records say which jobs there are and how they ended; what is here is only what they do not hold, and goes with the
process. That one card has one writer is the records' rule, so it holds against other programs too.
"""

from __future__ import annotations

import logging
import threading
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from contextlib import suppress
from dataclasses import dataclass, field, replace

from mediaprep.bench import Bench
from mediaprep.errors import MediaPrepError, ServiceUnavailable
from mediaprep.model import Finding, Job, JobState
from mediaprep.ports import Clock
from mediaprep.progress import Progress, Throttle
from mediaprep.records import Store
from mediaprep.session import Outcome
from service.events import EventHub

# Each job keeps one card reader busy; more at once than a desk has readers only slows all of them.
MOST_AT_ONCE = 4
# How many ended jobs are kept in memory for their findings and their way out; the records keep all jobs for good.
ENDED_KEPT = 200

_log = logging.getLogger(__name__)


@dataclass(eq=False)
class LiveJob:
    """What is known of a job beside its record. `error` is what ended it, None while it runs or when all went well."""

    progress: Progress | None = None
    findings: tuple[Finding, ...] = ()
    error: MediaPrepError | None = None
    stop: threading.Event = field(default_factory=threading.Event)
    ended: threading.Event = field(default_factory=threading.Event)


class JobRunner:
    """Starts jobs, each in a thread of its own, and keeps hold of them. For use by several threads at once."""

    def __init__(self, records: Store, clock: Clock, events: EventHub) -> None:
        self._records = records
        self._clock = clock
        self._events = events
        self._lock = threading.Lock()
        self._closing = False
        self._at_work: dict[threading.Thread, LiveJob] = {}
        self._known: OrderedDict[int, LiveJob] = OrderedDict()

    def start(self, work: Callable[[Bench], Outcome], bench: Bench) -> Job:
        """Start a piece of work and return its job as soon as the records hold it.

        Raise what the work raises before that (CardBusy, CardNotReady and so on), or ServiceUnavailable when too many
        jobs are at work or the service is about to end.
        """
        begun: Future[Job] = Future()
        live = LiveJob()
        thread = threading.Thread(target=self._run, args=(work, bench, live, begun), name="job", daemon=True)
        with self._lock:
            self._refuse_when_busy()
            thread.start()
            self._at_work[thread] = live
        return begun.result()

    def find(self, number: int) -> LiveJob | None:
        """Return what this process knows of a job: None where it did not run it, or ran it long ago."""
        with self._lock:
            return self._known.get(number)

    def stop(self, number: int) -> bool:
        """Ask a job to stop at its next chunk. Return False where it is not at work in this process."""
        live = self.find(number)
        if live is None or live.ended.is_set():
            return False
        live.stop.set()
        return True

    def shutdown(self) -> None:
        """Take no more jobs, stop those at work and wait until each has said in the records how it ended."""
        with self._lock:
            self._closing = True
            at_work = dict(self._at_work)
        for live in at_work.values():
            live.stop.set()
        for thread in at_work:
            thread.join()

    def _refuse_when_busy(self) -> None:
        if self._closing:
            message = "The service is about to end and takes no more jobs"
            raise ServiceUnavailable(message, remedy="Start the service again: mediaprep serve.")
        if len(self._at_work) >= MOST_AT_ONCE:
            message = f"{len(self._at_work)} jobs are at work, which is as many as this service runs at once"
            raise ServiceUnavailable(message, remedy="Wait for one of them to end, or cancel one.")

    def _run(self, work: Callable[[Bench], Outcome], bench: Bench, live: LiveJob, begun: Future[Job]) -> None:
        throttle = Throttle(lambda progress: self._progressed(live, begun, progress), self._clock.monotonic)
        wired = replace(
            bench,
            progress=throttle,
            on_job=lambda job: self._begun(job, live, begun),
            on_findings=lambda findings: _note(live, findings),
            cancelled=live.stop.is_set,
        )
        try:
            work(wired)
        except MediaPrepError as error:
            live.error = error
            if not begun.done():
                begun.set_exception(error)
        except BaseException as error:  # noqa: BLE001
            # The thread's last resort: whoever waits for this job must hear of it, and the next one must find it ended.
            _log.exception("A job ended by a fault in mediaprep")
            live.error = MediaPrepError("The job ended by a fault in mediaprep")
            if not begun.done():
                begun.set_exception(error)
        finally:
            throttle.close()
            if live.error is not None and begun.exception() is None:
                self._see_it_ended(begun.result())
            live.ended.set()
            if begun.exception() is None:
                self._tell(begun.result().number)
            with self._lock:
                del self._at_work[threading.current_thread()]

    def _begun(self, job: Job, live: LiveJob, begun: Future[Job]) -> None:
        with self._lock:
            self._known[job.number] = live
            ended = [number for number, one in self._known.items() if one.ended.is_set()]
            for number in ended[: max(0, len(self._known) - ENDED_KEPT)]:
                del self._known[number]
        begun.set_result(job)
        self._events.publish("job", job, about=f"job {job.number}")

    def _progressed(self, live: LiveJob, begun: Future[Job], progress: Progress) -> None:
        live.progress = progress
        if begun.done():
            number = begun.result().number
            self._events.publish("progress", {"number": number, "progress": progress}, about=f"progress {number}")

    def _tell(self, number: int) -> None:
        """Tell the listeners how a job ended, as the records have it."""
        with suppress(MediaPrepError):
            self._events.publish("job", self._records.job(number), about=f"job {number}")

    def _see_it_ended(self, job: Job) -> None:
        """Close a job whose own closing failed, such as when the records were locked: an ending written stands."""
        with suppress(MediaPrepError):
            self._records.end_job(
                job.number,
                JobState.FAILED,
                at=self._clock.now(),
                code=MediaPrepError.code,
                detail="The job ended without a word",
            )


def _note(live: LiveJob, findings: Sequence[Finding]) -> None:
    live.findings = tuple(findings)
