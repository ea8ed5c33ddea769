"""What a write would do to a card, and what the checks say about it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from mediaprep.model.panel import ManifestEntry


class Action(StrEnum):
    """What happens to one file of the bundle on the card."""

    WRITE = "write"
    REPLACE = "replace"
    KEEP = "keep"


@dataclass(frozen=True, slots=True)
class RecordedFile:
    """A file that a bundle has on a card, as the records know it.

    A card holds at most one bundle of each data kind; a new one takes the place of the old one and leaves the others.
    Bundles of two kinds may have the same file, which is then recorded for each. `flushed` is false from the moment the
    write is planned until a flush of the whole file system returned. `ours` is false where someone else had put a file
    of the right content there: it counts as the bundle's, but is never replaced or removed.
    """

    path: str
    size_bytes: int
    sha256: str
    bundle: str
    kind: str
    flushed: bool
    ours: bool = True


@dataclass(frozen=True, slots=True)
class PlannedFile:
    """One file the card is to hold when the job is done, and what to do for that.

    `bundle` and `kind` say where it comes from: the bundle being written, or another one that stays on the card
    (always KEEP). A KEEP is only a candidate: the readback decides. `ours` is false where the file now on the card
    was not put there by mediaprep but has the right name and size: it is kept if its content agrees too.
    `replaced_bytes` is the size of the file that a REPLACE takes the place of.
    """

    entry: ManifestEntry
    action: Action
    bundle: str
    kind: str
    ours: bool = True
    replaced_bytes: int = 0


@dataclass(frozen=True, slots=True)
class Plan:
    """What a write does to a card, in order, before anything is touched.

    `remove` are files of ours that the bundle does not hold, `leftovers` our own unfinished `.part` files; both go
    first. `make_folders` come parents first, `remove_folders` children first. `foreign`, `litter` and `altered` are
    left alone: files not ours, what desktop systems leave, and files that were ours but have changed size since.
    `in_the_way` are paths the write needs (a file's own or its temporary name) where something foreign stands.
    `clashes` are paths that two bundles on the card both want with different content, `unfinished` the names of other
    bundles on the card whose write never ended.
    """

    files: tuple[PlannedFile, ...]
    make_folders: tuple[str, ...] = ()
    remove: tuple[str, ...] = ()
    leftovers: tuple[str, ...] = ()
    remove_folders: tuple[str, ...] = ()
    foreign: tuple[str, ...] = ()
    litter: tuple[str, ...] = ()
    altered: tuple[str, ...] = ()
    in_the_way: tuple[str, ...] = ()
    clashes: tuple[str, ...] = ()
    unfinished: tuple[str, ...] = ()

    @property
    def bytes_to_write(self) -> int:
        """Bytes of the files that are written or replaced."""
        return sum(item.entry.size_bytes for item in self.files if item.action is not Action.KEEP)

    @property
    def bytes_to_read(self) -> int:
        """Bytes of all the files, those of other bundles on the card too: every one is read back."""
        return sum(item.entry.size_bytes for item in self.files)
