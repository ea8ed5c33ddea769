"""What is known of the device under a volume, and of volumes that have none."""

from __future__ import annotations

import os
import platform
import re
from dataclasses import dataclass
from pathlib import Path

from mediaprep.devices.block import read_value
from mediaprep.devices.mounts import Mount
from mediaprep.model import Fact, Family, FileSystem, Known, PartitionTable, Unknown, WriteProtection
from mediaprep.sdcard import family_of

NO_DEVICE = Unknown("the volume lies on no device that this system tells of", "Use Linux and a card reader.")


@dataclass(frozen=True, slots=True)
class DeviceFacts:
    """What is known of the device under a volume. `file_system_type` is what udev found on it, such as `exfat`."""

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
    fat_width: Fact[FileSystem]
    file_system_type: Fact[str]
    label: Fact[str]
    volume_serial: Fact[str]
    write_protection: Fact[tuple[WriteProtection, ...]]


def family_fact(capacity: Fact[int]) -> Fact[Family]:
    """Return the card family that a capacity makes."""
    return Known(family_of(capacity.value), "the capacity") if isinstance(capacity, Known) else capacity


def memory_facts(mount: Mount, volume_bytes: Fact[int]) -> DeviceFacts:
    """Return the facts of a volume in memory. It lasts until it is unmounted, so its mount is its identity."""
    source = "list of mounts"
    boot = read_value(Path("/proc/sys/kernel/random/boot_id")) or "this boot"
    capacity = volume_bytes
    if isinstance(capacity, Known) and capacity.value == 0:
        capacity = Unknown("the volume in memory has no size of its own", "Mount it with a size.")
    return DeviceFacts(
        simulated=True,
        identity=Known(f"memory {boot} {mount.number}", source),
        insertion=Known(f"{boot} {mount.number}", source),
        device=Known(mount.source, source),
        reader=Known("none: a volume in memory", source),
        removable=Known(False, "a volume in memory"),
        system_use=Known((), source),
        capacity_bytes=capacity,
        family=family_fact(capacity),
        partition_table=Known(PartitionTable.NONE, "a volume in memory"),
        fat_width=Unknown("a volume in memory is no FAT volume"),
        file_system_type=Known(mount.file_system_name, source),
        label=Known("", "a volume in memory has no label"),
        volume_serial=Unknown("a volume in memory has no serial number"),
        write_protection=Known((), "a volume in memory"),
    )


def other_facts(mount: Mount) -> DeviceFacts:
    """Return the facts of a volume whose device cannot be looked at: on a network, or on another system than Linux."""
    source = "list of mounts"
    removable: Fact[bool] = Unknown("this system does not tell whether the volume can be taken out", "Use Linux.")
    system_use: Fact[tuple[str, ...]] = Unknown("this system does not tell what else lies on the disk", "Use Linux.")
    if platform.system() == "Linux":
        removable = Known(False, f"{source}: {mount.file_system_name} lies on no block device")
        system_use = Known((), source)
    elif re.fullmatch(r"[A-Z]:\\?", mount.mount_point):
        # A drive letter. Windows itself says which drives are removable, and which one it runs from.
        removable = Known("removable" in mount.options, "psutil.disk_partitions")
        is_system = mount.mount_point[:2] == os.environ.get("SYSTEMDRIVE", "C:").upper()
        system_use = Known((f"holds the system ({mount.mount_point})",) if is_system else (), "SYSTEMDRIVE")
    return DeviceFacts(
        simulated=False,
        identity=NO_DEVICE,
        insertion=NO_DEVICE,
        device=Known(mount.source, source),
        reader=NO_DEVICE,
        removable=removable,
        system_use=system_use,
        capacity_bytes=NO_DEVICE,
        family=NO_DEVICE,
        partition_table=NO_DEVICE,
        fat_width=NO_DEVICE,
        file_system_type=NO_DEVICE,
        label=NO_DEVICE,
        volume_serial=NO_DEVICE,
        write_protection=NO_DEVICE,
    )
