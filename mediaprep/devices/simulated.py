"""A card that a folder plays, with a capacity, clusters, the rules of its file system, and faults as they are scripted.

The folder holds `simulated-card.json` and `volume/`, where the card's files lie as themselves. They are written there
at once, so a kill of the process loses what a kill loses on a real computer: nothing. What only this computer's memory
would hold is kept apart: a cached read of a file written just now shows what was written, whatever the medium holds.
"""

from __future__ import annotations

import os
import time
import uuid
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from functools import partial
from pathlib import Path

from mediaprep.devices.allocation import Allocation
from mediaprep.devices.description import DESCRIPTION_NAME, VOLUME_NAME, Description, load, make_folders, save
from mediaprep.devices.device import family_fact
from mediaprep.devices.folder import folder_system_use
from mediaprep.devices.script import (
    Fault,
    FullAfter,
    LosesPower,
    Unflushed,
    VanishesAfterReading,
    VanishesAfterWriting,
    as_on_medium,
    end_on_medium,
    seconds_for,
)
from mediaprep.devices.simulated_files import SimulatedReading, SimulatedView, SimulatedWriter
from mediaprep.devices.system_use import folder_use
from mediaprep.devices.tree import path_parts
from mediaprep.devices.tree_card import TreeCard, TreeWriter
from mediaprep.errors import (
    CardFull,
    CardReadOnly,
    CardRefusesName,
    MediaPrepError,
    TargetUnsafe,
    Usage,
)
from mediaprep.model import (
    CardEntry,
    CardFacts,
    DataEvidence,
    FileSystem,
    Known,
    PartitionTable,
    StructureEvidence,
    VolumeState,
)
from mediaprep.names import PART_SUFFIX, name_problems
from mediaprep.ports import CardReading, CardWriter, MediumView

_SOURCE = "simulated card"
_FAT_FILE_BYTES_MAX = 2**32 - 1  # the size field of a FAT directory entry has 32 bits
_FIXED_ROOT_ENTRIES = 512  # what mkfs.fat gives FAT12 and FAT16 on cards

Sleep = Callable[[float], None]


def is_simulated_card(folder: Path) -> bool:
    """Say whether a folder is a described simulated card."""
    return (folder / DESCRIPTION_NAME).is_file()


class SimulatedCard(TreeCard):
    """A described card. Make one with `make`, use it with `open`.

    Counts (for faults and for `medium_bytes_read`) start at 0 with each object. `sleep` is called with seconds where
    the card is slow.
    """

    def __init__(self, folder: Path, *, sleep: Sleep = time.sleep) -> None:
        """Take the folder of a described card. Raise Usage where its description cannot be read."""
        self._folder = folder.resolve()
        self._description = load(self._folder)
        super().__init__(self._folder / VOLUME_NAME, str(folder))
        self._sleep = sleep
        self._written_bytes = 0
        self._read_bytes = 0
        # Files as the card spells them: those whose bytes this computer still has, and those no flush has covered.
        self._in_memory: set[str] = set()
        self._unflushed: set[str] = set()
        self._allocation = self._measured(self._tree.walk())

    @classmethod
    def make(
        cls,
        folder: Path,
        *,
        capacity_bytes: int,
        cluster_bytes: int = 32 * 2**10,
        file_system: FileSystem = FileSystem.FAT32,
        partition_table: PartitionTable = PartitionTable.MBR,
        label: str = "",
        volume_serial: str | None = None,
        reader: str = "simulated reader",
        identity: str | None = None,
        root_entries: int | None = None,
        read_only: bool = False,
        data_evidence: DataEvidence = DataEvidence.DIRECT,
        remounts: bool = True,
        reads_raw: bool = False,
        faults: tuple[Fault, ...] = (),
        sleep: Sleep = time.sleep,
    ) -> SimulatedCard:
        """Make a new or empty folder into a card and return it.

        Where not given, `identity` (the text of a UUID) is random, `volume_serial` follows from it, and `root_entries`
        is 512 on FAT12 and FAT16. Raise RecordExists where something is in the folder, TargetUnsafe for a folder of
        the system, Usage for sizes that no card has or a folder that cannot be made.
        """
        in_system = folder_use(folder.resolve(), Path.home().resolve())
        if in_system is not None:
            message = f"{folder} {in_system}"
            raise TargetUnsafe(message)
        number = uuid.uuid4() if identity is None else uuid.UUID(identity)
        if root_entries is None and file_system in {FileSystem.FAT12, FileSystem.FAT16}:
            root_entries = _FIXED_ROOT_ENTRIES
        try:
            description = Description(
                identity=str(number),
                capacity_bytes=capacity_bytes,
                cluster_bytes=cluster_bytes,
                file_system=file_system,
                partition_table=partition_table,
                label=label,
                volume_serial=volume_serial or f"{number.hex[:4]}-{number.hex[4:8]}".upper(),
                reader=reader,
                root_entries=root_entries,
                read_only=read_only,
                data_evidence=data_evidence,
                remounts=remounts,
                reads_raw=reads_raw,
                faults=faults,
            )
        except ValueError as error:
            message = f"No card can be simulated at {folder}: {error}"
            raise Usage(message, remedy="Give a capacity and a cluster size that divides it.") from error
        make_folders(folder)
        save(description, folder)
        return cls(folder, sleep=sleep)

    @classmethod
    def open(cls, folder: Path) -> SimulatedCard:
        """Return the card that a folder plays. Raise Usage where its description cannot be read."""
        return cls(folder)

    # --- what a test or a demonstration does to the card -------------------------------------------------------------

    @property
    def volume(self) -> Path:
        """The folder where the card's files lie as themselves."""
        return self._tree.root

    def script(self, *faults: Fault) -> None:
        """Let these faults happen from now on, and no others. Their paths are spelled as the card spells them."""
        self._change(replace(load(self._folder), faults=faults))

    def take_out(self) -> None:
        """Take the card out of its reader: everything then raises CardGone."""
        self._change(replace(load(self._folder), inserted=False))

    def put_in(self) -> None:
        """Put the card in: a new insertion, with nothing of it in memory."""
        before = load(self._folder)
        self._change(replace(before, inserted=True, insertion=before.insertion + 1))
        self._forget()

    # --- the card ----------------------------------------------------------------------------------------------------

    def facts(self) -> CardFacts:
        """Return the card as it is described. Raise CardGone when it was taken out."""
        self._look()
        what = self._description
        capacity = Known(what.capacity_bytes, _SOURCE)
        return CardFacts(
            target=self._target,
            simulated=True,
            identity=Known(f"simulated {what.identity}", _SOURCE),
            insertion=Known(f"insertion {what.insertion}", _SOURCE),
            device=Known(str(self._folder), _SOURCE),
            reader=Known(what.reader, _SOURCE),
            removable=Known(False, "a simulated card is no physical card"),
            system_use=folder_system_use(self._folder),
            capacity_bytes=capacity,
            family=family_fact(capacity),
            partition_table=Known(what.partition_table, _SOURCE),
            file_system=Known(what.file_system, _SOURCE),
            file_system_name=Known("vfat" if what.file_system.is_fat else what.file_system.value, _SOURCE),
            cluster_bytes=Known(what.cluster_bytes, _SOURCE),
            volume_bytes=Known(what.capacity_bytes // what.cluster_bytes * what.cluster_bytes, _SOURCE),
            free_bytes=Known(self._allocation.free_bytes, _SOURCE),
            root_entries=Known(what.root_entries, _SOURCE),
            read_only=Known(what.read_only, _SOURCE),
            write_protection=Known((), _SOURCE),
            mount_options=Known(("ro" if what.read_only else "rw",), _SOURCE),
            label=Known(what.label, _SOURCE),
            volume_serial=Known(what.volume_serial, _SOURCE),
            volume_state=Known(VolumeState.CLEAN, _SOURCE),
        )

    def host_folder(self) -> str | None:
        """Return the folder that holds the description and the files."""
        return str(self._folder)

    def entries(self) -> Iterator[CardEntry]:
        """Yield every file and folder on the card, each once, folders before what is in them."""
        yield from self._look()

    def make_folder(self, path: str) -> None:
        """Make one folder, whose parent exists. It is no error if it is there already."""
        spelled = self._before_change(path, new=True)
        self._require_entry(spelled, is_folder=True)
        super().make_folder(spelled)
        self._allocation.enter(spelled, is_folder=True)

    def create(self, path: str) -> CardWriter:
        """Open a file for writing from its start; an existing one is emptied."""
        spelled = self._before_change(path, new=True)
        self._require_entry(spelled, is_folder=False)
        with self._faults.writing(path):
            writer = TreeWriter(self._tree.open_write(spelled), spelled, self._faults)
        self._allocation.enter(spelled, is_folder=False)
        self._allocation.resize(spelled, 0)
        self._unflushed.add(spelled)
        self._in_memory.add(spelled)
        present = partial(self._faults.require_present, f"while {path} was being written")
        return SimulatedWriter(self, writer, spelled, present)

    def rename(self, old: str, new: str) -> None:
        """Give a file another name in the same folder, replacing what has that name."""
        before, after = self._before_change(old), self._before_change(new, new=True)
        super().rename(before, after)
        self._allocation.leave(before)
        self._allocation.leave(after)
        self._allocation.enter(after, is_folder=False)
        self._allocation.resize(after, self._tree.size_bytes(after) or 0)
        self._unflushed.add(after)
        for known in (self._unflushed, self._in_memory):
            if before in known and before != after:
                known.remove(before)
                known.add(after)

    def remove(self, path: str) -> None:
        """Remove one file. It is no error if it is not there."""
        spelled = self._before_change(path)
        super().remove(spelled)
        self._allocation.leave(spelled)
        self._unflushed.discard(spelled)
        self._in_memory.discard(spelled)

    def remove_folder(self, path: str) -> None:
        """Remove one folder if it is empty; leave it if not."""
        spelled = self._before_change(path)
        super().remove_folder(spelled)
        if self._tree.size_bytes(spelled) is None:
            self._allocation.leave(spelled)

    def flush(self) -> None:
        """Force everything onto the medium: nothing done so far is lost when the power fails."""
        self._faults.require_present("during the flush")
        self._unflushed.clear()

    def remount(self) -> StructureEvidence:
        """Forget everything held in memory, where the card is described as one that can be mounted again."""
        self._faults.require_present("before it was mounted again")
        if not self._description.remounts:
            return StructureEvidence.ASSUMED
        self._forget()
        return StructureEvidence.REMOUNTED

    def read(self, path: str) -> CardReading:
        """Open a file for reading from the medium, by the means the card is described to allow."""
        return self.read_by(path, self._description.data_evidence)

    def read_by(self, path: str, evidence: DataEvidence) -> CardReading:
        """Open a file for reading, by the means that this evidence stands for."""
        self._faults.require_present(f"before {path} was read")
        spelled = self._allocation.spelling(path)
        with self._faults.reading(path):
            opened = self._tree.open_read(spelled)
        # Only where nothing stronger than a plain read is to be had does memory answer for what it still holds.
        from_memory = evidence is DataEvidence.CACHED and spelled in self._in_memory
        return SimulatedReading(self, opened, spelled, evidence, from_memory=from_memory)

    def medium_view(self) -> MediumView | None:
        """Return the card's files past all memory, where it is described as one whose device can be read."""
        if not self._description.reads_raw:
            return None
        self.flush()
        return SimulatedView(self)

    def medium_bytes_read(self) -> int | None:
        """Return how many bytes were read from the medium through this object."""
        return self._read_bytes

    # --- what its readers and writers ask ----------------------------------------------------------------------------

    def append(self, writer: TreeWriter, spelled: str, chunk: bytes) -> None:
        """Append to a file as much as goes before something goes wrong. Raise what then goes wrong."""
        self._faults.require_present(f"while {spelled} was being written")
        size_bytes = self._allocation.size_bytes(spelled)
        accepted, failure = len(chunk), None
        for limit, strikes_there, fail in self._limits(spelled, size_bytes):
            if limit < accepted or (strikes_there and limit == accepted):
                accepted, failure = max(limit, 0), fail
        writer.write(chunk[:accepted])
        self._written_bytes += accepted
        self._allocation.resize(spelled, size_bytes + accepted)
        self._sleep_for(accepted)
        if failure is not None:
            raise failure()

    def from_medium(self, chunk: bytes, offset: int, spelled: str) -> bytes:
        """Count bytes read from the medium and return what it makes of them. Raise CardGone where it is pulled out."""
        during = f"while {spelled} was being read"
        self._faults.require_present(during)
        for fault in self._description.faults:
            if isinstance(fault, VanishesAfterReading) and self._read_bytes + len(chunk) > fault.read_bytes:
                raise self._vanish(fault, Unflushed.KEPT, during)
        self._read_bytes += len(chunk)
        self._sleep_for(len(chunk))
        return as_on_medium(chunk, offset, spelled, self._description.faults)

    def end_on_medium(self, spelled: str, size_bytes: int) -> int:
        """Return where the medium lets reading a file end."""
        return end_on_medium(size_bytes, spelled, self._description.faults)

    # --- how it works ------------------------------------------------------------------------------------------------

    def _limits(self, spelled: str, size_bytes: int) -> Iterator[tuple[int, bool, Callable[[], MediaPrepError]]]:
        """Yield how many more bytes each limit lets pass, whether it strikes when reached or when passed, and how."""
        during = f"while {spelled} was being written"
        full = partial(self._full, spelled)
        yield self._allocation.largest_bytes(spelled) - size_bytes, False, full
        if self._description.file_system.is_fat:
            yield _FAT_FILE_BYTES_MAX - size_bytes, False, partial(self._refused, spelled, "it grows beyond 4 GiB - 1")
        for fault in self._description.faults:
            if isinstance(fault, FullAfter):
                yield fault.written_bytes - self._written_bytes, False, full
            elif isinstance(fault, VanishesAfterWriting | LosesPower):
                left = fault.written_bytes - self._written_bytes
                yield left, True, partial(self._vanish, fault, fault.unflushed, during)

    def _full(self, path: str) -> MediaPrepError:
        return CardFull(f"The card at {self._target} has no room for {path}")

    def _refused(self, path: str, why: str) -> MediaPrepError:
        return CardRefusesName(f"The card at {self._target} refuses {path}: {why}")

    def _vanish(self, fault: Fault, unflushed: Unflushed, during: str) -> MediaPrepError:
        """Let the card go for good, once, with what happens to unflushed files; return what the caller raises."""
        for spelled in self._unflushed if unflushed is not Unflushed.KEPT else ():
            if unflushed is Unflushed.GONE:
                self._tree.remove(spelled)
            else:
                os.close(self._tree.open_write(spelled))
        self._change(replace(self._description.without(fault), inserted=False))
        return self._faults.gone(during)

    def _is_present(self) -> bool:
        return self._description.inserted and self._tree.is_there()

    def _has_medium(self) -> bool:
        return True

    def _look(self) -> list[CardEntry]:
        """Read the description and all entries anew: another process, or a test, may have changed them."""
        during = "before its folders were read"
        if not self._tree.is_there():
            raise self._faults.gone(during)
        self._description = load(self._folder)
        self._faults.require_present(during)
        found = list(super().entries())
        self._allocation = self._measured(found)
        return found

    def _measured(self, entries: Iterable[CardEntry]) -> Allocation:
        what = self._description
        allocation = Allocation(
            capacity_bytes=what.capacity_bytes,
            cluster_bytes=what.cluster_bytes,
            file_system=what.file_system,
            root_entries=what.root_entries,
            has_label=bool(what.label),
        )
        for entry in entries:
            allocation.take_in(entry)
        return allocation

    def _before_change(self, path: str, *, new: bool = False) -> str:
        """Say that a change is welcome, and return how the card spells the path. `new`: the name comes into being."""
        self._faults.require_present(f"before {path} was changed")
        if self._description.read_only:
            message = f"The card at {self._target} refuses to write {path}: it is read-only"
            raise CardReadOnly(message)
        path_parts(path)
        # The rules count the temporary name of a file themselves; they are not to count it twice.
        stem = path.removesuffix(PART_SUFFIX)
        judged = stem if stem and not stem.endswith("/") else path
        problems = name_problems(judged, self._description.file_system) if new else []
        if problems:
            raise self._refused(path, "; ".join(problems))
        return self._allocation.spelling(path)

    def _require_entry(self, spelled: str, *, is_folder: bool) -> None:
        with self._faults.writing(spelled):
            is_new = self._tree.size_bytes(spelled) is None
        if is_new and not self._allocation.room_for_entry(spelled, is_folder=is_folder):
            raise self._full(spelled)

    def _sleep_for(self, count: int) -> None:
        seconds = seconds_for(count, self._description.faults)
        if seconds > 0:
            self._sleep(seconds)

    def _forget(self) -> None:
        self._in_memory.clear()
        self._unflushed.clear()

    def _change(self, description: Description) -> None:
        save(description, self._folder)
        self._description = description
