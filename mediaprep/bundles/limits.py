"""How much of an archive is believed, and the names that may stand in it.

An archive is never unpacked on this computer's disk, so a bomb could take only time, memory and the card's room (which
is checked before a write). The limits are far above any real set and keep each of these bounded all the same.
"""

from __future__ import annotations

from mediaprep.bundles.refusals import LOOK_INSIDE, NAMELESS, Refusals
from mediaprep.manifest import safe_path_problem
from mediaprep.names import utf16_units
from mediaprep.quantities import format_bytes

# A large terrain set has 500,000 files: twice that.
MEMBERS_MAX = 1_000_000
# More than the largest SDXC card holds (2 TiB, SD Physical Layer Simplified Specification), and half of that.
TOTAL_BYTES_MAX = 2**41
FILE_BYTES_MAX = 2**40
# How many times its own size an archive may unpack to. Deflate alone reaches 1032:1 on zeros. 100:1 is common practice
# (no source) for "suspicious"; twice that leaves room for sets of mostly empty sea. The first GiB is free.
RATIO_MAX = 200
RATIO_FREE_BYTES = 2**30
# PATH_MAX of Linux less the closing NUL: no folder that is taken in can have longer paths.
PATH_BYTES_MAX = 4095
# What FAT and exFAT take as one name.
NAME_UNITS_MAX = 255
DEPTH_MAX = 64
# A zip's directory of all members, and what tar says of one member beside its block of 512 bytes.
DIRECTORY_BYTES_MAX = 2**30
TAR_RECORD_BYTES_MAX = 2**20
# What a packing method looks back on is held in memory: xz -9 has 64 MiB, zstd --ultra -22 and --long have 128 MiB.
DICTIONARY_BYTES_MAX = 2**27


class Tally:
    """Counts what one pass through an archive of `archive_bytes` brings up, and refuses what goes beyond the limits.

    `file_bytes` is the sum of the sizes that the archive states for its files so far.
    """

    def __init__(self, archive_bytes: int, refusals: Refusals) -> None:
        self._archive_bytes = archive_bytes
        self._refusals = refusals
        self._members = 0
        self.file_bytes = 0
        self._files: set[str] = set()
        self._folders: set[str] = set()

    def member(self, name: str) -> None:
        """Count one member of any kind. Raise BundleUnsafe for its name, or where there are too many."""
        self._members += 1
        if self._members > MEMBERS_MAX:
            raise self._refusals.unsafe(name, f"is one of more than {MEMBERS_MAX} members")
        problem = safe_path_problem(name) or _length_problem(name)
        if problem is not None:
            raise self._refusals.unsafe(name or NAMELESS, problem)

    def folder(self, path: str) -> None:
        """Take a folder. It may come again; raise BundleUnsafe where a file of its path came before."""
        if path in self._folders:
            return
        if path in self._files:
            raise self._both(path)
        self._folders.add(path)
        self._take_folders_above(path)

    def file(self, path: str, size_bytes: int) -> None:
        """Take a file of a size that the archive states. Raise BundleUnsafe for a second one, or one too large."""
        if path in self._files:
            raise self._refusals.unsafe(path, "is there twice, and programs differ in which of the two they take")
        if path in self._folders:
            raise self._both(path)
        if size_bytes > FILE_BYTES_MAX:
            raise self._refusals.unsafe(path, f"is stated to be larger than {format_bytes(FILE_BYTES_MAX)}")
        self._files.add(path)
        self._take_folders_above(path)
        self.file_bytes += size_bytes
        self._require_total(path, self.file_bytes)

    def unpacked(self, name: str, total_bytes: int) -> None:
        """Take how many bytes all up to this member unpack to. Raise BundleUnsafe where that is out of proportion."""
        self._require_total(name, total_bytes)
        if total_bytes > max(RATIO_FREE_BYTES, RATIO_MAX * self._archive_bytes):
            raise self._refusals.unsafe(
                name,
                f"unpacks to so much that the whole is more than {RATIO_MAX} times as large as its archive",
                f"This looks like an archive made to fill disks. {LOOK_INSIDE}",
            )

    def _require_total(self, name: str, total_bytes: int) -> None:
        if total_bytes > TOTAL_BYTES_MAX:
            raise self._refusals.unsafe(name, f"brings the bundle to more than {format_bytes(TOTAL_BYTES_MAX)}")

    def _take_folders_above(self, path: str) -> None:
        folder = path.rpartition("/")[0]
        while folder and folder not in self._folders:
            if folder in self._files:
                raise self._both(folder)
            self._folders.add(folder)
            folder = folder.rpartition("/")[0]

    def _both(self, path: str) -> Exception:
        return self._refusals.unsafe(path, "is both a file and a folder")


def _length_problem(name: str) -> str | None:
    if len(name.encode()) > PATH_BYTES_MAX:
        return f"has a path of more than {PATH_BYTES_MAX} bytes"
    parts = name.split("/")
    if len(parts) > DEPTH_MAX:
        return f"lies in more than {DEPTH_MAX} folders, one in the other"
    if max(map(utf16_units, parts)) > NAME_UNITS_MAX:
        return f"has a name of more than {NAME_UNITS_MAX} characters"
    return None
