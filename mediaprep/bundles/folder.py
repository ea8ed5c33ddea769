"""A folder of this computer as a bundle. It is only ever read."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Collection, Generator, Iterable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from mediaprep.devices.tree import FolderTree
from mediaprep.errors import BundleEmpty, BundleUnreadable, BundleUnsafe, Interrupted, TargetUnsafe
from mediaprep.manifest import safe_path_problem
from mediaprep.model import Manifest, ManifestEntry
from mediaprep.names import is_litter, printable
from mediaprep.ports import Cancelled, ProgressSink
from mediaprep.progress import Phase, Progress

CHUNK_BYTES = 2**20


class FolderBundle:
    """All files below a folder, but for what desktop systems leave. Links and special files are refused.

    Raise BundleUnreadable where there is no folder.
    """

    form = "folder"

    def __init__(self, path: Path) -> None:
        self.location = str(path.absolute())
        self._root = path.resolve()
        if not self._root.is_dir():
            message = f"The bundle's folder {path} is not there"
            raise BundleUnreadable(message)

    def take_in(self, progress: ProgressSink, cancelled: Cancelled) -> Manifest:
        """Read and hash every file. Raise BundleUnreadable, BundleUnsafe, BundleEmpty or Interrupted.

        Progress is in the phase CHECK, after each file and each MiB.
        """
        found = self._found()
        if not found:
            message = f"{self.location} holds no file"
            raise BundleEmpty(message)
        total_bytes = sum(info.st_size for info in found.values())
        done_bytes = 0
        entries = []
        for number, (path, info) in enumerate(found.items()):
            digest = hashlib.sha256()
            with self._opened(path) as opened:
                for chunk in self._chunks(opened, path):
                    _stop_if(cancelled, path)
                    digest.update(chunk)
                    done_bytes += len(chunk)
                    progress(Progress(Phase.CHECK, number, len(found), done_bytes, total_bytes, path))
                self._require_unchanged(opened, info, path)
            _stop_if(cancelled, path)
            entries.append(ManifestEntry(path, info.st_size, digest.hexdigest(), info.st_mtime_ns))
            progress(Progress(Phase.CHECK, number + 1, len(found), done_bytes, total_bytes, path))
        return Manifest(tuple(entries))

    def changed_paths(self, manifest: Manifest) -> tuple[str, ...]:
        """Name files that are missing, new, or differ from the manifest in size or time. Reads no contents.

        A folder that cannot be looked into counts as missing with all that is in it.
        """
        expected = {entry.path: entry for entry in manifest.entries}
        changed = set(expected)
        for path, info in walk(self._root, strict=False):
            entry = expected.get(path)
            if entry is None:
                changed.add(printable(path))
            elif (
                stat.S_ISREG(info.st_mode)
                and info.st_size == entry.size_bytes
                and entry.modified_ns in {None, info.st_mtime_ns}
            ):
                changed.discard(path)
        return tuple(sorted(changed))

    @contextmanager
    def open(self, path: str) -> Iterator[Iterable[bytes]]:
        """Open one file and yield its bytes in chunks. Raise BundleUnreadable, also where it is no plain file now."""
        with self._opened(path) as opened:
            yield self._chunks(opened, path)

    @contextmanager
    def hand_out(self, paths: Collection[str], cancelled: Cancelled) -> Iterator[Iterator[tuple[str, Iterable[bytes]]]]:
        """Yield these files in the order given, each with its bytes. See `ports.BundleSource`."""
        with closing(self._handing_out(paths, cancelled)) as files:
            yield files

    def staging_bytes(self, manifest: Manifest) -> int:  # noqa: ARG002 - other forms need it
        """Return 0: files are handed out from where they lie."""
        return 0

    def _handing_out(
        self, paths: Collection[str], cancelled: Cancelled
    ) -> Generator[tuple[str, Iterable[bytes]], None, None]:
        for path in paths:
            _stop_if(cancelled, path)
            with self.open(path) as chunks:
                yield path, chunks

    def _found(self) -> dict[str, os.stat_result]:
        """Return every file in path order. Raise BundleUnsafe or BundleUnreadable, naming the first that is amiss."""
        found = {}
        try:
            walked = sorted(walk(self._root, strict=True), key=lambda item: item[0])
        except OSError as error:
            raise self._unreadable(str(error.filename), error) from error
        for path, info in walked:
            problem = safe_path_problem(path) or kind_problem(info)
            if problem is not None:
                message = f"{printable(path)} in the bundle {self.location} {problem}"
                raise BundleUnsafe(message)
            found[path] = info
        return found

    @contextmanager
    def _opened(self, path: str) -> Iterator[int]:
        try:
            opened = FolderTree(self._root).open_read(path)
        except TargetUnsafe as error:
            message = f"{path} in the bundle {self.location} is not the plain file that it was"
            raise BundleUnreadable(message) from error
        except OSError as error:
            raise self._unreadable(path, error) from error
        try:
            yield opened
        finally:
            os.close(opened)

    def _chunks(self, opened: int, path: str) -> Iterator[bytes]:
        while True:
            try:
                chunk = os.read(opened, CHUNK_BYTES)
            except OSError as error:
                raise self._unreadable(path, error) from error
            if not chunk:
                return
            yield chunk

    def _require_unchanged(self, opened: int, before: os.stat_result, path: str) -> None:
        now = os.fstat(opened)
        if (now.st_size, now.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
            message = f"{path} in the bundle {self.location} was changed while it was being read"
            raise BundleUnreadable(message, remedy="Wait until whatever writes it is done, then take it in again.")

    def _unreadable(self, path: str, error: OSError) -> BundleUnreadable:
        return BundleUnreadable(f"{path} in the bundle {self.location} cannot be read: {error.strerror}")


def walk(root: Path, *, strict: bool, with_litter: bool = False) -> Iterator[tuple[str, os.stat_result]]:
    """Yield every item below a folder that is no folder, litter only if asked for. `strict`: raise OSError.

    Without `strict`, what cannot be looked into is passed over. A volume that is mounted below the folder comes as an
    item of its own and is not looked into.
    """
    try:
        device = root.stat().st_dev
    except OSError:
        if strict:
            raise
        return
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        try:
            with os.scandir(root / folder) as found:
                for entry in found:
                    path = f"{folder}/{entry.name}" if folder else entry.name
                    info = entry.stat(follow_symlinks=False)
                    is_folder = stat.S_ISDIR(info.st_mode)
                    if not with_litter and is_litter(f"{path}/-" if is_folder else path):
                        continue
                    if is_folder and info.st_dev in {device, 0}:  # 0: Windows does not tell here
                        waiting.append(path)
                    else:
                        yield path, info
        except OSError:
            if strict:
                raise


def kind_problem(info: os.stat_result) -> str | None:
    """Return what keeps an item from being a plain file of a bundle, as the end of a sentence; None for one."""
    if stat.S_ISREG(info.st_mode):
        return None
    if stat.S_ISLNK(info.st_mode):
        return "is a link"
    return "is another volume, mounted there" if stat.S_ISDIR(info.st_mode) else "is no plain file"


def _stop_if(cancelled: Cancelled, path: str) -> None:
    if cancelled():
        message = f"Stopped on request while {path} was being read"
        raise Interrupted(message)
