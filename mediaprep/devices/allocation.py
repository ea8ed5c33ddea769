"""How much room a simulated card has left: clusters of files and folders, and entries of the root folder."""

from __future__ import annotations

from mediaprep.model import CardEntry, FileSystem
from mediaprep.names import comparison_key, directory_slots

_SLOT_BYTES = 32  # one directory entry of FAT and exFAT
_OWN_SLOTS = 2  # a FAT folder's entries for itself and its parent


class Allocation:
    """The room on a card of `capacity_bytes`, all of it taken for clusters: allocation tables are not counted.

    It also knows the spelling under which each name is on the card. Folders shrink when entries go, which real ones
    do not.
    """

    def __init__(
        self,
        *,
        capacity_bytes: int,
        cluster_bytes: int,
        file_system: FileSystem,
        root_entries: int | None,
        has_label: bool,
    ) -> None:
        self._cluster_bytes = cluster_bytes
        self._file_system = file_system
        self._root_entries = root_entries
        self._sizes: dict[str, int] = {}
        self._slots = {"": 1 if has_label else 0}  # a volume label takes an entry of the root folder
        self._spelling: dict[str, str] = {}
        self._free = capacity_bytes // cluster_bytes - self._folder_clusters("", self._slots[""])

    @property
    def free_bytes(self) -> int:
        """Room in whole clusters."""
        return max(self._free, 0) * self._cluster_bytes

    def spelling(self, path: str) -> str:
        """Return how a path is spelled on the card where it is there; else with its folder's spelling."""
        found = self._spelling.get(comparison_key(path, self._file_system))
        if found is not None:
            return found
        folder, slash, name = path.rpartition("/")
        return f"{self.spelling(folder)}/{name}" if slash else path

    def take_in(self, entry: CardEntry) -> None:
        """Count what is on the card already, whether there is room for it or not."""
        self._enter(entry.path, entry.size_bytes, is_folder=entry.is_folder)

    def room_for_entry(self, path: str, *, is_folder: bool) -> bool:
        """Say whether a new name can be entered, with the cluster a new folder takes."""
        folder, _, name = path.rpartition("/")
        before = self._slots.get(folder, _OWN_SLOTS)
        after = before + directory_slots(name, self._file_system)
        if folder == "" and self._root_entries is not None and after > self._root_entries:
            return False
        growth = self._folder_clusters(folder, after) - self._folder_clusters(folder, before)
        return growth + (1 if is_folder else 0) <= self._free

    def enter(self, path: str, *, is_folder: bool) -> None:
        """Enter a new name. It is no error if it is there."""
        if comparison_key(path, self._file_system) not in self._spelling:
            self._enter(path, 0, is_folder=is_folder)

    def size_bytes(self, path: str) -> int:
        """Return the size of a file."""
        return self._sizes.get(path, 0)

    def largest_bytes(self, path: str) -> int:
        """Return the size up to which a file can grow now."""
        return (self._clusters(self.size_bytes(path)) + max(self._free, 0)) * self._cluster_bytes

    def resize(self, path: str, size_bytes: int) -> None:
        """Say that a file has another size."""
        self._free += self._clusters(self.size_bytes(path)) - self._clusters(size_bytes)
        self._sizes[path] = size_bytes

    def leave(self, path: str) -> None:
        """Take a name off the card. It is no error if it is not there."""
        if self._spelling.pop(comparison_key(path, self._file_system), None) is None:
            return
        if path in self._slots:
            self._free += self._folder_clusters(path, self._slots.pop(path))
        self._free += self._clusters(self._sizes.pop(path, 0))
        self._change_slots(path, -1)

    def _enter(self, path: str, size_bytes: int, *, is_folder: bool) -> None:
        self._spelling[comparison_key(path, self._file_system)] = path
        self._change_slots(path, 1)
        if is_folder:
            self._slots[path] = _OWN_SLOTS
            self._free -= self._folder_clusters(path, _OWN_SLOTS)
        else:
            self._sizes[path] = size_bytes
            self._free -= self._clusters(size_bytes)

    def _change_slots(self, path: str, sign: int) -> None:
        folder, _, name = path.rpartition("/")
        before = self._slots.get(folder, _OWN_SLOTS)
        after = before + sign * directory_slots(name, self._file_system)
        self._slots[folder] = after
        self._free -= self._folder_clusters(folder, after) - self._folder_clusters(folder, before)

    def _folder_clusters(self, folder: str, slots: int) -> int:
        if folder == "" and self._root_entries is not None:
            return 0  # the root folder of FAT12 and FAT16 lies outside the clusters
        return max(self._clusters(slots * _SLOT_BYTES), 1)

    def _clusters(self, size_bytes: int) -> int:
        return -(-size_bytes // self._cluster_bytes)
