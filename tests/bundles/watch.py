"""Sees every attempt of this process to change a file system, whatever comes of it."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

_WRITING = os.O_WRONLY | os.O_RDWR | os.O_CREAT | os.O_TRUNC | os.O_APPEND
_CHANGES = {
    "os.mkdir", "os.rename", "os.remove", "os.rmdir", "os.link", "os.symlink", "os.truncate", "os.chmod", "os.chown",
    "os.utime", "os.setxattr", "os.mkfifo", "os.mknod", "subprocess.Popen", "os.system", "os.exec", "os.posix_spawn",
    "tempfile.mkstemp", "tempfile.mkdtemp",
}  # fmt: skip
_seen: list[list[str]] = []


def _hook(event: str, arguments: tuple[Any, ...]) -> None:
    if _seen and (event in _CHANGES or (event == "open" and arguments[2] & _WRITING)):
        _seen[-1].append(f"{event} {arguments[0]!r}")


# An audit hook cannot be taken away again, so it stays, and costs a look at an empty list.
sys.addaudithook(_hook)


@contextmanager
def changes() -> Iterator[list[str]]:
    """Collect what is attempted within: opening for writing, making, moving, removing, starting a program."""
    _seen.append([])
    try:
        yield _seen[-1]
    finally:
        _seen.pop()
