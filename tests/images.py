"""Volumes in files, made by the tools that people use, and readers over them."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mediaprep.volumes import Reader
from tests.contract.volumes import need_root, unavailable
from tests.tools import need, run


def make_file(image: Path, size_bytes: int) -> Path:
    with image.open("wb") as file:
        file.truncate(size_bytes)
    return image


def make_fat(image: Path, size_bytes: int, *options: object) -> Path:
    need("mkfs.vfat")
    run("mkfs.vfat", "-i", "12345678", "-n", "TESTVOL", *options, make_file(image, size_bytes))
    return image


def make_exfat(image: Path, size_bytes: int, *options: object) -> Path:
    need("mkfs.exfat")
    run("mkfs.exfat", "-L", "TESTVOL", *options, make_file(image, size_bytes))
    return image


@contextmanager
def reading(image: Path) -> Iterator[Reader]:
    """Yield a reader of a file."""
    with image.open("rb") as file:

        def read(offset: int, length: int) -> bytes:
            file.seek(offset)
            return file.read(length)

        yield read


def patch(image: Path, offset: int, data: bytes) -> None:
    """Write bytes into a file at an offset."""
    with image.open("r+b") as file:
        file.seek(offset)
        file.write(data)


@contextmanager
def attached(image: Path) -> Iterator[str]:
    """Yield the loop device of a file, which is read past the computer's memory."""
    need_root()
    need("losetup")
    done = subprocess.run(["losetup", "--direct-io=on", "--find", "--show", image], capture_output=True, text=True)
    if done.returncode:
        unavailable(f"no loop device: {done.stderr.strip()}")
    device = done.stdout.strip()
    try:
        yield device
    finally:
        run("losetup", "--detach", device)


@contextmanager
def mounted_exfat(image: Path, place: Path) -> Iterator[str]:
    """Mount an exFAT volume through FUSE, by way of a loop device, which is yielded."""
    need_root()
    need("mount.exfat-fuse", "losetup", "umount")
    if not Path("/dev/fuse").exists():
        unavailable("no /dev/fuse")
    place.mkdir(exist_ok=True)
    with attached(image) as device:
        run("mount.exfat-fuse", device, place)
        try:
            yield device
        finally:
            run("umount", place)
