"""Which process is at work, and whether it still is: by its number and the moment it started."""

from __future__ import annotations

import psutil

# A process's start is read as seconds since 1970, which shift a little when the computer's clock is set.
_TOLERANCE_SECONDS = 2.0


def this_process() -> tuple[int, float]:
    """Return this process's number and when it started, in seconds since 1970."""
    process = psutil.Process()
    return process.pid, process.create_time()


def process_alive(process_id: int, started: float) -> bool:
    """Return whether the process of that number which started then is still there and not a mere remnant."""
    try:
        process = psutil.Process(process_id)
        if process.status() == psutil.STATUS_ZOMBIE:
            return False
        return abs(process.create_time() - started) <= _TOLERANCE_SECONDS
    except psutil.NoSuchProcess:
        return False
    except psutil.AccessDenied:
        return True  # someone's process of that number is there; a job is not declared dead on a guess
