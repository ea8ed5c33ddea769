"""What is found on a raw card."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from mediaprep.volumes import UpcaseTable, Volume
from mediaprep.volumes.table import Run


@dataclass(frozen=True, slots=True)
class RawFile:
    """One file or folder, with the stretches of clusters that hold it in order.

    `valid_bytes` is how much of it was ever written: exFAT reads zeros from there on. `is_contiguous`: exFAT notes that
    the clusters follow each other, and keeps no chain for them in the allocation table. `size_bytes` is 0 for a folder.
    """

    path: str
    size_bytes: int
    is_folder: bool
    runs: tuple[Run, ...]
    valid_bytes: int
    is_contiguous: bool


@dataclass(frozen=True, slots=True)
class RawCard:
    """A volume with all that is on it, folders before what is in them.

    `problems` says by path what is wrong with a file or folder; `""` is the top folder. A file that is named there
    cannot be relied on; a folder that is named there may lack files. `label` is the one in the top folder, the one
    that people see, "" where there is none. `upcase` is None on FAT, and where exFAT's table cannot be read.
    """

    volume: Volume
    label: str
    files: tuple[RawFile, ...]
    problems: Mapping[str, str]
    upcase: UpcaseTable | None = None


@dataclass(slots=True)
class FolderItem:
    """What a folder says of one file or folder. `problem`: why it cannot be relied on."""

    name: str
    is_folder: bool
    first_cluster: int
    size_bytes: int
    valid_bytes: int
    is_contiguous: bool = False
    problem: str | None = None


@dataclass(slots=True)
class FolderContents:
    """What a folder holds. `remarks` are what is wrong with the folder itself.

    `label` and `upcase_entry` are found in the top folder only.
    """

    items: list[FolderItem] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)
    label: str = ""
    upcase_entry: bytes | None = None


def end_mark_remark(count: int) -> str:
    """Say what it means that a folder has entries after the mark that ends it."""
    entries = "1 entry" if count == 1 else f"{count} entries"
    return f"it has {entries} after its end mark, which this computer may list and another reader does not see"
