"""A small bag on the disk, as a folder or one zip: written the same to the byte each time, read without unpacking."""

from __future__ import annotations

import io
import os
import shutil
import zipfile
import zlib
from collections.abc import Mapping
from pathlib import Path

from mediaprep.errors import ImportInvalid, OutputFailed
from mediaprep.outfile import PART, refuse_existing, write_new

# The earliest time that a zip can hold: one that says nothing, and is the same everywhere.
_NO_TIME = (1980, 1, 1, 0, 0, 0)
_UNIX = 3
_PLAIN_FILE = 0o100644 << 16
# The records of one aircraft are far smaller: more than this is no bag of ours, or one made to fill the memory.
READ_BYTES_MAX = 2 * 10**9


def write_bag(files: Mapping[str, bytes], to: Path, *, name: str) -> None:
    """Write the files of a bag into a new folder, or into a new zip where the path ends with `.zip`.

    In the zip they lie in a folder of the bag's `name`, and are stored, not packed: what a packer makes differs from
    version to version. Raise OutputFailed.
    """
    if to.suffix.lower() == ".zip":
        write_new(to, [_zipped(files, name)])
        return
    refuse_existing(to)
    part = to.with_name(to.name + PART)
    try:
        for path, content in files.items():
            target = part / path
            target.parent.mkdir(parents=True, exist_ok=True)
            with target.open("wb") as file:
                file.write(content)
                file.flush()
                os.fsync(file.fileno())
        part.rename(to)
    except OSError as error:
        message = f"{to} cannot be written: {error.strerror}"
        raise OutputFailed(message) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)


def read_bag(at: Path) -> dict[str, bytes]:
    """Return the files of a bag by their paths in it, from a folder or a zip of one. Raise ImportInvalid."""
    try:
        if at.is_dir():
            found = {path.relative_to(at).as_posix(): path for path in sorted(at.rglob("*")) if not path.is_dir()}
            _refuse_size(at, sum(path.lstat().st_size for path in found.values()))
            return {name: path.read_bytes() for name, path in found.items()}
        with zipfile.ZipFile(at) as archive:
            return _unzipped(archive, at)
    except (OSError, zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        said = error.strerror if isinstance(error, OSError) else error
        message = f"{at} cannot be read as a bag: {said}"
        raise ImportInvalid(
            message, remedy="Name the folder or the zip that 'mediaprep aircraft export' made."
        ) from error


def _zipped(files: Mapping[str, bytes], folder: str) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_STORED) as archive:
        for path, content in files.items():
            member = zipfile.ZipInfo(f"{folder}/{path}", _NO_TIME)
            member.create_system = _UNIX
            member.external_attr = _PLAIN_FILE
            archive.writestr(member, content)
    return packed.getvalue()


def _unzipped(archive: zipfile.ZipFile, at: Path) -> dict[str, bytes]:
    """Return the members of a zip, without the one folder that all of them lie in."""
    members = [member for member in archive.infolist() if not member.is_dir()]
    _refuse_size(at, sum(member.file_size for member in members))
    files = {member.filename: archive.read(member) for member in members}
    tops = {name.partition("/")[0] for name in files}
    if len(tops) == 1 and "bagit.txt" not in files:
        return {name.partition("/")[2]: content for name, content in files.items()}
    return files


def _refuse_size(at: Path, size_bytes: int) -> None:
    if size_bytes > READ_BYTES_MAX:
        message = f"{at} holds {size_bytes} bytes, far more than the records of an aircraft"
        raise ImportInvalid(message)
