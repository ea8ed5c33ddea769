"""A prefix of an object store as a bundle: it plays a folder, and its objects the files. It is only ever read."""

from __future__ import annotations

from collections.abc import Collection, Generator, Iterable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any

from mediaprep.bagit import DECLARATION
from mediaprep.bundles.hashing import hash_files
from mediaprep.bundles.place import StoreUrl
from mediaprep.bundles.store_access import connect, telling
from mediaprep.errors import BundleEmpty, BundleUnreadable, BundleUnsafe, Interrupted, SourceChanged, Usage
from mediaprep.manifest import safe_path_problem
from mediaprep.model import Algorithm, Manifest, ManifestEntry
from mediaprep.names import is_litter, printable
from mediaprep.ports import Cancelled, ProgressSink
from mediaprep.progress import Phase, Progress

# What is asked for at a time, and held in memory. A request costs some 30 ms on its way, so small ones would be slow.
CHUNK_BYTES = 4 * 2**20

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_VERSION_MARK = "?versionId="
_WAIT = "Wait until whatever writes it is done, then take it in again."


@dataclass(frozen=True, slots=True)
class _Object:
    """One object as the store lists it. `tag` is the ETag, empty where the store has none."""

    size_bytes: int
    modified_ns: int | None
    tag: str


class StoreBundle:
    """All objects below a prefix, but for what desktop systems leave and for empty ones that only mark a folder.

    Making one sends nothing; raise BundleUnreadable where the libraries for it are not installed.
    """

    form = "store"

    def __init__(self, url: StoreUrl) -> None:
        self.location = str(url)
        self._store, self._root = connect(url)

    def take_in(self, progress: ProgressSink, cancelled: Cancelled) -> Manifest:
        """Read and hash every object, several at a time.

        Raise BundleUnreadable, BundleUnsafe, BundleEmpty, Interrupted; Usage where the prefix is a bag or an object.
        """
        found = self._safe()

        @contextmanager
        def opened(path: str) -> Iterator[Iterable[bytes]]:
            try:
                with self._opened(path, found[path]) as chunks:
                    yield chunks
            except SourceChanged as error:
                raise BundleUnreadable(str(error), remedy=_WAIT) from error

        hashed = hash_files(
            dict.fromkeys(found, (Algorithm.SHA256,)),
            opened,
            total_bytes=sum(one.size_bytes for one in found.values()),
            progress=progress,
            cancelled=cancelled,
        )
        for path, one in found.items():
            if hashed[path].size_bytes != one.size_bytes:
                message = f"{self._what(path)} came with {hashed[path].size_bytes} bytes and not {one.size_bytes}"
                raise BundleUnreadable(message, remedy=_WAIT)
        total_bytes = sum(one.size_bytes for one in found.values())
        progress(Progress(Phase.CHECK, len(found), len(found), total_bytes, total_bytes))
        return Manifest(
            tuple(
                ManifestEntry(path, one.size_bytes, hashed[path].digests[Algorithm.SHA256], one.modified_ns)
                for path, one in found.items()
            )
        )

    def changed_paths(self, manifest: Manifest) -> tuple[str, ...]:
        """Name objects that are missing, new, or differ in size or time, by one listing. Raise BundleUnreadable.

        A store's times are often whole seconds: what was replaced within one by as many bytes shows when it is read.
        """
        expected = {entry.path: entry for entry in manifest.entries}
        changed = set(expected)
        for path, one in self._listed():
            entry = expected.get(path)
            if entry is None:
                changed.add(printable(path))
            elif one.size_bytes == entry.size_bytes and entry.modified_ns in {None, one.modified_ns}:
                changed.discard(path)
        return tuple(sorted(changed))

    @contextmanager
    def open(self, path: str) -> Iterator[Iterable[bytes]]:
        """Open one object and yield its bytes in chunks. Raise BundleUnreadable, also where it is not there.

        All bytes are of the one object that was there when it was opened: raise SourceChanged if it is replaced.
        """
        with self._opened(path) as chunks:
            yield chunks

    @contextmanager
    def hand_out(self, paths: Collection[str], cancelled: Cancelled) -> Iterator[Iterator[tuple[str, Iterable[bytes]]]]:
        """Yield these objects in the order given, each with its bytes. See `ports.BundleSource`."""
        with closing(self._handing_out(paths, cancelled)) as files:
            yield files

    def staging_bytes(self, manifest: Manifest) -> int:  # noqa: ARG002 - other forms may need it
        """Return 0: bytes go from the store to where they are wanted."""
        return 0

    def _handing_out(
        self, paths: Collection[str], cancelled: Cancelled
    ) -> Generator[tuple[str, Iterable[bytes]], None, None]:
        for path in paths:
            if cancelled():
                message = f"Stopped on request while {path} was being read"
                raise Interrupted(message)
            with self.open(path) as chunks:
                yield path, chunks

    def _listed(self) -> Iterator[tuple[str, _Object]]:
        """Yield every object below the prefix, named from there, but for litter. Raise BundleUnreadable or Usage."""
        with telling(f"The list of what is at {self.location}"):
            found: dict[str, dict[str, Any]] = self._store.find(self._root, detail=True)
        if not found:
            message = f"There is nothing at {self.location}"
            remedy = "See that bucket and prefix are right, and that AWS_ENDPOINT_URL names the store that has them."
            raise BundleUnreadable(message, remedy=remedy)
        if self._root in found:
            message = f"{self.location} is one object, and only a prefix with objects below it can be taken in"
            raise Usage(message, remedy="Name the prefix. An archive is copied to this computer first, or unpacked.")
        for name, info in found.items():
            path = name[len(self._root) + 1 :]
            is_marker = info["size"] == 0 and path.endswith("/")
            if not is_marker and not is_litter(path):
                modified_at = info.get("LastModified")
                yield path, _Object(info["size"], _as_ns(modified_at) if modified_at else None, info.get("ETag", ""))

    def _safe(self) -> dict[str, _Object]:
        """Return every object in path order. Raise BundleUnsafe naming the first that cannot be a file, and others."""
        found = dict(sorted(self._listed()))
        if not found:
            message = f"{self.location} holds no file"
            raise BundleEmpty(message, remedy="Name the prefix below which the files themselves lie.")
        if DECLARATION in found:
            message = f"{self.location} is a bag, and bags are taken in from a folder only, where all of it is checked"
            raise Usage(message, remedy="Copy it to a folder of this computer, and take in the folder.")
        for path in found:
            problem = safe_path_problem(path)
            if problem is None and _VERSION_MARK in path:
                problem = f"has {_VERSION_MARK} in its name, which programs take for an older version of another"
            above = path
            while problem is None and (above := above.rpartition("/")[0]):
                problem = f"lies in {above}, which is a file itself" if above in found else None
            if problem is not None:
                message = f"{printable(path)} in the bundle {self.location} {problem}"
                raise BundleUnsafe(message)
        return found

    @contextmanager
    def _opened(self, path: str, listed: _Object | None = None) -> Iterator[Iterator[bytes]]:
        """Open an object, the one that was listed where that is given. Raise BundleUnreadable or SourceChanged."""
        with telling(self._what(path)):
            # No cache: each read is one request of just that size, for the version (ETag) that was opened.
            opened = self._store.open(f"{self._root}/{path}", "rb", block_size=CHUNK_BYTES, cache_type="none")
        with opened:
            details = getattr(opened, "details", {})
            tag = details.get("ETag", "")
            if listed is not None and listed.tag and tag and (tag, details["size"]) != (listed.tag, listed.size_bytes):
                message = f"{self._what(path)} was replaced while the bundle was being read"
                raise SourceChanged(message)
            yield self._chunks(opened, path)

    def _chunks(self, opened: Any, path: str) -> Iterator[bytes]:
        while True:
            with telling(self._what(path)):
                chunk: bytes = opened.read(CHUNK_BYTES)
            if not chunk:
                return
            yield chunk

    def _what(self, path: str) -> str:
        return f"{printable(path)} in the bundle {self.location}"


def _as_ns(moment: datetime) -> int:
    return (moment - _EPOCH) // timedelta(microseconds=1) * 1000
