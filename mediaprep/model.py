"""The values that everything else passes around: frozen, typed, free of any effect.

Sizes are whole bytes and say so in their names; times are aware UTC; digests are lower-case SHA-256 hex in fields
named `sha256`. Paths of files in bundles and on cards are relative, with `/` between their parts, on every system.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, time
from enum import StrEnum
from typing import Generic, TypeAlias, TypeVar

T = TypeVar("T")


# --- facts -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Known(Generic[T]):
    """A fact that was read somewhere, and where."""

    value: T
    source: str


@dataclass(frozen=True, slots=True)
class Unknown:
    """A fact that could not be had, why, and how to get it. Never a guess, and never a pass."""

    reason: str
    remedy: str = ""


Fact: TypeAlias = Known[T] | Unknown


def value_or_none(fact: Fact[T]) -> T | None:
    """Return the fact's value, or None where it is unknown: for showing, never for judging."""
    return fact.value if isinstance(fact, Known) else None


@dataclass(frozen=True, slots=True)
class HostVolume:
    """One file system of this computer that a job touches.

    `roles` says for what: `bundle`, `records`, `temp`, `staging`, `card folder`. `needed_bytes` is what the job puts
    there, without margin; 0 where it only reads.
    """

    path: str
    roles: tuple[str, ...]
    needed_bytes: int
    free_bytes: Fact[int]
    free_inodes: Fact[int | None]


@dataclass(frozen=True, slots=True)
class HostFacts:
    """What is known of the computer that does the work. `battery_percent` is Known(None) where there is no battery."""

    station: str
    volumes: tuple[HostVolume, ...]
    memory_available_bytes: Fact[int]
    on_mains: Fact[bool]
    battery_percent: Fact[float | None]


class Family(StrEnum):
    """Card families of the SD standards, by capacity."""

    SDSC = "SDSC"
    SDHC = "SDHC"
    SDXC = "SDXC"
    SDUC = "SDUC"


class FileSystem(StrEnum):
    """File systems by the names that checks and rules use. `VFAT` is a FAT volume whose width is not known."""

    FAT12 = "fat12"
    FAT16 = "fat16"
    FAT32 = "fat32"
    VFAT = "vfat"
    EXFAT = "exfat"
    OTHER = "other"

    @property
    def is_fat(self) -> bool:
        """Whether the FAT (not exFAT) naming and size rules hold."""
        return self in {FileSystem.FAT12, FileSystem.FAT16, FileSystem.FAT32, FileSystem.VFAT}


class PartitionTable(StrEnum):
    """How the volume lies on the card. `NONE`: the volume starts at the first sector (super-floppy)."""

    MBR = "mbr"
    GPT = "gpt"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class CardFacts:
    """What is known of one card, its volume and its reader.

    `target` is the path the owner named. `simulated` is true for anything that is not a physical removable card: a
    folder, a volume in a file, a volume in memory. `system_use` lists what of the running system lies there, such as
    `holds the root file system`; empty when nothing does. `insertion` names this very insertion of the medium and
    changes when the card is taken out and put back. `root_entries` is the fixed number of root folder entries of
    FAT12/16, Known(None) where there is no such limit.
    """

    target: str
    simulated: bool
    identity: Fact[str]
    insertion: Fact[str]
    device: Fact[str]
    reader: Fact[str]
    removable: Fact[bool]
    system_use: Fact[tuple[str, ...]]
    capacity_bytes: Fact[int]
    family: Fact[Family]
    partition_table: Fact[PartitionTable]
    file_system: Fact[FileSystem]
    file_system_name: Fact[str]
    cluster_bytes: Fact[int]
    volume_bytes: Fact[int]
    free_bytes: Fact[int]
    root_entries: Fact[int | None]
    read_only: Fact[bool]
    mount_options: Fact[tuple[str, ...]]
    label: Fact[str]
    volume_serial: Fact[str]


@dataclass(frozen=True, slots=True)
class CardEntry:
    """One file or folder found on a card. `size_bytes` is 0 for a folder."""

    path: str
    size_bytes: int
    is_folder: bool


# --- what the owner keeps --------------------------------------------------------------------------------------------


class CycleScheme(StrEnum):
    """How a data kind's cycles follow each other."""

    AIRAC_28 = "airac-28"
    GRID_56 = "grid-56"
    EVERY_DAYS = "every-days"
    DATES = "dates"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class CycleRule:
    """When sets of one data kind take effect.

    `effective_time_utc` is naive and read as UTC: States and suppliers differ between 00:00 and 09:01.
    `interval_days` is for EVERY_DAYS only.
    """

    scheme: CycleScheme
    effective_time_utc: time = time(0, 0)
    interval_days: int | None = None


@dataclass(frozen=True, slots=True)
class Validity:
    """A half-open period: in force from `effective_at` on, until just before `lapses_at`.

    `cycle` is the identifier the owner knows it by. `effective_at` None: in force since ever. `lapses_at` None:
    never lapses.
    """

    cycle: str | None
    effective_at: datetime | None
    lapses_at: datetime | None


@dataclass(frozen=True, slots=True)
class DataKind:
    """A kind of set that a unit takes. `is_software` marks unit software, which is not a data set."""

    name: str
    title: str
    cycle_rule: CycleRule
    is_software: bool = False


@dataclass(frozen=True, slots=True)
class MediaRule:
    """What a unit's manual says about its cards, as the owner entered it. None or empty: the manual does not say."""

    name: str
    source: str = ""
    capacity_bytes_min: int | None = None
    capacity_bytes_max: int | None = None
    families: tuple[Family, ...] = ()
    file_systems: tuple[FileSystem, ...] = ()
    cluster_bytes: tuple[int, ...] = ()
    partition_tables: tuple[PartitionTable, ...] = ()
    foreign_files_allowed: bool = True
    software_with_data_allowed: bool = True


@dataclass(frozen=True, slots=True)
class Unit:
    """One line-replaceable unit of the panel. `kinds` are the names of the data kinds it takes."""

    name: str
    aircraft: str
    title: str
    slots: tuple[str, ...]
    kinds: tuple[str, ...]
    rule: MediaRule
    software: str | None = None
    position: int = 0

    @property
    def label(self) -> str:
        """The unit's name with its aircraft, as messages show it."""
        return f"{self.aircraft}/{self.name}"


@dataclass(frozen=True, slots=True)
class Aircraft:
    """An airframe whose panel is kept."""

    name: str
    title: str = ""


@dataclass(frozen=True, slots=True)
class ManifestEntry:
    """One file of a bundle. `modified_ns` is the source file's time when it was taken in, None where it has none."""

    path: str
    size_bytes: int
    sha256: str
    modified_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Manifest:
    """Every file of a bundle, in path order."""

    entries: tuple[ManifestEntry, ...]

    @property
    def total_bytes(self) -> int:
        """Sum of the files' sizes, without what a file system adds."""
        return sum(entry.size_bytes for entry in self.entries)


@dataclass(frozen=True, slots=True)
class Bundle:
    """A set of files that the owner has, with what the owner states about it. The files are never altered.

    `units` names the units it was bought for, as (aircraft, unit); empty: any unit that takes the kind.
    `manifest_sha256` is the digest of the manifest's text in coreutils form.
    """

    name: str
    kind: DataKind
    validity: Validity
    source: str
    source_form: str
    manifest_sha256: str
    file_count: int
    total_bytes: int
    taken_in_at: datetime
    units: tuple[tuple[str, str], ...] = ()
    least_software: str | None = None


@dataclass(frozen=True, slots=True)
class Card:
    """A card the records know. `name` is what the owner wrote on its case; `identity` is what recognises it again."""

    name: str
    identity: str
    simulated: bool
    capacity_bytes: int | None
    first_seen_at: datetime
    retired_at: datetime | None = None


# --- checks ----------------------------------------------------------------------------------------------------------


class Result(StrEnum):
    """What a check says. REFUSE stops the job; UNKNOWN stops it unless the owner accepts that check by name."""

    PASS = "pass"  # noqa: S105
    WARN = "warn"
    UNKNOWN = "unknown"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check says about one subject.

    `check` is a stable dotted name such as `card.capacity`. `subject` names the card, file, unit or volume.
    `evidence` holds the facts judged, with their source; `remedy` the way out, empty for a pass.
    """

    check: str
    result: Result
    subject: str
    evidence: str
    remedy: str = ""


# --- plan ------------------------------------------------------------------------------------------------------------


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


# --- proof -----------------------------------------------------------------------------------------------------------


class DataEvidence(StrEnum):
    """How it is known that the bytes came off the medium, weakest first."""

    CACHED = "cached"
    EVICTED = "evicted"
    DIRECT = "direct"

    @property
    def rank(self) -> int:
        """0 for the weakest."""
        return list(DataEvidence).index(self)


class StructureEvidence(StrEnum):
    """How it is known that folders and allocation table are on the medium, weakest first."""

    ASSUMED = "assumed"
    READ_RAW = "read raw"
    REMOUNTED = "remounted"
    REINSERTED = "reinserted"

    @property
    def rank(self) -> int:
        """0 for the weakest."""
        return list(StructureEvidence).index(self)


class Verdict(StrEnum):
    """What a receipt proves.

    VERIFIED needs both proofs, DATA_READ_BACK lacks that of the structure, UNPROVEN that of the data.
    """

    VERIFIED = "verified"
    DATA_READ_BACK = "data read back"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class Mismatch:
    """A file on the card that differs from the bundle. `found_sha256` is None when it is missing or of another size."""

    path: str
    expected_sha256: str
    found_sha256: str | None
    detail: str


@dataclass(frozen=True, slots=True)
class ReadbackReport:
    """What a re-reading of a whole bundle from a card found.

    `medium_bytes` is what the device's own counter says was read from it meanwhile, None where there is no counter.
    """

    files: int
    bytes: int
    data_evidence: DataEvidence
    structure_evidence: StructureEvidence
    medium_bytes: int | None
    mismatches: tuple[Mismatch, ...]
    started_at: datetime
    finished_at: datetime

    @property
    def verdict(self) -> Verdict:
        """What the report proves, mismatches aside."""
        if self.data_evidence is DataEvidence.CACHED:
            return Verdict.UNPROVEN
        if self.structure_evidence is StructureEvidence.ASSUMED:
            return Verdict.DATA_READ_BACK
        return Verdict.VERIFIED


@dataclass(frozen=True, slots=True)
class ProvenBundle:
    """One bundle that a readback found whole on a card."""

    name: str
    kind: str
    manifest_sha256: str
    file_count: int
    total_bytes: int


@dataclass(frozen=True, slots=True)
class Receipt:
    """What a write and its readback proved, for good. It cannot be made from a readback that found a mismatch.

    `bundles` are all that mediaprep put on the card, each proven whole. `written_bytes` is 0 for a mere verify.
    `rewritten` are kept files that differed and were written again; `accepted` the unknown findings that the owner
    accepted by name.
    """

    number: str
    card: str
    card_identity: str
    simulated: bool
    bundles: tuple[ProvenBundle, ...]
    station: str
    tool_version: str
    written_bytes: int
    rewritten: tuple[str, ...]
    readback: ReadbackReport
    accepted: tuple[str, ...]
    issued_at: datetime

    def __post_init__(self) -> None:
        if self.readback.mismatches:
            message = f"No receipt for card {self.card}: its readback found {len(self.readback.mismatches)} mismatches"
            raise ValueError(message)


# --- jobs and loads --------------------------------------------------------------------------------------------------


class JobKind(StrEnum):
    """What a job does to a card."""

    WRITE = "write"
    VERIFY = "verify"


class JobState(StrEnum):
    """Where a job is, or how it ended. INTERRUPTED: its process died; whoever opens the records next says so."""

    RUNNING = "running"
    DONE = "done"
    REFUSED = "refused"
    FAILED = "failed"
    CANCELLED = "cancelled"
    INTERRUPTED = "interrupted"


@dataclass(frozen=True, slots=True)
class Job:
    """One piece of work on one card. `touched` is true once anything on the card may have changed.

    `bundle` is the one being written, None for a verify, which covers all of them. `unit` is (aircraft, unit).
    """

    number: int
    kind: JobKind
    state: JobState
    card: str
    bundle: str | None
    unit: tuple[str, str] | None
    station: str
    started_at: datetime
    ended_at: datetime | None
    touched: bool
    code: str | None
    detail: str | None
    receipt: str | None


class Fitness(StrEnum):
    """Whether a card may be carried to a unit. `fitness.py` derives it from the card's jobs."""

    VERIFIED = "verified"
    REINSERT = "put the card in again to finish"
    UNFIT = "unfit"
    EMPTY = "nothing written"


class LoadState(StrEnum):
    """Where a load is on its way from the bench into a unit."""

    PREPARED = "prepared"
    INSTALLED = "installed"
    ACCEPTED = "accepted"
    REJECTED = "rejected"
    SUPERSEDED = "superseded"


@dataclass(frozen=True, slots=True)
class LoadEvent:
    """One step of a load. `reason` is what the owner said, such as the message the unit showed."""

    state: LoadState
    at: datetime
    reason: str = ""


@dataclass(frozen=True, slots=True)
class Load:
    """One receipt carried to one unit. `events` is its history, oldest first, never empty."""

    number: int
    aircraft: str
    unit: str
    slot: str | None
    card: str
    bundle: str
    kind: str
    validity: Validity
    receipt: str
    simulated: bool
    events: tuple[LoadEvent, ...]

    @property
    def state(self) -> LoadState:
        """The latest state."""
        return self.events[-1].state


@dataclass(frozen=True, slots=True)
class LogEntry:
    """One line of an aircraft's logbook. `body` is canonical JSON; `sha256` covers the one before and this body."""

    aircraft: str
    sequence: int
    at: datetime
    body: str
    previous_sha256: str
    sha256: str


# --- preflight -------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class PreflightFacts:
    """All that the checks judge, gathered beforehand. `card_name` is what the owner calls the card.

    `on_card` are the other bundles that are on the card and stay there; `unit_loads` the unit's whole history of
    loads, oldest first; `changed_paths` the bundle's files that differ from what was taken in (by size and time).
    """

    now: datetime
    host: HostFacts
    card: CardFacts
    card_name: str
    entries: tuple[CardEntry, ...]
    plan: Plan
    bundle: Bundle
    on_card: tuple[Bundle, ...]
    unit: Unit
    unit_loads: tuple[Load, ...]
    changed_paths: tuple[str, ...]


# --- panel status ----------------------------------------------------------------------------------------------------


class Currency(StrEnum):
    """How one data kind of one unit stands at an instant."""

    NOTHING_LOADED = "nothing loaded"
    NOT_YET = "not yet in force"
    CURRENT = "current"
    LAPSES_SOON = "lapses soon"
    LAPSED = "lapsed"
    NO_EXPIRY = "no expiry"


@dataclass(frozen=True, slots=True)
class KindStatus:
    """One data kind of one unit at an instant.

    `load` is the one in force, or else the last one that lapsed, or else (nothing yet was in force) the next.
    `next_load` is a load ahead of its effective instant that will follow `load`. `lapses_at` is the instant from
    which nothing accepted covers the kind: it counts `next_load`, where that follows without a gap.
    """

    unit: str
    kind: str
    currency: Currency
    load: Load | None
    next_load: Load | None
    lapses_at: datetime | None


@dataclass(frozen=True, slots=True)
class PanelStatus:
    """A whole panel at an instant.

    `split_kinds` are kinds of which the units hold different cycles at that instant: (kind, ((unit, cycle), ...)).
    """

    aircraft: str
    at: datetime
    kinds: tuple[KindStatus, ...]
    split_kinds: tuple[tuple[str, tuple[tuple[str, str], ...]], ...] = field(default=())
