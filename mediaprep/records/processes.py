"""Who is at work: which computer, which process of it, and whether that process still is."""

from __future__ import annotations

import platform
import uuid
from pathlib import Path

import psutil

from mediaprep.config import Settings
from mediaprep.errors import RecordsUnusable
from mediaprep.records.database import Worker

# In the folder of a computer's own data, which is never the shared one.
COMPUTER_FILE = "computer"

# A process's start is read as seconds since 1970, which shift a little when the computer's clock is set.
_TOLERANCE_SECONDS = 2.0


def worker_of(settings: Settings) -> Worker:
    """Return who is at work in this process. Raise RecordsUnusable where the data folder cannot be written."""
    process_id, started = this_process()
    return Worker(settings.station, settings.operator, process_id, started, this_computer(settings.data_dir))


def this_computer(data_dir: Path) -> str:
    """Return what tells this computer from all others, whatever they are called: the same as long as the folder lasts.

    Two computers may bear one name, and a process number of the one means nothing on the other. The network name is
    part of it because a folder may follow its owner from computer to computer.
    """
    path = data_dir / COMPUTER_FILE
    try:
        if not path.exists():
            part = path.with_name(f"{COMPUTER_FILE}.{uuid.uuid4().hex}.part")
            part.write_text(uuid.uuid4().hex, encoding="ascii")
            part.replace(path)
        # Read back: another program may have been a moment later, and then its word is the one that stays.
        return f"{platform.node()}/{path.read_text(encoding='ascii').strip()}"
    except (OSError, UnicodeDecodeError) as error:
        message = f"The file {path}, which tells this computer from others, cannot be read or made: {error}"
        raise RecordsUnusable(message, remedy=f"Make {data_dir} writable; a damaged file may be removed.") from error


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
