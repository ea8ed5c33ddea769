"""Facts about the computer and the card: each with its source, or why it could not be had."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Generic, TypeAlias, TypeVar

T = TypeVar("T")


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


class WriteProtection(StrEnum):
    """How a card protects itself from being written, by its own register; the lock switch on its side is apart."""

    PERMANENT = "permanent"
    TEMPORARY = "temporary"
    UNTIL_POWER_CYCLE = "until power cycle"


class VolumeState(StrEnum):
    """What a volume's own marks say of how it was left.

    IN_USE: the mark is there that a system sets while it may write, and this one may; what it found there cannot be
    seen. DIRTY: it was not cleanly unmounted. FAULTY: whoever used it met an error of the medium.
    """

    CLEAN = "clean"
    IN_USE = "in use"
    DIRTY = "dirty"
    FAULTY = "faulty"


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
    FAT12/16, Known(None) where there is no such limit. `write_protection` are the ways in which the card's own register
    forbids writing, empty for none; `read_only` is what the system says of card and volume.
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
    write_protection: Fact[tuple[WriteProtection, ...]]
    mount_options: Fact[tuple[str, ...]]
    label: Fact[str]
    volume_serial: Fact[str]
    volume_state: Fact[VolumeState]


@dataclass(frozen=True, slots=True)
class CardEntry:
    """One file or folder found on a card. `size_bytes` is 0 for a folder."""

    path: str
    size_bytes: int
    is_folder: bool
