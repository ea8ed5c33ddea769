"""What all cards that are a folder of this computer have in common: file operations, with errors as the port says."""

from __future__ import annotations

import os
from abc import ABC, abstractmethod
from collections.abc import Iterator
from pathlib import Path

from mediaprep.devices.faults import CardFaults
from mediaprep.devices.medium import flush_file_system, open_reading
from mediaprep.devices.tree import FolderTree
from mediaprep.errors import CardGone
from mediaprep.model import CardEntry, CardFacts, StructureEvidence
from mediaprep.ports import CardReading, CardWriter, MediumView


class TreeCard(ABC):
    """A card whose files lie below one folder. What is known of it, and how to forget it, is for the classes below."""

    def __init__(self, root: Path, target: str) -> None:
        """Take the folder that holds the card's files, and the path by which the owner named the card."""
        self._target = target
        self._faults = CardFaults(f"The card at {target}", self._is_present)
        try:
            self._tree = FolderTree(root)
        except OSError as error:
            message = f"There is no card at {target}: {error.strerror}"
            raise CardGone(message) from error

    @abstractmethod
    def facts(self) -> CardFacts:
        """Return all that can be known without writing. Raise CardGone when there is no card."""

    def host_folder(self) -> str | None:
        """Return the folder of this computer that plays the card and takes its room, None for a volume of its own."""
        return None

    @abstractmethod
    def remount(self) -> StructureEvidence:
        """Forget everything held in memory about the card, if that can be had here, and say how well that went."""

    def medium_view(self) -> MediumView | None:
        """Return the card's files as its raw device shows them, None where that cannot be read."""
        return None

    @abstractmethod
    def medium_bytes_read(self) -> int | None:
        """Return the device's own count of bytes read from it, None where it keeps none."""

    @abstractmethod
    def _is_present(self) -> bool:
        """Say whether the card is still there. Never raises."""

    @abstractmethod
    def _has_medium(self) -> bool:
        """Say whether reads can be made to come from a device rather than from memory."""

    def entries(self) -> Iterator[CardEntry]:
        """Yield every file and folder on the card, each once, folders before what is in them."""
        with self._faults.reading("its folders"):
            yield from self._tree.walk()
        self._faults.require_present("while its folders were being read")

    def make_folder(self, path: str) -> None:
        """Make one folder, whose parent exists. It is no error if it is there already."""
        with self._faults.writing(path):
            self._tree.make_folder(path)

    def create(self, path: str) -> CardWriter:
        """Open a file for writing from its start; an existing one is emptied."""
        with self._faults.writing(path):
            return TreeWriter(self._tree.open_write(path), path, self._faults)

    def rename(self, old: str, new: str) -> None:
        """Give a file another name in the same folder, replacing what has that name."""
        with self._faults.writing(new):
            self._tree.rename(old, new)

    def remove(self, path: str) -> None:
        """Remove one file. It is no error if it is not there."""
        with self._faults.writing(path):
            self._tree.remove(path)

    def remove_folder(self, path: str) -> None:
        """Remove one folder if it is empty; leave it if not."""
        with self._faults.writing(path):
            self._tree.remove_folder(path)

    def flush(self) -> None:
        """Force everything, folders and allocation table too, onto the medium: a flush of the whole file system."""
        with self._faults.writing("everything"):
            # An error of an earlier write that nobody has heard of yet is told to whoever opens the volume next, so
            # the descriptor need not have been open all the time (Linux lib/errseq.c, errseq_sample).
            root = self._tree.open_root()
            try:
                flush_file_system(root)
            finally:
                os.close(root)
        self._faults.require_present("during the flush")

    def read(self, path: str) -> CardReading:
        """Open a file for reading from the medium, by the strongest means there is here."""
        return open_reading(self._tree, path, self._faults, has_medium=self._has_medium())


class TreeWriter:
    """One file being written to a card."""

    def __init__(self, opened: int, path: str, faults: CardFaults) -> None:
        self._opened: int | None = opened
        self._path = path
        self._faults = faults

    def write(self, chunk: bytes) -> None:
        """Append the whole chunk, or raise CardGone, CardFull, CardReadOnly, CardRefusesName or WriteFailed."""
        left = memoryview(chunk)
        with self._faults.writing(self._path):
            while left:
                left = left[os.write(self._descriptor(), left) :]

    def sync(self) -> None:
        """Force what was written so far onto the medium (data only), or raise as `write` does."""
        with self._faults.writing(self._path):
            os.fsync(self._descriptor())

    def close(self) -> None:
        """Let the file go without a sync. Never raises."""
        if self._opened is not None:
            opened, self._opened = self._opened, None
            try:
                os.close(opened)
            except OSError:
                # Some file systems tell of a lost write only here; the flush of the whole file system tells it too.
                return

    def _descriptor(self) -> int:
        if self._opened is None:
            message = f"{self._path} was let go before"
            raise ValueError(message)
        return self._opened
