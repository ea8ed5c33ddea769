"""A plain folder as a card. Nothing is described: what a folder has no notion of is unknown."""

from __future__ import annotations

import os
import platform
from pathlib import Path

from mediaprep.devices.block import BlockDevice, block_device
from mediaprep.devices.device import family_fact
from mediaprep.devices.mounts import device_number, mount_over, read_mounts
from mediaprep.devices.system_use import folder_use
from mediaprep.devices.tree_card import TreeCard
from mediaprep.model import CardFacts, Fact, Known, StructureEvidence, Unknown, VolumeState

_SOURCE = "a folder"
_DESCRIBE = "Describe a card with 'mediaprep cards simulate', and use its folder."


class FolderCard(TreeCard):
    """A folder that plays a card, always simulated. Raise CardGone where there is no folder."""

    def __init__(self, path: Path) -> None:
        self._place = path.resolve()
        super().__init__(self._place, str(path))
        self._device = _device_under(self._place)

    def facts(self) -> CardFacts:
        """Return what is known: where the folder is, and how much room is left around it."""
        self._faults.require_present("before anything was done")
        capacity = _nothing("capacity")
        return CardFacts(
            target=self._target,
            simulated=True,
            identity=Known(f"folder {self._place}", _SOURCE),
            insertion=Known("always in", _SOURCE),
            device=Known(str(self._place), _SOURCE),
            reader=Known("none: a folder", _SOURCE),
            removable=Known(False, _SOURCE),
            system_use=folder_system_use(self._place),
            capacity_bytes=capacity,
            family=family_fact(capacity),
            partition_table=_nothing("partition table"),
            file_system=_nothing("file system"),
            file_system_name=_nothing("file system"),
            cluster_bytes=_nothing("cluster size"),
            volume_bytes=_nothing("size"),
            free_bytes=self._free(),
            root_entries=Known(None, _SOURCE),
            read_only=Known(not os.access(self._place, os.W_OK), "access rights"),
            write_protection=Known((), _SOURCE),
            mount_options=Known((), _SOURCE),
            label=_nothing("label"),
            volume_serial=_nothing("serial number"),
            volume_state=Known(VolumeState.CLEAN, "a folder bears no mark of its own"),
        )

    def host_folder(self) -> str | None:
        """Return the folder itself."""
        return str(self._place)

    def remount(self) -> StructureEvidence:
        """Play a remount: a folder has no structure of its own that could differ from what is seen."""
        self._faults.require_present("before it was mounted again")
        return StructureEvidence.REMOUNTED

    def medium_bytes_read(self) -> int | None:
        """Return the count of the disk that the folder lies on, None where it lies on none that is counted."""
        return self._device.read_bytes() if self._device else None

    def _is_present(self) -> bool:
        return self._tree.is_there()

    def _has_medium(self) -> bool:
        return self._device is not None

    def _free(self) -> Fact[int]:
        if not hasattr(os, "statvfs"):
            import psutil

            return Known(psutil.disk_usage(str(self._place)).free, "psutil.disk_usage")
        info = os.statvfs(self._place)
        return Known(info.f_bavail * info.f_frsize, "statvfs of the file system around it")


def folder_system_use(place: Path) -> Fact[tuple[str, ...]]:
    """Return what makes a folder, free of links, one that must never be written to; Known(()) where nothing does."""
    found = folder_use(place, Path.home().resolve())
    uses = [] if found is None else [found]
    if place.is_mount():
        uses.append("is where a disk is mounted")
    return Known(tuple(uses), "the folder's place")


def _device_under(place: Path) -> BlockDevice | None:
    if platform.system() != "Linux":
        return None
    mount = mount_over(str(place), read_mounts())
    number = None if mount is None else device_number(mount)
    return None if number is None else block_device(number)


def _nothing(what: str) -> Unknown:
    return Unknown(f"a folder has no {what} of its own", _DESCRIBE)
