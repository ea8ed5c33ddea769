"""Facts about the device a volume lies on, as Linux tells them: sysfs for the hardware, udev for what is on it.

Everything comes from files that any user may read. pyudev is loaded only when it is asked, and without it, or where
no udev runs, its facts are unknown and say so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from pathlib import Path

from mediaprep.devices.block import BlockDevice, read_value
from mediaprep.devices.boot_facts import NOT_ASKED, BootFacts
from mediaprep.devices.device import DeviceFacts, family_fact
from mediaprep.devices.mounts import Mount
from mediaprep.devices.registers import cid_text, family_by_register, read_csd, write_protection
from mediaprep.devices.system_use import disk_use
from mediaprep.model import Fact, FileSystem, Known, PartitionTable, T, Unknown

Properties = Callable[[str], Mapping[str, str]]

_TABLES = {"dos": PartitionTable.MBR, "gpt": PartitionTable.GPT}
_FAT_WIDTHS = {"FAT12": FileSystem.FAT12, "FAT16": FileSystem.FAT16, "FAT32": FileSystem.FAT32}
_ENCODED = re.compile(rb"\\x([0-9a-fA-F]{2})")
_ASK_UDEV = "Run where udev (systemd-udevd) runs and pyudev is installed."


def udev_properties(number: str) -> Mapping[str, str]:
    """Return what udev knows of a block device, by its number (`major:minor`); empty where it knows nothing.

    Raise ImportError without pyudev.
    """
    import os

    import pyudev

    major, minor = map(int, number.split(":"))
    try:
        found = pyudev.Devices.from_device_number(pyudev.Context(), "block", os.makedev(major, minor))
    except pyudev.DeviceNotFoundError:
        return {}
    return dict(found.properties)


def device_facts(
    device: BlockDevice,
    mounts: tuple[Mount, ...],
    *,
    home: Path,
    boot: BootFacts = NOT_ASKED,
    proc: Path = Path("/proc"),
    properties: Properties = udev_properties,
) -> DeviceFacts:
    """Return all facts about the device that a volume lies on; `boot` answers where udev does not."""
    udev = _Udev(device, properties)
    capacity = _capacity(device)
    is_loop, is_memory = device.disk_name.startswith("loop"), re.fullmatch(r"ram\d+", device.disk_name) is not None
    serial = _first_known(udev.fact("ID_FS_UUID", "volume serial"), boot.volume_serial)
    csd = read_csd(device)
    return DeviceFacts(
        simulated=is_loop or is_memory,
        identity=_identity(device, serial, capacity),
        insertion=_insertion(device, proc),
        device=Known(f"/dev/{device.name}", f"sysfs {device.number}"),
        reader=_reader(device),
        removable=_removable(device),
        system_use=Known(tuple(disk_use(device, mounts, home=home, proc=proc)), "mountinfo, swaps and sysfs"),
        capacity_bytes=capacity,
        family=family_by_register(csd, family_fact(capacity)),
        partition_table=_partition_table(device, udev),
        # The boot record also says where the width can be judged in two ways.
        fat_width=boot.file_system if isinstance(boot.file_system, Known) else _fat_width(udev),
        file_system_type=udev.fact("ID_FS_TYPE", "file system type"),
        label=_first_known(_label(udev), boot.label),
        volume_serial=serial,
        write_protection=write_protection(csd, is_card=not (is_loop or is_memory)),
    )


def _first_known(one: Fact[T], other: Fact[T]) -> Fact[T]:
    """Return the first of two answers that is one; where neither is, why the first is not."""
    return other if isinstance(one, Unknown) and isinstance(other, Known) else one


class _Udev:
    """The properties of one device, asked once, and why there are none."""

    def __init__(self, device: BlockDevice, properties: Properties) -> None:
        self._name = device.name
        self._why = f"udev knows nothing of what is on {device.name}"
        self._found: Mapping[str, str] = {}
        try:
            self._found = properties(device.number)
        except ImportError:
            self._why = "pyudev is not installed"

    def get(self, key: str) -> str | None:
        return self._found.get(key)

    def fact(self, key: str, name: str) -> Fact[str]:
        value = self.get(key)
        return Known(value, f"udev {key}") if value is not None else self.unknown(name)

    def unknown(self, name: str) -> Unknown:
        if "ID_FS_TYPE" in self._found or "ID_PART_ENTRY_SCHEME" in self._found:
            return Unknown(f"udev tells no {name} of {self._name}")
        return Unknown(self._why, _ASK_UDEV)


def _capacity(device: BlockDevice) -> Fact[int]:
    size = device.size_bytes()
    if not size:
        return Unknown(f"the kernel tells no size of {device.disk_name}: its slot may be empty", "Put the card in.")
    return Known(size, f"sysfs {device.disk_name}/size")


def _identity(device: BlockDevice, serial: Fact[str], capacity: Fact[int]) -> Fact[str]:
    """Return what recognises the card again: its own registers, else the volume on it."""
    backing = device.disk_value("loop/backing_file")
    if backing is not None:
        return Known(f"volume in file {backing}", "sysfs loop/backing_file")
    cid = cid_text(device)
    if cid is not None:
        return Known(f"cid {cid}", "card identification register (sysfs device/cid)")
    if isinstance(serial, Known) and isinstance(capacity, Known):
        # A reader on USB hides the card's registers. The serial is lost when the card is formatted.
        return Known(f"volume {serial.value} on {capacity.value} bytes", serial.source)
    why = "the reader hides the card's registers, and the volume's serial number is not known"
    return Unknown(why, _ASK_UDEV)


def _insertion(device: BlockDevice, proc: Path) -> Fact[str]:
    boot = read_value(proc / "sys/kernel/random/boot_id")
    sequence = device.disk_value("diskseq")
    if boot is None or sequence is None:
        return Unknown("this kernel does not number insertions", "Use Linux 5.15 or newer.")
    return Known(f"{boot} {sequence}", "boot_id and sysfs diskseq")


def _reader(device: BlockDevice) -> Fact[str]:
    backing = device.disk_value("loop/backing_file")
    if backing is not None:
        return Known(f"none: a volume in the file {backing}", "sysfs loop/backing_file")
    words = [device.disk_value(f"device/{name}") for name in ("vendor", "model")]
    if any(words):
        return Known(" ".join(word for word in words if word), "sysfs device/vendor and model")
    if device.disk_name.startswith("mmcblk"):
        # The card's own folder lies in that of its host: .../mmc_host/mmc0/mmc0:0001
        return Known(f"card slot {(device.disk / 'device').resolve().parent.name}", "sysfs device")
    return Unknown(f"the kernel names no reader for {device.disk_name}")


def _removable(device: BlockDevice) -> Fact[bool]:
    """Say whether the card can be taken out. The flag of a card slot always reads 0, so the card's type tells there."""
    if device.disk_name.startswith("mmcblk"):
        kind = device.disk_value("device/type")
        if kind is None:
            return Unknown(f"the kernel tells no card type of {device.disk_name}")
        return Known(kind == "SD", f"sysfs device/type reads {kind}")
    flag = device.disk_value("removable")
    if flag is None:
        return Unknown(f"the kernel does not tell whether {device.disk_name} is removable")
    return Known(flag == "1", f"sysfs {device.disk_name}/removable reads {flag}")


def _partition_table(device: BlockDevice, udev: _Udev) -> Fact[PartitionTable]:
    if not device.is_partition:
        return Known(PartitionTable.NONE, f"the volume takes all of {device.disk_name}")
    kind = udev.get("ID_PART_ENTRY_SCHEME") or udev.get("ID_PART_TABLE_TYPE")
    if kind is None:
        return udev.unknown("partition table")
    table = _TABLES.get(kind)
    if table is None:
        return Unknown(f"the partition table of {device.disk_name} is of another kind: {kind}")
    return Known(table, "udev ID_PART_ENTRY_SCHEME or ID_PART_TABLE_TYPE")


def _fat_width(udev: _Udev) -> Fact[FileSystem]:
    version = udev.fact("ID_FS_VERSION", "FAT width")
    if isinstance(version, Unknown):
        return version
    width = _FAT_WIDTHS.get(version.value)
    return Unknown(f"udev tells '{version.value}'") if width is None else Known(width, version.source)


def _label(udev: _Udev) -> Fact[str]:
    encoded = udev.get("ID_FS_LABEL_ENC")
    if encoded is None:
        if udev.get("ID_FS_TYPE") is None:
            return udev.unknown("label")
        return Known("", "udev: the volume has no label")
    plain = _ENCODED.sub(lambda found: bytes([int(found[1], 16)]), encoded.encode())
    return Known(plain.decode(errors="backslashreplace"), "udev ID_FS_LABEL_ENC")
