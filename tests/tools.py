"""Programs that tests compare with: without them a test is skipped at home, and fails on CI."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

# Debian keeps these where an ordinary user's PATH does not lead.
_ALSO = ":".join(["/usr/sbin", "/sbin", *map(str, Path("/usr/lib/postgresql").glob("*/bin"))])


def need(*programs: str) -> None:
    """Skip the test where a program is missing; fail instead where CI is set."""
    missing = [program for program in programs if where(program) is None]
    if not missing:
        return
    message = f"not installed: {', '.join(missing)}"
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)


def where(program: str) -> str | None:
    """Return the path of a program, None where there is none."""
    return shutil.which(program, path=f"{os.environ.get('PATH', '')}:{_ALSO}")


def run(program: str, *arguments: object, check: bool = True, env: dict[str, str] | None = None) -> str:
    """Run a program that `need` found, and return what it printed, errors included."""
    path = where(program)
    assert path is not None, f"{program} is not installed: call need('{program}') first"
    done = subprocess.run(
        [path, *map(str, arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        errors="surrogateescape",
        env={**os.environ, "LC_ALL": "C.UTF-8", **(env or {})},
    )
    if check and done.returncode:
        pytest.fail(f"{program} {' '.join(map(str, arguments))} ended with {done.returncode}: {done.stdout}")
    return done.stdout
