"""How much room a plan takes on a card: clusters, and entries in folders.

The model. A file takes whole clusters, an empty one none. A folder on FAT or exFAT is itself a file of 32-byte entries
(`names.directory_slots`): a new one takes at least one cluster, an existing one grows by whole clusters and never
shrinks. What goes away frees its clusters first. Then each file is written under its temporary name, and the one it
replaces is freed only when its successor is whole: the need is that of the worst moment, not of the end.

Entries that removed files leave in a folder are not counted on when clusters are reckoned, as they may be too
scattered for a long name. Where such gaps lie cannot be seen from a listing, and temporary names leave some too, so a
folder that gains names may need one cluster more than reckoned: `clusters_spare` holds these. Other file systems are
reckoned as FAT, whose entries are larger than theirs.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from mediaprep.model import Action, CardEntry, FileSystem, Plan
from mediaprep.names import comparison_key, directory_slots, part_name

_SLOT_BYTES = 32
_ROOT = ""


@dataclass(frozen=True, slots=True)
class Room:
    """What a plan takes at its worst moment.

    The clusters are beyond those in use now. `root_slots` are all entries of the root folder, those there now
    included, the volume label's not. `fullest_folder` is the folder with the most entries; the root is empty text.
    """

    cluster_bytes: int
    clusters_needed: int
    clusters_spare: int
    root_slots: int
    fullest_folder: str
    fullest_folder_slots: int

    @property
    def bytes_needed(self) -> int:
        """Free bytes that the card must have, without the spare clusters."""
        return self.clusters_needed * self.cluster_bytes


@dataclass(slots=True)
class _Folder:
    """The directory entries of one folder. `passing` is the longest temporary name that stands in it for a moment."""

    path: str
    fixed: int
    is_new: bool = False
    there: int = 0
    freed: int = 0
    added: int = 0
    passing: int = 0

    @property
    def at_worst(self) -> int:
        """Entries in use at the worst moment."""
        return self.fixed + self.there - self.freed + self.added + self.passing

    @property
    def gains(self) -> bool:
        """Whether the folder gets names it did not have, if only for a moment."""
        return self.added + self.passing > 0

    def clusters_gained(self, slots_per_cluster: int) -> int:
        """Clusters this folder takes beyond those it has, if no entry is used again."""
        before = self.fixed + self.there
        after = _whole(before + self.added + self.passing, slots_per_cluster)
        return max(after, 1) - (0 if self.is_new else max(_whole(before, slots_per_cluster), 1))


def room_needed(plan: Plan, *, cluster_bytes: int, file_system: FileSystem, entries: Sequence[CardEntry]) -> Room:
    """Return the room that a plan takes on a card which now holds `entries`.

    On FAT12 and FAT16 the root folder takes entries but no clusters; where the width of a FAT is not known, both are
    reckoned. Takes time linear in the number of files. Raise ValueError for a cluster size that is not positive.
    """
    if cluster_bytes <= 0:
        message = f"A cluster cannot have {cluster_bytes} bytes"
        raise ValueError(message)
    folders = _Folders(entries, file_system)
    freed = sum(
        _whole(folders.remove(path), cluster_bytes) for path in (*plan.remove, *plan.leftovers, *plan.remove_folders)
    )
    for path in plan.make_folders:
        folders.make(path)
    for item in plan.files:
        if item.action is not Action.KEEP:
            folders.write(item.entry.path, is_new=item.action is Action.WRITE)

    root_is_fixed = file_system in {FileSystem.FAT12, FileSystem.FAT16}
    growing = [folder for folder in folders if folder is not folders.root or not root_is_fixed]
    slots_per_cluster = max(cluster_bytes // _SLOT_BYTES, 1)
    in_use = sum(folder.clusters_gained(slots_per_cluster) for folder in growing) - freed
    worst = in_use
    for item in plan.files:
        if item.action is not Action.KEEP:
            in_use += _whole(item.entry.size_bytes, cluster_bytes)
            worst = max(worst, in_use)
            in_use -= _whole(item.replaced_bytes, cluster_bytes)

    fullest = max(folders, key=lambda folder: folder.at_worst)
    return Room(
        cluster_bytes=cluster_bytes,
        clusters_needed=max(worst, 0),
        clusters_spare=sum(folder.gains for folder in growing),
        root_slots=folders.root.at_worst - folders.root.fixed,
        fullest_folder=fullest.path,
        fullest_folder_slots=fullest.at_worst,
    )


class _Folders:
    """Every folder of a card, with the entries that a plan takes and gives back."""

    def __init__(self, entries: Iterable[CardEntry], file_system: FileSystem) -> None:
        self._file_system = file_system
        # The root's own entries: the label, and on exFAT the allocation bitmap and the up-case table. A FAT folder's:
        # `.` and `..`.
        is_exfat = file_system is FileSystem.EXFAT
        self._own = 0 if is_exfat else 2
        self.root = _Folder(_ROOT, fixed=3 if is_exfat else 1)
        self._by_key = {_ROOT: self.root}
        self._sizes: dict[str, int] = {}
        for entry in entries:
            self._sizes[self._key(entry.path)] = entry.size_bytes
            self._parent(entry.path).there += self._slots(entry.path)

    def __iter__(self) -> Iterator[_Folder]:
        return iter(self._by_key.values())

    def make(self, path: str) -> None:
        self._parent(path).added += self._slots(path)
        self._by_key[self._key(path)] = _Folder(path, fixed=self._own, is_new=True)

    def write(self, path: str, *, is_new: bool) -> None:
        folder = self._parent(path)
        folder.added += self._slots(path) if is_new else 0
        folder.passing = max(folder.passing, self._slots(part_name(path)))

    def remove(self, path: str) -> int:
        """Take a file or folder away and return its size in bytes; 0 where there is none."""
        size_bytes = self._sizes.get(self._key(path))
        if size_bytes is None:
            return 0
        self._parent(path).freed += self._slots(path)
        return size_bytes

    def _parent(self, path: str) -> _Folder:
        folder = path.rpartition("/")[0]
        return self._by_key.setdefault(self._key(folder), _Folder(folder, fixed=self._own))

    def _slots(self, path: str) -> int:
        return directory_slots(path.rpartition("/")[2], self._file_system)

    def _key(self, path: str) -> str:
        return comparison_key(path, self._file_system)


def _whole(amount: int, unit: int) -> int:
    """Return how many whole units hold an amount."""
    return -(-amount // unit)
