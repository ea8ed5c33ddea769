"""What a simulated card is, with the faults scripted for it, as a file beside its files: `simulated-card.json`."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import Any, TypeVar, get_type_hints

from mediaprep.devices.script import (
    EndsEarly,
    Fault,
    FlippedBit,
    FullAfter,
    LosesPower,
    LyingWrite,
    Slow,
    VanishesAfterReading,
    VanishesAfterWriting,
)
from mediaprep.errors import RecordExists, Usage
from mediaprep.model import DataEvidence, FileSystem, PartitionTable

DESCRIPTION_NAME = "simulated-card.json"
VOLUME_NAME = "volume"
_T = TypeVar("_T")


_FAULTS: dict[str, type[Fault]] = {
    "full-after": FullAfter,
    "vanishes-after-writing": VanishesAfterWriting,
    "vanishes-after-reading": VanishesAfterReading,
    "loses-power": LosesPower,
    "flipped-bit": FlippedBit,
    "lying-write": LyingWrite,
    "ends-early": EndsEarly,
    "slow": Slow,
}
_FAULT_NAMES = {kind: name for name, kind in _FAULTS.items()}


@dataclass(frozen=True, slots=True)
class Description:
    """A simulated card. `identity` stays when the folder is moved; `insertion` counts how often it was put in.

    `inserted` false: it was taken out, or vanished. `data_evidence` is what reading it back can prove, `remounts`
    whether it can be unmounted and mounted again, `reads_raw` whether its raw device can be read.
    `root_entries` None: the root folder grows like others.
    """

    identity: str
    capacity_bytes: int
    cluster_bytes: int
    file_system: FileSystem
    partition_table: PartitionTable
    label: str
    volume_serial: str
    reader: str
    root_entries: int | None = None
    read_only: bool = False
    data_evidence: DataEvidence = DataEvidence.DIRECT
    remounts: bool = True
    reads_raw: bool = False
    insertion: int = 1
    inserted: bool = True
    faults: tuple[Fault, ...] = ()

    def __post_init__(self) -> None:
        if not 0 < self.cluster_bytes <= self.capacity_bytes:
            message = f"{self.capacity_bytes} bytes cannot be divided into clusters of {self.cluster_bytes}"
            raise ValueError(message)

    def without(self, fault: Fault) -> Description:
        """Return the description after a fault that happens once has happened."""
        return replace(self, faults=tuple(other for other in self.faults if other is not fault))


def make_folders(folder: Path) -> None:
    """Make the folders of a new card. Raise RecordExists where something is there, Usage where they cannot be made."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            message = f"There is something in {folder} already"
            raise RecordExists(message, remedy="Name a new folder, or an empty one.")
        (folder / VOLUME_NAME).mkdir()
    except OSError as error:
        message = f"No card can be made at {folder}: {error.strerror}"
        raise Usage(message, remedy="Name a new folder, in a place that you may write to.") from error


def save(description: Description, folder: Path) -> None:
    """Write a description, whole or not at all. Raise OSError."""
    values = asdict(description)
    values["faults"] = [{"fault": _FAULT_NAMES[type(fault)], **asdict(fault)} for fault in description.faults]
    fresh = folder / f"{DESCRIPTION_NAME}.new"
    fresh.write_text(json.dumps(values, indent=2) + "\n", encoding="utf-8")
    fresh.replace(folder / DESCRIPTION_NAME)


def load(folder: Path) -> Description:
    """Read a description. Raise Usage, naming the file and the field, where it cannot be understood."""
    path = folder / DESCRIPTION_NAME
    try:
        values = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise _unreadable(path, str(error)) from error
    if not isinstance(values, dict):
        raise _unreadable(path, "it is not an object")
    faults = values.pop("faults", [])
    if not isinstance(faults, list):
        raise _unreadable(path, "faults is not a list")
    description = _build(Description, values, path)
    return replace(description, faults=tuple(_fault(values, path) for values in faults))


def _fault(values: object, path: Path) -> Fault:
    if not isinstance(values, dict) or values.get("fault") not in _FAULTS:
        raise _unreadable(path, f"a fault is one of {', '.join(_FAULTS)}")
    kind = _FAULTS[values["fault"]]
    return _build(kind, {name: value for name, value in values.items() if name != "fault"}, path)


def _build(kind: type[_T], values: Mapping[str, object], path: Path) -> _T:
    hints = get_type_hints(kind)
    for name in values:
        if name not in hints:
            raise _unreadable(path, f"{name} is not a field of it")
    try:
        return kind(**{name: _value(hints[name], value) for name, value in values.items()})
    except (TypeError, ValueError) as error:
        raise _unreadable(path, str(error)) from error


def _value(hint: Any, value: object) -> object:
    """Return a value of JSON as a field of that type takes it. Raise ValueError."""
    if isinstance(hint, type) and issubclass(hint, StrEnum):
        return hint(str(value))
    kinds = {"int": (int,), "str": (str,), "bool": (bool,)}.get(getattr(hint, "__name__", ""), (int, type(None)))
    if type(value) not in kinds or (type(value) is int and value < 0):
        message = f"{value!r} cannot stand there"
        raise ValueError(message)
    return value


def _unreadable(path: Path, why: str) -> Usage:
    return Usage(
        f"{path} does not describe a simulated card: {why}", remedy="Make it anew: 'mediaprep cards simulate'."
    )
