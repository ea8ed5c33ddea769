"""Real volumes to try cards on: a file with ext4 behind a loop device, and a volume in memory. Both need root."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

from tests.tools import need, run

MIB = 2**20


@dataclass(frozen=True)
class LoopVolume:
    """A mounted ext4 volume: where it is mounted, its loop device, and the file that holds it."""

    mount_point: Path
    device: str
    image: Path


def need_root() -> None:
    """Skip the test for an ordinary user; fail instead where CI is set."""
    if os.geteuid() != 0:
        unavailable("needs root")


@contextmanager
def loop_volume(folder: Path, size_bytes: int = 16 * MIB) -> Iterator[LoopVolume]:
    """Yield a fresh ext4 volume on a loop device that reads its file without the computer's memory."""
    need_root()
    need("losetup", "mkfs.ext4", "mount", "umount")
    image, mount_point = folder / "volume.img", folder / "mounted here"
    mount_point.mkdir()
    with image.open("wb") as file:
        file.truncate(size_bytes)
    run("mkfs.ext4", "-q", "-b", "1024", "-m", "0", image)
    attached = subprocess.run(["losetup", "--direct-io=on", "--find", "--show", image], capture_output=True, text=True)
    if attached.returncode:
        unavailable(f"no loop device: {attached.stderr.strip()}")
    device = attached.stdout.strip()
    try:
        run("mount", "-t", "ext4", device, mount_point)
        try:
            yield LoopVolume(mount_point, device, image)
        finally:
            # A test may have unmounted it.
            run("umount", mount_point, check=mount_point.is_mount())
    finally:
        run("losetup", "--detach", device)


@contextmanager
def memory_volume(folder: Path, size_bytes: int = 4 * MIB) -> Iterator[Path]:
    """Yield where a fresh tmpfs of a size is mounted."""
    need_root()
    need("mount", "umount")
    mount_point = folder / "in memory"
    mount_point.mkdir()
    run("mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "none", mount_point)
    try:
        yield mount_point
    finally:
        run("umount", mount_point)


def unavailable(message: str) -> None:
    """Skip the test; fail instead where CI is set."""
    if os.environ.get("CI"):
        pytest.fail(message)
    pytest.skip(message)
