"""What all archives have in common as bundles: members are read one after another, never unpacked to a disk."""

from __future__ import annotations

import hashlib
import os
from abc import ABC, abstractmethod
from collections.abc import Collection, Generator, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, NoReturn

from mediaprep.bundles.refusals import Refusals
from mediaprep.errors import BundleEmpty, BundleUnreadable, Interrupted
from mediaprep.model import Manifest, ManifestEntry
from mediaprep.ports import Cancelled, ProgressSink
from mediaprep.progress import Phase, Progress

_BUFFER_BYTES = 2**18


@dataclass(frozen=True, slots=True)
class Member:
    """One file in an archive, and how many files the archive has: 0 where that is not known before its end."""

    path: str
    size_bytes: int
    files_total: int = 0


class Archive(ABC):
    """A file that holds a bundle's files. Subclasses know how to walk through one form of it."""

    form: str

    def __init__(self, path: Path) -> None:
        self.location = str(path.absolute())
        self._path = path.absolute()
        self._refusals = Refusals(self.location)

    @abstractmethod
    def _walk(
        self, opened: BinaryIO, wanted: Collection[str] | None, cancelled: Cancelled
    ) -> Iterator[tuple[Member, Iterator[bytes]]]:
        """Yield the wanted files as they come in the archive, each with its bytes; None: all, but for litter.

        A file's bytes may be taken as far as they are wanted, before the next file is asked for. With None, everything
        about the archive is verified by the time the walk ends; else all that was on the way. Raise BundleUnsafe,
        BundleUnreadable, OSError, or Interrupted.
        """

    def take_in(self, progress: ProgressSink, cancelled: Cancelled) -> Manifest:
        """Read and hash every file in one pass. Raise BundleUnreadable, BundleUnsafe, BundleEmpty or Interrupted.

        Progress is in the phase CHECK, after each file and each MiB; its bytes are those of the archive. Every entry
        has the archive's own time.
        """
        entries: list[ManifestEntry] = []
        with self._opened() as opened:
            before = os.fstat(opened.fileno())
            for member, chunks in self._reading(opened, None, cancelled):
                digest = hashlib.sha256()
                for chunk in chunks:
                    self._stop_if(cancelled, member.path)
                    digest.update(chunk)
                    progress(_far(len(entries), member, opened, before.st_size))
                entries.append(ManifestEntry(member.path, member.size_bytes, digest.hexdigest(), before.st_mtime_ns))
                self._stop_if(cancelled, member.path)
                progress(_far(len(entries), member, opened, before.st_size))
            now = os.fstat(opened.fileno())
            if (now.st_size, now.st_mtime_ns) != (before.st_size, before.st_mtime_ns):
                message = f"The bundle {self.location} was changed while it was being read"
                raise BundleUnreadable(message, remedy="Wait until whatever writes it is done, then take it in again.")
        if not entries:
            message = f"{self.location} holds no file"
            raise BundleEmpty(message, remedy="Name the archive that holds the files themselves.")
        progress(Progress(Phase.CHECK, len(entries), len(entries), before.st_size, before.st_size))
        entries.sort(key=lambda entry: entry.path)
        return Manifest(tuple(entries))

    def changed_paths(self, manifest: Manifest) -> tuple[str, ...]:
        """Name the archive itself where it is missing, or has another time than when it was taken in; else nothing."""
        try:
            modified_ns = self._path.stat().st_mtime_ns
        except OSError:
            return (self.location,)
        same = all(entry.modified_ns in {None, modified_ns} for entry in manifest.entries)
        return () if same else (self.location,)

    @contextmanager
    def open(self, path: str) -> Iterator[Iterable[bytes]]:
        """Open one file and yield its bytes in chunks. Raise BundleUnreadable, also where there is none of that path.

        Of a tar, all that comes before it is read first: for more than one file use `hand_out`.
        """
        with self.hand_out([path], lambda: False) as files:
            for _, chunks in files:
                yield chunks
                return

    @contextmanager
    def hand_out(self, paths: Collection[str], cancelled: Cancelled) -> Iterator[Iterator[tuple[str, Iterable[bytes]]]]:
        """Yield these files with their bytes, as they come in the archive, in one pass. See `ports.BundleSource`."""
        with closing(self._handing_out(set(paths), cancelled)) as files:
            yield files

    def staging_bytes(self, manifest: Manifest) -> int:  # noqa: ARG002 - other forms may need it
        """Return 0: files go from the archive to where they are wanted."""
        return 0

    def _handing_out(
        self, missing: set[str], cancelled: Cancelled
    ) -> Generator[tuple[str, Iterable[bytes]], None, None]:
        if not missing:
            return
        with self._opened() as opened, closing(self._reading(opened, frozenset(missing), cancelled)) as files:
            for member, chunks in files:
                missing.discard(member.path)
                yield member.path, chunks
                if not missing:
                    return
        message = f"{min(missing)} is not in the bundle {self.location}"
        raise BundleUnreadable(message)

    def _reading(
        self, opened: BinaryIO, wanted: Collection[str] | None, cancelled: Cancelled
    ) -> Generator[tuple[Member, Iterator[bytes]], None, None]:
        """Walk, with the errors of the computer turned into ours."""
        walk = self._walk(opened, wanted, cancelled)
        while True:
            try:
                member, chunks = next(walk)
            except StopIteration:
                return
            except OSError as error:
                self._fail(error)
            yield member, self._bytes_of(chunks)

    def _bytes_of(self, chunks: Iterator[bytes]) -> Iterator[bytes]:
        while True:
            try:
                chunk = next(chunks)
            except StopIteration:
                return
            except OSError as error:
                self._fail(error)
            yield chunk

    @contextmanager
    def _opened(self) -> Iterator[BinaryIO]:
        try:
            opened = self._path.open("rb", buffering=_BUFFER_BYTES)
        except OSError as error:
            self._fail(error)
        with opened:
            yield opened

    def _fail(self, error: OSError) -> NoReturn:
        raise self._refusals.unreadable(error) from error

    def _stop_if(self, cancelled: Cancelled, path: str) -> None:
        if cancelled():
            message = f"Stopped on request while {path} was being read"
            raise Interrupted(message)


def _far(files_done: int, member: Member, opened: BinaryIO, archive_bytes: int) -> Progress:
    return Progress(Phase.CHECK, files_done, member.files_total, opened.tell(), archive_bytes, member.path)
