"""Files that a command writes again and again, such as a picture or a calendar: ours are replaced, no other is."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from mediaprep.errors import OutputFailed


def write_again(path: Path, content: str, mark: str) -> None:
    """Write a text file in UTF-8, whole or not at all, in the place of an earlier one of ours.

    `mark` stands near the beginning of every file that we write of this sort. Raise OutputFailed where another file is
    in the way, or the file cannot be written.
    """
    part: Path | None = None
    try:
        if (path.exists() or path.is_symlink()) and not _is_ours(path, mark):
            message = f"{path} was not written by mediaprep, and is not overwritten"
            raise OutputFailed(message, remedy="Choose another name, or move that file away.")
        with tempfile.NamedTemporaryFile(dir=path.parent, prefix=f".{path.name}.", delete=False) as file:
            part = Path(file.name)
            file.write(content.encode())
            file.flush()
            os.fsync(file.fileno())
        part.chmod(0o644)
        part.replace(path)
    except OSError as error:
        if part is not None:
            part.unlink(missing_ok=True)
        message = f"{path} cannot be written: {error.strerror}"
        raise OutputFailed(message) from error


def _is_ours(path: Path, mark: str) -> bool:
    if not path.is_file() or path.is_symlink():
        return False
    with path.open("rb") as file:
        return mark.encode() in file.read(4096)
