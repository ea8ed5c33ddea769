"""Files hashed several at a time, each in one pass for all its checksums: hashlib works beside other threads."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Collection, Iterable, Mapping
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from contextlib import AbstractContextManager
from dataclasses import dataclass

from mediaprep.checksums import Digester
from mediaprep.errors import Interrupted
from mediaprep.model import Algorithm
from mediaprep.ports import Cancelled, ProgressSink
from mediaprep.progress import Phase, Progress

# More readers at a time than this gain nothing on a disk, and hurt on one that turns.
THREADS_MAX = 4
_LOOK_SECONDS = 0.1


@dataclass(frozen=True, slots=True)
class Hashed:
    """What was read of one file."""

    size_bytes: int
    digests: Mapping[Algorithm, str]


def hash_files(
    wanted: Mapping[str, Collection[Algorithm]],
    opener: Callable[[str], AbstractContextManager[Iterable[bytes]]],
    *,
    total_bytes: int,
    progress: ProgressSink,
    cancelled: Cancelled,
) -> dict[str, Hashed]:
    """Read files and return their checksums, by path.

    `wanted` says which of each, `opener` opens one from any thread. Progress, in the phase CHECK, comes from the
    calling thread, after each file and while long ones are read. Raise Interrupted, or what opening or reading raises.
    """
    return _Hashing(wanted, opener, total_bytes, progress).run(cancelled)


class _Hashing:
    def __init__(
        self,
        wanted: Mapping[str, Collection[Algorithm]],
        opener: Callable[[str], AbstractContextManager[Iterable[bytes]]],
        total_bytes: int,
        progress: ProgressSink,
    ) -> None:
        self._wanted, self._opener = wanted, opener
        self._total_bytes, self._progress = total_bytes, progress
        self._done_bytes = 0
        self._counting = threading.Lock()
        self._stop = threading.Event()

    def run(self, cancelled: Cancelled) -> dict[str, Hashed]:
        found: dict[str, Hashed] = {}
        threads = min(THREADS_MAX, os.cpu_count() or 1)
        waiting = iter(self._wanted.items())
        running: dict[Future[Hashed], str] = {}
        with ThreadPoolExecutor(threads, thread_name_prefix="hash") as pool:
            try:
                while True:
                    # Only a few are handed over ahead: of half a million files, not each needs to wait in memory.
                    while len(running) < 2 * threads and (item := next(waiting, None)) is not None:
                        running[pool.submit(self._hash, *item)] = item[0]
                    if not running:
                        return found
                    done, _ = wait(running, _LOOK_SECONDS, FIRST_COMPLETED)
                    path = next(iter(running.values()))
                    for future in done:
                        path = running.pop(future)
                        found[path] = future.result()
                    if cancelled():
                        message = f"Stopped on request while {path} was being read"
                        raise Interrupted(message)
                    with self._counting:
                        done_bytes = self._done_bytes
                    files = len(self._wanted)
                    self._progress(Progress(Phase.CHECK, len(found), files, done_bytes, self._total_bytes, path))
            finally:
                self._stop.set()
                pool.shutdown(cancel_futures=True)

    def _hash(self, path: str, algorithms: Collection[Algorithm]) -> Hashed:
        digester = Digester(algorithms)
        size_bytes = 0
        with self._opener(path) as chunks:
            for chunk in chunks:
                if self._stop.is_set():
                    break
                digester.update(chunk)
                size_bytes += len(chunk)
                with self._counting:
                    self._done_bytes += len(chunk)
        return Hashed(size_bytes, digester.digests())
