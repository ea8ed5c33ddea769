"""What the owner keeps: aircraft, units and their media rules, data kinds, bundles, cards."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, time
from enum import StrEnum

from mediaprep.model.facts import Family, FileSystem, PartitionTable
from mediaprep.model.library import BundleSignature, PublisherCheck


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
    `manifest_sha256` is the digest of the manifest's text in coreutils form. `checks` are what its publisher's
    checksums proved when it was taken in, `signature` what a signature of its publisher proved, if one was given.
    `removed_at`: since when it is out of the library, though known by name to what came of it.
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
    checks: tuple[PublisherCheck, ...] = ()
    signature: BundleSignature | None = None
    removed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Card:
    """A card the records know. `name` is what the owner wrote on its case; `identity` is what recognises it again."""

    name: str
    identity: str
    simulated: bool
    capacity_bytes: int | None
    first_seen_at: datetime
    retired_at: datetime | None = None
