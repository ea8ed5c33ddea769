"""A mounted volume as a card: on Linux with all that sysfs and udev tell of its device, elsewhere with what psutil has.

Nothing here needs root, except to unmount and mount again.
"""

from __future__ import annotations

import os
import platform
from dataclasses import replace
from pathlib import Path

import psutil

from mediaprep.devices.block import BlockDevice, block_device, read_value
from mediaprep.devices.boot_facts import NOT_ASKED, BootFacts, boot_facts, not_read
from mediaprep.devices.device import NO_DEVICE, DeviceFacts, memory_facts, other_facts
from mediaprep.devices.mounts import Mount, device_number, mount_at, read_mounts
from mediaprep.devices.raw import RawView, open_raw
from mediaprep.devices.system_use import folder_use
from mediaprep.devices.tree_card import TreeCard
from mediaprep.devices.udev import device_facts
from mediaprep.errors import CardGone
from mediaprep.model import (
    CardFacts,
    Fact,
    FileSystem,
    Known,
    StructureEvidence,
    Unknown,
    WriteProtection,
)
from mediaprep.ports import MediumView

# Names that Linux, macOS and Windows have for the file systems of cards, lower case.
_FILE_SYSTEMS = {
    "vfat": FileSystem.VFAT,
    "msdos": FileSystem.VFAT,
    "fat": FileSystem.VFAT,
    "fat32": FileSystem.FAT32,
    "exfat": FileSystem.EXFAT,
}
# Names of the drivers in Linux whose volumes can be read raw beside them.
_DRIVEN_BY_LINUX = frozenset({"vfat", "msdos", "exfat"})
_IN_MEMORY = frozenset({"tmpfs", "ramfs"})


class MountedCard(TreeCard):
    """The volume that is mounted at a path. Raise CardGone where none is."""

    def __init__(self, path: Path) -> None:
        place = path.resolve()
        super().__init__(place, str(path))
        self._place = place
        self._on_linux = platform.system() == "Linux"
        mount = self._mount()
        self._device = self._device_of(mount) if self._on_linux else None
        self._disk_sequence = self._device.disk_value("diskseq") if self._device else None

    def facts(self) -> CardFacts:
        """Return all that can be known without writing. Raise CardGone when there is no card."""
        self._faults.require_present("before anything was done")
        mount = self._mount()
        with self._faults.reading("its size"):
            volume_bytes, free_bytes, cluster_bytes = _sizes(self._place)
        boot = self._boot_facts(mount)
        device = self._device_facts(mount, volume_bytes, boot)
        name = _file_system_name(mount, device)
        file_system = _file_system(name, device)
        return CardFacts(
            target=self._target,
            simulated=device.simulated,
            identity=device.identity,
            insertion=device.insertion,
            device=device.device,
            reader=device.reader,
            removable=device.removable,
            system_use=device.system_use,
            capacity_bytes=device.capacity_bytes,
            family=device.family,
            partition_table=device.partition_table,
            file_system=file_system,
            file_system_name=name,
            cluster_bytes=cluster_bytes,
            volume_bytes=volume_bytes,
            free_bytes=free_bytes,
            root_entries=_root_entries(file_system, boot),
            read_only=self._read_only(mount, device.write_protection),
            write_protection=device.write_protection,
            mount_options=Known(mount.all_options, "list of mounts"),
            label=device.label,
            volume_serial=device.volume_serial,
            volume_state=boot.volume_state,
        )

    def remount(self) -> StructureEvidence:
        """Unmount and mount again, where the system lets us and we can make the mount exactly as it was."""
        if self._device is None:
            return StructureEvidence.ASSUMED
        from mediaprep.devices.remount import can_remount, remount

        self._faults.require_present("before it was mounted again")
        mounts = read_mounts()
        mount = self._mount_among(mounts)
        in_use = self._device_facts(mount, NO_DEVICE).system_use
        if not isinstance(in_use, Known) or in_use.value or not can_remount(mount, self._device, mounts):
            return StructureEvidence.ASSUMED
        evidence = remount(mount)
        self._faults.require_present("while it was being mounted again")
        return evidence

    def medium_view(self) -> MediumView | None:
        """Return the card's files as its raw device shows them: a FAT or exFAT volume that Linux itself drives.

        None where this user may not read the device, and for drivers outside the kernel: what they hold in their own
        memory no flush of ours brings out.
        """
        mount = self._mount()
        if self._device is None or mount.root != "/" or mount.file_system_name not in _DRIVEN_BY_LINUX:
            return None
        self.flush()
        try:
            raw = open_raw(self._device)
        except OSError:
            self._faults.require_present("before its device was read")
            return None
        return RawView(raw, self._faults, f"The card at {self._target}")

    def medium_bytes_read(self) -> int | None:
        """Return the kernel's count of bytes read from the card's volume, None where it keeps none."""
        return self._device.read_bytes() if self._device else None

    def _is_present(self) -> bool:
        if not self._tree.is_there():
            return False
        if self._device is not None and not self._device.is_there(self._disk_sequence):
            return False
        try:
            # On a device that is gone this fails, though the folder still lists.
            _sizes(self._place)
        except OSError:
            return False
        return True

    def _has_medium(self) -> bool:
        return self._device is not None

    def _mount(self) -> Mount:
        """Return what is mounted here now. Raise CardGone where nothing is."""
        return self._mount_among(read_mounts() if self._on_linux else _psutil_mounts())

    def _mount_among(self, mounts: tuple[Mount, ...]) -> Mount:
        found = mount_at(self._place, mounts)
        if found is None:
            message = f"Nothing is mounted at {self._target}"
            raise CardGone(message, remedy="Put the card in and mount it, then run the same command again.")
        return found

    def _device_of(self, mount: Mount) -> BlockDevice | None:
        number = device_number(mount)
        return None if number is None else block_device(number)

    def _boot_facts(self, mount: Mount) -> BootFacts:
        """Return what the volume's first sectors tell, where there is a device and something on it that we know."""
        name = mount.file_system_name
        if self._device is None:
            return not_read(f"{name} lies on no device that can be read")
        if name not in _FILE_SYSTEMS and name != "fuseblk":
            return not_read(f"{name} has no boot record that is known here")
        # Linux marks FAT volumes while it may write to them; so do drivers outside the kernel. Its exFAT marks them
        # only between a write and the next flush.
        marked = "ro" not in mount.all_options and name != "exfat"
        return boot_facts(self._device, marked_in_use=marked)

    def _device_facts(self, mount: Mount, volume_bytes: Fact[int], boot: BootFacts = NOT_ASKED) -> DeviceFacts:
        home = Path.home().resolve()
        if self._device is not None:
            facts = device_facts(self._device, read_mounts(), home=home, boot=boot)
        elif mount.file_system_name in _IN_MEMORY:
            facts = memory_facts(mount, volume_bytes)
        else:
            facts = other_facts(mount)
        # The root folder of another drive is no root folder of the system.
        in_folder = None if self._place == Path(self._place.anchor) != Path("/") else folder_use(self._place, home)
        return _with_system_use(facts, in_folder)

    def _read_only(self, mount: Mount, protection: Fact[tuple[WriteProtection, ...]]) -> Fact[bool]:
        if isinstance(protection, Known) and protection.value:
            return Known(True, protection.source)
        if "ro" in mount.all_options:
            return Known(True, "list of mounts")
        if self._device is not None and "1" in {
            self._device.disk_value("ro"),
            read_value(self._device.folder / "ro"),
        }:
            return Known(True, "sysfs: the device is write-protected")
        return Known(False, "list of mounts and sysfs" if self._device else "list of mounts")


def _psutil_mounts() -> tuple[Mount, ...]:
    """Return what psutil tells of mounts, on systems without mountinfo."""
    return tuple(
        Mount("", "/", str(Path(part.mountpoint)), tuple(part.opts.split(",")), part.fstype, part.device, ())
        for part in psutil.disk_partitions(all=True)
    )


def _sizes(place: Path) -> tuple[Fact[int], Fact[int], Fact[int]]:
    """Return the volume's size, its free room for an ordinary user, and its clusters' size, all in bytes."""
    if not hasattr(os, "statvfs"):
        usage = psutil.disk_usage(str(place))
        source = "psutil.disk_usage"
        return Known(usage.total, source), Known(usage.free, source), Unknown("not told by this system")
    info = os.statvfs(place)
    block = info.f_frsize
    return (
        Known(info.f_blocks * block, "statvfs"),
        Known(info.f_bavail * block, "statvfs"),
        Known(block, "statvfs"),
    )


def _file_system_name(mount: Mount, device: DeviceFacts) -> Fact[str]:
    if mount.file_system_name != "fuseblk":
        return Known(mount.file_system_name, "list of mounts")
    # A driver outside the kernel: what it drives is known to udev only.
    return device.file_system_type


def _file_system(name: Fact[str], device: DeviceFacts) -> Fact[FileSystem]:
    if isinstance(name, Unknown):
        return name
    found = _FILE_SYSTEMS.get(name.value.lower(), FileSystem.OTHER)
    if found is FileSystem.VFAT and isinstance(device.fat_width, Known):
        return device.fat_width
    return Known(found, name.source)


def _root_entries(file_system: Fact[FileSystem], boot: BootFacts) -> Fact[int | None]:
    if isinstance(file_system, Unknown):
        return file_system
    if file_system.value in {FileSystem.FAT12, FileSystem.FAT16, FileSystem.VFAT}:
        return boot.root_entries
    return Known(None, f"{file_system.value} has no such limit")


def _with_system_use(facts: DeviceFacts, in_folder: str | None) -> DeviceFacts:
    if in_folder is None:
        return facts
    known = facts.system_use.value if isinstance(facts.system_use, Known) else ()
    return replace(facts, system_use=Known((in_folder, *known), "the folder's place"))
