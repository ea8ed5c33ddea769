"""The doors to the outside, as protocols: cards, the computer, time, bundles' sources and the records.

Each has a real form and a shipped fake that passes the same contract tests (`tests/contract/`). Pure modules never
import this one; `session.py` takes all of them as arguments.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import AbstractContextManager
from datetime import datetime
from typing import Protocol, TypeAlias

from mediaprep.model import (
    Bundle,
    Card,
    CardEntry,
    CardFacts,
    DataEvidence,
    Delivery,
    Finding,
    HostFacts,
    Job,
    JobKind,
    JobState,
    Load,
    Manifest,
    Message,
    Receipt,
    RecordedFile,
    StructureEvidence,
    Unit,
)
from mediaprep.progress import Progress

ProgressSink: TypeAlias = Callable[[Progress], None]
Cancelled: TypeAlias = Callable[[], bool]


class Clock(Protocol):
    """Time, so that a test can say what it is."""

    def now(self) -> datetime:
        """Return the present instant, aware, UTC."""

    def monotonic(self) -> float:
        """Return seconds that never run backwards, from an arbitrary start."""


class HostAccess(Protocol):
    """The computer that does the work."""

    def facts(self, needs: Sequence[tuple[str, str, int]]) -> HostFacts:
        """Return the host's facts for the volumes that hold the paths named.

        `needs` holds (role, path, bytes the job puts there). Paths on one file system come back as one HostVolume
        with all their roles and the sum of their needs. A path that does not exist yet counts as its nearest parent.
        """


class CardWriter(Protocol):
    """One file being written to a card, under a temporary name."""

    def write(self, chunk: bytes) -> None:
        """Append the whole chunk, or raise CardGone, CardFull, CardReadOnly, CardRefusesName or WriteFailed."""

    def sync(self) -> None:
        """Force what was written so far onto the medium (data only), or raise as `write` does."""

    def close(self) -> None:
        """Let the file go without a sync. Never raises."""


class CardReading(Protocol):
    """One file being read back from the medium. Iterating yields its bytes in order, whatever their number."""

    evidence: DataEvidence

    def __iter__(self) -> Iterator[bytes]:
        """Yield chunks until the end of the file, or raise CardGone or ReadbackFailed."""

    def close(self) -> None:
        """Let the file go. Never raises."""


class MediumView(Protocol):
    """A card's files as its medium holds them, read from the raw device past the file system and past all memory.

    It shows what a strict reader finds, such as one in a unit: that may be less than this computer lists.
    """

    @property
    def problems(self) -> Mapping[str, str]:
        """What is wrong with a file or folder, by path; `""` is the top folder. What is named cannot be relied on."""

    def entries(self) -> Iterator[CardEntry]:
        """Yield every file and folder, each once, folders before what is in them."""

    def read(self, path: str) -> CardReading:
        """Open a file, named as `entries` names it, for reading. Raise CardGone or ReadbackFailed."""

    def close(self) -> None:
        """Let the device go. Never raises."""


class CardAccess(Protocol):
    """One card in one reader, or what plays one.

    All paths are relative, with `/`. No method follows a link or leaves the card: a path that would is refused with
    TargetUnsafe. Errors name the card and the path: CardGone, CardFull, CardReadOnly, CardRefusesName, WriteFailed
    from what writes, CardGone and ReadbackFailed from what reads.
    """

    def facts(self) -> CardFacts:
        """Return all that can be known without writing. Raise CardGone when there is no card."""

    def host_folder(self) -> str | None:
        """Return the folder of this computer that plays the card and takes its room, None for a volume of its own."""

    def entries(self) -> Iterator[CardEntry]:
        """Yield every file and folder on the card, each once, folders before what is in them."""

    def make_folder(self, path: str) -> None:
        """Make one folder, whose parent exists. It is no error if it is there already."""

    def create(self, path: str) -> CardWriter:
        """Open a file for writing from its start; an existing one is emptied."""

    def rename(self, old: str, new: str) -> None:
        """Give a file another name in the same folder, replacing what has that name."""

    def remove(self, path: str) -> None:
        """Remove one file. It is no error if it is not there."""

    def remove_folder(self, path: str) -> None:
        """Remove one folder if it is empty; leave it if not."""

    def flush(self) -> None:
        """Force everything, folders and allocation table too, onto the medium: a flush of the whole file system."""

    def remount(self) -> StructureEvidence:
        """Forget everything held in memory about the card, if that can be had here, and say how well that went.

        ASSUMED means that nothing was done. The facts' `insertion` stays the same.
        """

    def medium_view(self) -> MediumView | None:
        """Flush, then read folders and allocation table from the raw device; None where it cannot be read here.

        Whoever asks for a view closes it. Raise CardGone, WriteFailed, or ReadbackFailed where the card makes no sense.
        """

    def read(self, path: str) -> CardReading:
        """Open a file for reading from the medium, by the strongest means there is here."""

    def medium_bytes_read(self) -> int | None:
        """Return the device's own count of bytes read from it since some fixed past, or None where it keeps none."""


class BundleSource(Protocol):
    """A bundle's files as they lie on the host or in a store. Never altered.

    `location` is an absolute path of this computer, or a store's URL.
    """

    form: str
    location: str

    def take_in(self, progress: ProgressSink, cancelled: Cancelled) -> Manifest:
        """Read and hash every file. Raise BundleUnreadable, BundleUnsafe, BundleEmpty or Interrupted."""

    def changed_paths(self, manifest: Manifest) -> tuple[str, ...]:
        """Name files that are missing, new, or differ from the manifest in size or time. Reads no contents.

        Raise BundleUnreadable where a store does not answer: nothing is known then, least of all that it changed.
        """

    def open(self, path: str) -> AbstractContextManager[Iterable[bytes]]:
        """Open one file and yield its bytes in chunks.

        Raise BundleUnreadable, BundleUnsafe, or SourceChanged where it is seen to be replaced while it is read.
        """

    def hand_out(
        self, paths: Collection[str], cancelled: Cancelled
    ) -> AbstractContextManager[Iterator[tuple[str, Iterable[bytes]]]]:
        """Yield these files, each once with its bytes, in the order in which the source has them at least cost.

        A file's bytes may be taken as far as they are wanted, before the next file is asked for. Raise
        BundleUnreadable, also where one of the files is not there; BundleUnsafe; Interrupted when cancelled on the way;
        SourceChanged as `open` does.
        """

    def staging_bytes(self, manifest: Manifest) -> int:
        """Return the room needed on the host to hand the files out: 0 where they can be streamed."""


class Records(Protocol):
    """The records, as far as preparing a card needs them. Each call is one transaction, whole or not at all.

    `station` is the name of this computer among those that share the records.
    """

    station: str

    def bundle(self, name: str) -> Bundle:
        """Return a bundle without its manifest. Raise NotFound."""

    def manifest(self, bundle: str) -> Manifest:
        """Return a bundle's manifest. Raise NotFound."""

    def recorded_files(self, card: str) -> tuple[RecordedFile, ...]:
        """Return what the bundles written to a card have there, finished or not."""

    def loads(self, aircraft: str, unit: str | None = None) -> tuple[Load, ...]:
        """Return the loads of an aircraft or of one unit, oldest first, with their whole history."""

    def begin_job(self, kind: JobKind, card: Card, bundle: Bundle | None, unit: Unit | None, *, at: datetime) -> Job:
        """Open a job. Raise CardBusy when another one is at work on the card."""

    def begin_touching(
        self, job: int, planned: Sequence[RecordedFile], insertion: str | None, findings: Sequence[Finding]
    ) -> None:
        """Say that the card is about to change, and which files are from now on ours: before the first change.

        It may be said again for further files of the same job.
        """

    def files_flushed(self, job: int, written: Sequence[RecordedFile], removed: Sequence[str]) -> None:
        """Say that a flush of the whole file system returned, and which files it covered: put in, or taken out."""

    def end_job(self, job: int, state: JobState, *, at: datetime, code: str | None, detail: str | None) -> None:
        """Close a job that proved nothing."""

    def end_job_proven(self, job: int, receipt: Receipt, unit: Unit | None) -> tuple[Load, ...]:
        """Close a job with its receipt; for a unit, with a prepared load of each bundle it takes, in the logbook."""

    def next_receipt_number(self) -> str:
        """Return a receipt number that was never given out before."""

    def recognise(self, identity: str) -> Card | None:
        """Return the card in service that has this identity, or None."""

    def register_card(
        self, name: str | None, *, identity: str, simulated: bool, capacity_bytes: int | None, at: datetime
    ) -> Card:
        """Take a new card into the records, under the next free name where none is given. Raise RecordExists."""

    def last_write(self, card: str) -> Job | None:
        """Return the latest job that wrote to the card and touched it, or None."""

    def written_insertion(self, card: str) -> str | None:
        """Return the insertion in which the card was last written, None if never or not known."""


class Sender(Protocol):
    """The way out for messages: mail, push, webhooks, the desktop. An address is a secret: no error or answer shows it.

    Neither call follows a redirection: a target must not be able to point elsewhere.
    """

    def shown(self, url: str) -> str:
        """Return what of an address may be shown. Raise Usage where it is none that can be used."""

    def hosts(self, url: str) -> tuple[str, ...]:
        """Return the hosts that a message to an address goes to, as far as the address names them. Raise as `shown`."""

    def send(self, url: str, message: Message) -> Delivery:
        """Make one attempt, bounded in time, at handing a message over. Never raises for what the target does."""
