"""Files that an owner asks for, such as exports, printouts and backups: whole or not at all, and never over another."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path

from mediaprep.errors import OutputFailed

PART = ".part"


def write_new(path: Path, chunks: Iterable[bytes]) -> None:
    """Write a new file. Raise OutputFailed where there is one already or it cannot be written; none is left then."""
    refuse_existing(path)
    part = path.with_name(path.name + PART)
    try:
        with part.open("wb") as file:
            for chunk in chunks:
                file.write(chunk)
            file.flush()
            os.fsync(file.fileno())
        put_in_place(part, path)
    except OSError as error:
        message = f"{path} cannot be written: {error.strerror}"
        raise OutputFailed(message) from error
    finally:
        part.unlink(missing_ok=True)


def refuse_existing(path: Path) -> None:
    """Raise OutputFailed where there is something at a path, or no folder to put it in."""
    if path.exists() or path.is_symlink():
        message = f"{path} is there already, and is not overwritten"
        raise OutputFailed(message, remedy="Choose another name, or move that file away.")
    if not path.parent.is_dir():
        message = f"There is no folder {path.parent}"
        raise OutputFailed(message, remedy="Make the folder first, or choose another.")


def put_in_place(part: Path, path: Path) -> None:
    """Give a finished file its name. Raise OutputFailed where another has taken it meanwhile, OSError."""
    try:
        path.hardlink_to(part)  # unlike a rename, this fails where the name is taken
    except FileExistsError as error:
        message = f"{path} was made by another program meanwhile, and is not overwritten"
        raise OutputFailed(message) from error
    except OSError:
        # FAT volumes, as on many sticks, know no links.
        refuse_existing(path)
        part.rename(path)


def new_folder(folder: Path) -> None:
    """Make a folder and those above it; one that is there is no error. Raise OutputFailed."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        message = f"The folder {folder} cannot be made: {error.strerror}"
        raise OutputFailed(message) from error
