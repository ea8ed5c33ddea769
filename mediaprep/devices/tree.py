"""Files below one folder, by paths that can neither follow a link nor leave it.

Every call walks down from the root part by part and opens each folder relative to the one before, so that nothing which
is changed into a link meanwhile is followed. Where the system cannot do that (Windows), each part is looked at first.
Nothing stays open between calls: a volume can be unmounted at any time.

All calls raise OSError as the system does, and TargetUnsafe for a path that would leave the root.
"""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from mediaprep.errors import TargetUnsafe
from mediaprep.model import CardEntry

_RELATIVE = {os.open, os.mkdir, os.stat, os.unlink, os.rmdir, os.rename} <= os.supports_dir_fd and (
    os.scandir in os.supports_fd
)
_NO_FOLLOW = getattr(os, "O_NOFOLLOW", 0)
_NO_WAIT = getattr(os, "O_NONBLOCK", 0)  # a pipe that someone put in a file's place must not hold us up
_BINARY = getattr(os, "O_BINARY", 0)
_FOLDER = os.O_RDONLY | getattr(os, "O_DIRECTORY", 0) | _NO_FOLLOW
_REPARSE_POINT = 0x400  # Windows FILE_ATTRIBUTE_REPARSE_POINT: a link or junction
# Deeper than any file system lets a path be made; only a damaged volume, whose folders contain themselves, is.
_PATH_CHARACTERS_MAX = 4096


class FolderTree:
    """The files below `root`, on the one file system that is there now.

    Raise FileNotFoundError where there is no such folder.
    """

    def __init__(self, root: Path) -> None:
        self.root = root
        self._device = root.stat().st_dev

    def is_there(self) -> bool:
        """Say whether the root still lies on the file system it lay on at first."""
        try:
            return self.root.stat().st_dev == self._device
        except OSError:
            return False

    def open_root(self) -> int:
        """Open the root folder and return its descriptor. Raise OSError(ENODEV) where another volume is there now."""
        try:
            opened = os.open(self.root, _FOLDER & ~_NO_FOLLOW)
        except (FileNotFoundError, NotADirectoryError) as error:
            raise OSError(errno.ENODEV, "the folder is gone", str(self.root)) from error
        if os.fstat(opened).st_dev != self._device:
            os.close(opened)
            raise OSError(errno.ENODEV, "another volume is there now", str(self.root))
        return opened

    def walk(self) -> Iterator[CardEntry]:
        """Yield every file and folder, each once, folders before what is in them, by name within each folder.

        Links, devices and other special files come as files of 0 bytes and are never followed. A volume mounted below
        the root comes as a folder and is not entered. Bytes of a name that are no text come as `\\xNN`.
        """
        waiting = [""]
        while waiting:
            folder = waiting.pop()
            if len(folder) > _PATH_CHARACTERS_MAX:
                raise OSError(errno.ELOOP, "folders lie in each other without end", folder[:64])
            inner = []
            for name, info in self._list(folder):
                path = f"{folder}/{name}" if folder else name
                is_folder = stat.S_ISDIR(info.st_mode) and not _is_link(info)
                size = info.st_size if stat.S_ISREG(info.st_mode) else 0
                yield CardEntry(_as_text(path), size, is_folder)
                if is_folder and info.st_dev == self._device:
                    inner.append(path)
            waiting += reversed(inner)

    def make_folder(self, path: str) -> None:
        """Make one folder, whose parent exists. It is no error if it is there already."""
        with self._parent(path) as (name, folder):
            try:
                os.mkdir(name, dir_fd=folder)
            except FileExistsError:
                info = os.stat(name, dir_fd=folder, follow_symlinks=False)
                self._refuse_link(info, path)
                if not stat.S_ISDIR(info.st_mode):
                    raise

    def open_write(self, path: str) -> int:
        """Open a regular file for writing, emptied, and return its descriptor; make it where there is none.

        A file that has a second name (a hard link) is refused: that name may be in use for something else.
        """
        with self._parent(path) as (name, folder):
            with suppress(FileNotFoundError):
                self._require_regular(os.stat(name, dir_fd=folder, follow_symlinks=False), path, names=1)
            opened = os.open(name, os.O_WRONLY | os.O_CREAT | _NO_FOLLOW | _NO_WAIT | _BINARY, 0o666, dir_fd=folder)
            try:
                self._require_regular(os.fstat(opened), path, names=1)
                os.ftruncate(opened, 0)
            except BaseException:
                os.close(opened)
                raise
            return opened

    def open_read(self, path: str, flags: int = 0) -> int:
        """Open a regular file for reading, with further flags of `os.open`, and return its descriptor."""
        with self._parent(path) as (name, folder):
            self._require_regular(os.stat(name, dir_fd=folder, follow_symlinks=False), path)
            opened = os.open(name, os.O_RDONLY | _NO_FOLLOW | _NO_WAIT | _BINARY | flags, dir_fd=folder)
            try:
                self._require_regular(os.fstat(opened), path)
            except BaseException:
                os.close(opened)
                raise
            return opened

    def size_bytes(self, path: str) -> int | None:
        """Return a file's size, None where there is nothing of that name."""
        try:
            with self._parent(path) as (name, folder):
                return os.stat(name, dir_fd=folder, follow_symlinks=False).st_size
        except FileNotFoundError:
            return None

    def rename(self, old: str, new: str) -> None:
        """Give a file another name in the same folder, replacing the file that has it. Raise ValueError elsewhere."""
        parent, _, new_name = new.rpartition("/")
        if parent != old.rpartition("/")[0]:
            message = f"{old} and {new} are not in one folder"
            raise ValueError(message)
        path_parts(new)
        with self._parent(old) as (name, folder):
            target = new_name if folder is not None else str(Path(name).with_name(new_name))
            os.replace(name, target, src_dir_fd=folder, dst_dir_fd=folder)

    def remove(self, path: str) -> None:
        """Remove one file. It is no error if it is not there."""
        with suppress(FileNotFoundError), self._parent(path) as (name, folder):
            os.unlink(name, dir_fd=folder)

    def remove_folder(self, path: str) -> None:
        """Remove one folder if it is empty; leave it if not. It is no error if it is not there."""
        with suppress(FileNotFoundError), self._parent(path) as (name, folder):
            self._refuse_link(os.stat(name, dir_fd=folder, follow_symlinks=False), path)
            try:
                os.rmdir(name, dir_fd=folder)
            except OSError as error:
                if error.errno not in {errno.ENOTEMPTY, errno.EEXIST}:
                    raise

    def _list(self, folder: str) -> list[tuple[str, os.stat_result]]:
        with self._folder(folder.split("/") if folder else [], folder) as place, os.scandir(place) as found:
            # DirEntry.stat() tells no device on Windows.
            return sorted(
                (entry.name, entry.stat(follow_symlinks=False) if _RELATIVE else os.lstat(entry.path))
                for entry in found
            )

    @contextmanager
    def _parent(self, path: str) -> Iterator[tuple[str, int | None]]:
        """Yield a path's last part and its folder's descriptor; or its whole path and None where there are none."""
        *folders, name = path_parts(path)
        with self._folder(folders, path) as place:
            if isinstance(place, int):
                yield name, place
            else:
                yield str(place / name), None

    @contextmanager
    def _folder(self, parts: list[str], path: str) -> Iterator[int | Path]:
        """Yield the descriptor of a folder on the way to `path`, or its own path where there are no descriptors."""
        if not _RELATIVE:
            yield self._looked_at(parts, path)
            return
        folder = self.open_root()
        try:
            for part in parts:
                inner = self._open_folder(part, folder, path)
                os.close(folder)
                folder = inner
            yield folder
        finally:
            os.close(folder)

    def _open_folder(self, name: str, parent: int, path: str) -> int:
        try:
            opened = os.open(name, _FOLDER, dir_fd=parent)
        except OSError:
            # Linux answers a link with ENOTDIR, as it does a file; others with ELOOP or EMLINK.
            with suppress(OSError):
                self._refuse_link(os.stat(name, dir_fd=parent, follow_symlinks=False), path)
            raise
        if os.fstat(opened).st_dev != self._device:
            os.close(opened)
            raise self._leaves(path, "another volume is mounted on the way")
        return opened

    def _looked_at(self, parts: list[str], path: str) -> Path:
        place = self.root
        if not self.is_there():
            raise OSError(errno.ENODEV, "another volume is there now", str(self.root))
        for part in parts:
            place /= part
            info = place.lstat()
            self._refuse_link(info, path)
            if info.st_dev != self._device:
                raise self._leaves(path, "another volume is mounted on the way")
        return place

    def _require_regular(self, info: os.stat_result, path: str, names: int | None = None) -> None:
        self._refuse_link(info, path)
        if stat.S_ISDIR(info.st_mode):
            raise IsADirectoryError(errno.EISDIR, os.strerror(errno.EISDIR), path)
        if not stat.S_ISREG(info.st_mode):
            raise self._leaves(path, "it is no regular file")
        if names is not None and info.st_nlink > names:
            raise self._leaves(path, "the file has a second name")

    def _refuse_link(self, info: os.stat_result, path: str) -> None:
        if _is_link(info):
            raise self._leaves(path, "there is a link on the way")

    def _leaves(self, path: str, why: str) -> TargetUnsafe:
        return TargetUnsafe(
            f"{path} may lead out of {self.root}: {why}", remedy="Remove the named item from the card yourself."
        )


def _is_link(info: os.stat_result) -> bool:
    return stat.S_ISLNK(info.st_mode) or bool(getattr(info, "st_file_attributes", 0) & _REPARSE_POINT)


def path_parts(path: str) -> list[str]:
    """Return the names in a path below a folder. Raise TargetUnsafe where it is none, or leads out of it."""
    parts = path.split("/")
    bad_characters = "\0" if os.sep == "/" else "\0\\:"
    if any(part in {"", ".", ".."} for part in parts) or any(letter in path for letter in bad_characters):
        message = f"'{path}' is not a path below a folder"
        raise TargetUnsafe(message, remedy="Use names without '..' and without a leading '/'.")
    return parts


def _as_text(path: str) -> str:
    try:
        path.encode()
    except UnicodeEncodeError:
        return os.fsencode(path).decode(errors="backslashreplace")
    return path
