"""From the top folder down: every file and folder, with the clusters that hold it and all that is wrong."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from mediaprep.rawcard.claims import Claims
from mediaprep.rawcard.exfat_folder import read_exfat_folder
from mediaprep.rawcard.fat_folder import read_fat_folder
from mediaprep.rawcard.files import FolderContents, FolderItem, RawCard, RawFile
from mediaprep.volumes import (
    AllocationTable,
    ExfatVolume,
    FatVolume,
    Reader,
    UpcaseTable,
    Volume,
    VolumeUnreadable,
    read_upcase,
    read_volume,
)
from mediaprep.volumes.reading import exactly
from mediaprep.volumes.table import Run

_SLOT_BYTES = 32
# Linux: fs/fat and include/uapi/linux/msdos_fs.h (FAT_MAX_DIR_SIZE), fs/exfat/exfat_raw.h (MAX_EXFAT_DENTRIES).
_FAT_FOLDER_BYTES_MAX = 65_536 * _SLOT_BYTES
_EXFAT_FOLDER_BYTES_MAX = 8_388_608 * _SLOT_BYTES
_TOP = ""


def walk_card(read: Reader) -> RawCard:
    """Return all files and folders of a volume. Raise VolumeUnreadable where its boot record or top folder is unsound.

    What is wrong further down is told in `problems`, and the walk goes on. It ends for any bytes whatever: each step
    takes clusters that nothing had before.
    """
    volume = read_volume(read)
    return _Walk(read, volume, AllocationTable(read, volume)).run()


@dataclass(frozen=True, slots=True)
class _Folder:
    """A folder still to be read; FAT12 and FAT16 keep the top folder apart from the clusters, in `runs` of none."""

    path: str
    runs: tuple[Run, ...]


@dataclass
class _Walk:
    """One walk over one volume."""

    read: Reader
    volume: Volume
    table: AllocationTable
    claims: Claims = field(default_factory=Claims)
    files: list[RawFile] = field(default_factory=list)
    problems: dict[str, str] = field(default_factory=dict)
    label: str = ""
    upcase: UpcaseTable | None = None

    def run(self) -> RawCard:
        waiting = [self._top()]
        while waiting:
            folder = waiting.pop()
            try:
                contents = self._contents(folder)
            except VolumeUnreadable as error:
                if folder.path == _TOP:
                    raise
                self._blame(folder.path, str(error))
                continue
            if folder.path == _TOP:
                self._take_in_top(contents)
            for remark in contents.remarks:
                self._blame(folder.path, remark)
            # What was found first is read first.
            waiting += reversed(list(self._enter(folder, contents.items)))
        return RawCard(self.volume, self.label, tuple(self.files), self.problems, self.upcase)

    def _top(self) -> _Folder:
        first = self.volume.root_cluster
        return _Folder(_TOP, () if first is None else self._runs(first, None, _TOP))

    def _take_in_top(self, contents: FolderContents) -> None:
        self.label = contents.label
        if not isinstance(self.volume, ExfatVolume):
            return
        try:
            if contents.upcase_entry is None:
                self._blame(_TOP, "it names no table of capital letters, and a strict reader refuses the volume")
                return
            self.upcase = read_upcase(self.read, self.volume, contents.upcase_entry)
        except VolumeUnreadable as error:
            self._blame(_TOP, f"the table of capital letters cannot be read: {error}")
            return
        if not self.upcase.is_right:
            self._blame(_TOP, "the table of capital letters is damaged, and a strict reader refuses the volume")

    def _enter(self, folder: _Folder, items: list[FolderItem]) -> Iterator[_Folder]:
        """Take in what a folder holds; yield the folders that are to be read next."""
        names: set[str] = set()
        for item in items:
            if item.name in {"", ".", ".."} or "/" in item.name or "\0" in item.name:
                self._blame(folder.path, f"it has an entry with a name that no path can hold: {item.name!r}")
                continue
            path = f"{folder.path}/{item.name}" if folder.path else item.name
            if item.name in names:
                self._blame(path, "there are two of this name in its folder")
                continue
            names.add(item.name)
            if item.problem is not None:
                self._blame(path, item.problem)
            runs = self._runs_of(item, path)
            is_sound = path not in self.problems
            size, valid = (0, 0) if item.is_folder else (item.size_bytes, item.valid_bytes)
            self.files.append(RawFile(path, size, item.is_folder, runs, valid, item.is_contiguous))
            if item.is_folder and is_sound:
                yield _Folder(path, runs)

    def _runs_of(self, item: FolderItem, path: str) -> tuple[Run, ...]:
        """Return the clusters that hold an item, none where that is unsound; what is wrong is said of its path."""
        cluster_bytes = self.volume.cluster_bytes
        count = -(-item.size_bytes // cluster_bytes)
        try:
            if item.is_folder and isinstance(self.volume, FatVolume):
                # FAT does not note how long a folder is: its chain tells.
                return self._runs(item.first_cluster, None, path)
            if count == 0:
                return ()
            if item.is_folder and count * cluster_bytes > _EXFAT_FOLDER_BYTES_MAX:
                self._blame(path, f"a folder cannot have {item.size_bytes} bytes")
                return ()
            if item.is_contiguous:
                return self._stretch(item.first_cluster, count, path)
            return self._runs(item.first_cluster, count, path)
        except VolumeUnreadable as error:
            self._blame(path, str(error))
            return ()

    def _stretch(self, first: int, count: int, path: str) -> tuple[Run, ...]:
        """Take clusters that follow each other. Raise VolumeUnreadable where they do not all exist or are taken."""
        if not self.table.is_cluster(first) or not self.table.is_cluster(first + count - 1):
            message = f"it takes {count} clusters from {first} on, and they do not all exist"
            raise VolumeUnreadable(message)
        self._claim(first, count, path)
        return (Run(first, count),)

    def _runs(self, first: int, count: int | None, path: str) -> tuple[Run, ...]:
        """Follow a chain to its end, which comes after `count` clusters where that is known.

        Raise VolumeUnreadable where it ends before or goes on, where it comes back to a cluster that is taken, and as
        the table does.
        """
        most = _FAT_FOLDER_BYTES_MAX if isinstance(self.volume, FatVolume) else _EXFAT_FOLDER_BYTES_MAX
        limit = -(-most // self.volume.cluster_bytes) if count is None else count
        runs: list[Run] = []
        followed = 0
        for cluster in self.table.chain(first):
            if followed == limit:
                self._refuse_more(cluster, limit, path)
            self._claim(cluster, 1, path)
            followed += 1
            if runs and runs[-1].end == cluster:
                runs[-1] = Run(runs[-1].first, runs[-1].count + 1)
            else:
                runs.append(Run(cluster, 1))
        if count is not None and followed < count:
            message = f"its chain ends after {followed} clusters, and it needs {count}"
            raise VolumeUnreadable(message)
        return tuple(runs)

    def _refuse_more(self, cluster: int, limit: int, path: str) -> None:
        self._claim(cluster, 1, path)
        message = f"its chain goes on after the {limit} clusters that it can have"
        raise VolumeUnreadable(message)

    def _claim(self, first: int, count: int, path: str) -> None:
        taken = self.claims.take(first, count, path)
        if taken is None:
            return
        cluster, owner = taken
        if owner == path:
            message = f"its chain comes back to cluster {cluster}: it is a loop"
            raise VolumeUnreadable(message)
        self._blame(owner, f"it shares cluster {cluster} with {path}")
        message = f"it shares cluster {cluster} with {owner or 'the top folder'}"
        raise VolumeUnreadable(message)

    def _contents(self, folder: _Folder) -> FolderContents:
        slots = self._slots(folder)
        if isinstance(self.volume, ExfatVolume):
            return read_exfat_folder(slots)
        return read_fat_folder(slots, is_32=self.volume.root_cluster is not None)

    def _slots(self, folder: _Folder) -> Iterator[bytes]:
        """Yield a folder's entries. Raise VolumeUnreadable where the medium ends before."""
        what = f"the folder {folder.path}" if folder.path else "the top folder"
        if not folder.runs and isinstance(self.volume, FatVolume):
            yield from _cut(exactly(self.read, self.volume.root_offset, self.volume.root_entries * _SLOT_BYTES, what))
            return
        cluster_bytes = self.volume.cluster_bytes
        for run in folder.runs:
            for cluster in range(run.first, run.end):
                offset = self.volume.heap_offset + (cluster - 2) * cluster_bytes
                yield from _cut(exactly(self.read, offset, cluster_bytes, what))

    def _blame(self, path: str, what: str) -> None:
        before = self.problems.get(path)
        self.problems[path] = what if before is None else f"{before}; {what}"


def _cut(data: bytes) -> Iterator[bytes]:
    for at in range(0, len(data), _SLOT_BYTES):
        yield data[at : at + _SLOT_BYTES]
