"""Volumes in files, made by the tools that people use, and readers over them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from mediaprep.volumes import Reader
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
