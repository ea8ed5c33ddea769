"""What a write will do to a card, worked out before anything is touched.

A plan is carried out in this order: `remove` and `leftovers`, `remove_folders`, `make_folders`, then `files` in their
order, each under its temporary name first.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Iterator, Sequence

from mediaprep.model import (
    Action,
    Bundle,
    CardEntry,
    FileSystem,
    Manifest,
    ManifestEntry,
    Plan,
    PlannedFile,
    RecordedFile,
)
from mediaprep.names import comparison_key, is_litter, part_name


def make_plan(
    *,
    bundle: Bundle,
    manifest: Manifest,
    entries: Sequence[CardEntry],
    recorded: Sequence[RecordedFile],
    file_system: FileSystem,
) -> Plan:
    """Return what it takes to make a card hold a bundle, beside the bundles of other kinds that are on it.

    `entries` is all that is on the card now, `recorded` what the records know of it, `manifest` that of `bundle`.
    Nothing foreign is ever written over or removed: what is needed where something foreign stands becomes a KEEP that
    is not ours, and unless it has the right size the checks refuse the plan. Two recorded files may have one path where
    two bundles hold the same file. Takes time linear in the number of files. Never raises.
    """
    return _Planner(bundle, manifest, entries, recorded, file_system).plan()


class _Listing:
    """What is on a card, found by path as the file system compares paths."""

    def __init__(self, entries: Iterable[CardEntry], file_system: FileSystem) -> None:
        self.file_system = file_system
        self._exact: dict[str, CardEntry] = {}
        self._by_key: dict[str, CardEntry] = {}
        for entry in entries:
            self._exact[entry.path] = entry
            self._by_key.setdefault(self.key(entry.path), entry)

    def key(self, path: str) -> str:
        return comparison_key(path, self.file_system)

    def find(self, path: str) -> CardEntry | None:
        # Our folding may join two rare names that the card holds side by side: the exact one wins.
        return self._exact.get(path) or self._by_key.get(self.key(path))

    def __iter__(self) -> Iterator[CardEntry]:
        return iter(self._exact.values())


class _Planner:
    """The steps of one plan, in the order of `plan()`; each fills what the later ones look at."""

    def __init__(
        self,
        bundle: Bundle,
        manifest: Manifest,
        entries: Sequence[CardEntry],
        recorded: Sequence[RecordedFile],
        file_system: FileSystem,
    ) -> None:
        self.bundle = bundle
        self.card = _Listing(entries, file_system)
        self.wanted = {self.card.key(entry.path): entry for entry in manifest.entries}
        self.manifest = manifest
        # What is recorded for a bundle of this kind without being ours is as foreign as it was before.
        self.recorded = [record for record in recorded if record.ours or record.kind != bundle.kind.name]
        self.mine: dict[str, RecordedFile] = {}
        self.others: dict[str, RecordedFile] = {}
        for record in self.recorded:
            records = self.mine if record.kind == bundle.kind.name else self.others
            key = self.card.key(record.path)
            # An interrupted change of bundles can leave two records of one file: the unfinished one tells more.
            if key not in records or not record.flushed:
                records[key] = record
        self.temporaries: set[str] = set()
        self.leftovers: dict[str, str] = {}
        self.remove: dict[str, str] = {}
        self.removed_folders: dict[str, str] = {}
        self.going: set[str] = set()
        self.altered: set[str] = set()
        self.in_the_way: set[str] = set()
        self.clashes: set[str] = set()
        self._blockers: dict[str, str | None] = {}

    def plan(self) -> Plan:
        self._find_leftovers()
        self._find_removals()
        self._find_emptied_folders()
        self.going = {*self.remove, *self.leftovers, *self.removed_folders}
        files = [self._planned(entry) for entry in self.manifest.entries]
        self._clear_temporary_names(item.entry.path for item in files if item.ours)
        files += [
            PlannedFile(
                ManifestEntry(record.path, record.size_bytes, record.sha256),
                Action.KEEP,
                record.bundle,
                record.kind,
                ours=record.ours,
            )
            for key, record in self.others.items()
            if key not in self.wanted
        ]
        foreign, litter = self._strangers()
        return Plan(
            files=tuple(sorted(files, key=lambda item: item.entry.path)),
            make_folders=self._missing_folders(files),
            remove=tuple(sorted(self.remove.values())),
            leftovers=tuple(sorted(self.leftovers.values())),
            remove_folders=_children_first(self.removed_folders.values()),
            foreign=foreign,
            litter=litter,
            altered=tuple(sorted(self.altered)),
            in_the_way=tuple(sorted(self.in_the_way)),
            clashes=tuple(sorted(self.clashes)),
            unfinished=tuple(sorted({record.bundle for record in self.others.values() if not record.flushed})),
        )

    # --- what goes first ---------------------------------------------------------------------------------------------

    def _find_leftovers(self) -> None:
        """Find the temporary files of writes that never ended."""
        for record in self.recorded:
            if record.flushed:
                continue
            path = part_name(record.path)
            key, found = self.card.key(path), self.card.find(path)
            self.temporaries.add(key)
            claimed = key in self.wanted or key in self.mine or key in self.others
            if found is not None and not found.is_folder and not claimed:
                self.leftovers[key] = path

    def _find_removals(self) -> None:
        """Find the files of the bundle whose place this one takes, unless they are not ours any more."""
        for key, record in self.mine.items():
            if key in self.wanted or key in self.others:
                continue
            found = self.card.find(record.path)
            if found is None:
                # Removed by someone else. Removing it again does no harm, and the records then forget it.
                self.remove[key] = record.path
            elif found.is_folder or _changed(found, record):
                self.altered.add(record.path)
            else:
                self.remove[key] = record.path

    def _find_emptied_folders(self) -> None:
        """Find the folders that hold nothing but what goes, and in which nothing new comes."""
        if not (self.remove or self.leftovers):
            return
        children: dict[str, int] = {}
        for entry in self.card:
            folder = self.card.key(_folder_of(entry.path))
            children[folder] = children.get(folder, 0) + 1
        for path in [entry.path for entry in self.manifest.entries] + [record.path for record in self.others.values()]:
            for folder in _folders_above(self.card.key(path)):
                # Counted as one thing more, so that the folder never becomes empty.
                children[folder] = children.get(folder, 0) + 1
        for path in (*self.remove.values(), *self.leftovers.values()):
            found = self.card.find(path)
            while found is not None and (folder := _folder_of(found.path)):
                children[self.card.key(folder)] -= 1
                if children[self.card.key(folder)]:
                    break
                self.removed_folders[self.card.key(folder)] = folder
                found = self.card.find(folder)

    # --- the bundle's files ------------------------------------------------------------------------------------------

    def _planned(self, entry: ManifestEntry) -> PlannedFile:
        key = self.card.key(entry.path)
        untouched = PlannedFile(entry, Action.KEEP, self.bundle.name, self.bundle.kind.name, ours=False)
        other = self.others.get(key)
        if other is not None and other.sha256 != entry.sha256:
            self.clashes.add(entry.path)
            return untouched
        blocker = self._blocker(_folder_of(entry.path))
        if blocker is not None:
            self.in_the_way.add(blocker)
            return untouched

        found = self.card.find(entry.path)
        if found is None or key in self.removed_folders:
            return self._ours(entry, Action.WRITE)
        if found.is_folder:
            self.in_the_way.add(found.path)
            return untouched
        record = self.mine.get(key) or other
        # A leftover of ours may happen to have a name the bundle wants.
        if record is None and key not in self.temporaries:
            if found.size_bytes != entry.size_bytes:
                self.in_the_way.add(found.path)
            return untouched
        if record is not None and _changed(found, record):
            self.altered.add(found.path)
            return untouched
        if record is not None and record.flushed and record.sha256 == entry.sha256:
            return self._ours(entry, Action.KEEP) if record.ours else untouched
        return self._ours(entry, Action.REPLACE, replaced_bytes=found.size_bytes)

    def _ours(self, entry: ManifestEntry, action: Action, *, replaced_bytes: int = 0) -> PlannedFile:
        return PlannedFile(entry, action, self.bundle.name, self.bundle.kind.name, replaced_bytes=replaced_bytes)

    def _blocker(self, folder: str) -> str | None:
        """Return the file that stands where this folder, or one above it, is needed, and is not about to go."""
        if folder not in self._blockers:
            self._blockers[folder] = next(self._blocking(folder), None)
        return self._blockers[folder]

    def _blocking(self, folder: str) -> Iterator[str]:
        for path in (*_folders_above(folder), folder):
            found = self.card.find(path)
            if found is not None and not found.is_folder and self.card.key(path) not in self.going:
                yield found.path

    def _clear_temporary_names(self, paths: Iterable[str]) -> None:
        """Find what stands where a temporary name must go: kept files may be written too, after the readback."""
        for path in paths:
            temporary = part_name(path)
            found = self.card.find(temporary)
            if found is not None and self.card.key(temporary) not in self.going:
                self.in_the_way.add(found.path)

    def _missing_folders(self, files: Iterable[PlannedFile]) -> tuple[str, ...]:
        there = {self.card.key(entry.path) for entry in self.card if entry.is_folder} - set(self.removed_folders)
        missing: dict[str, str] = {}
        done: set[str] = set()
        for item in files:
            folder = _folder_of(item.entry.path)
            if item.action is Action.KEEP or folder in done:
                continue
            done.add(folder)
            for path in (*_folders_above(folder), folder):
                key = self.card.key(path)
                if path and key not in there:
                    missing.setdefault(key, path)
        return tuple(sorted(missing.values(), key=lambda path: (path.count("/"), path)))

    # --- the rest ----------------------------------------------------------------------------------------------------

    def _strangers(self) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """Return the foreign files and the litter: all that neither the records nor the bundle know."""
        paths = [record.path for record in self.recorded]
        paths += self.leftovers.values()
        paths += [entry.path for entry in self.manifest.entries]
        known = {found.path for found in map(self.card.find, paths) if found is not None}
        strangers = sorted(entry.path for entry in self.card if not entry.is_folder and entry.path not in known)
        litter = [path for path in strangers if is_litter(path)]
        return tuple(path for path in strangers if not is_litter(path)), tuple(litter)


def _changed(found: CardEntry, record: RecordedFile) -> bool:
    """Say whether a finished file of ours has another size than we gave it: then it is not ours any more."""
    return record.flushed and found.size_bytes != record.size_bytes


def _folder_of(path: str) -> str:
    return path.rpartition("/")[0]


def _folders_above(path: str) -> list[str]:
    """Return the folders that hold a path, outermost first."""
    parts = path.split("/")
    return ["/".join(parts[:count]) for count in range(1, len(parts))]


def _children_first(folders: Collection[str]) -> tuple[str, ...]:
    return tuple(sorted(folders, key=lambda path: (-path.count("/"), path)))
