"""What of the running system lies in a folder or on a disk. Where something does, nothing is ever written there."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path

from mediaprep.devices.block import BlockDevice, block_device, named_device, read_value
from mediaprep.devices.mounts import Mount, device_number, mount_over

# Folders of Linux (hier(7)), macOS and common live systems that hold the system, with all that is in them.
_SYSTEM_FOLDERS = (
    "/bin", "/boot", "/cdrom", "/dev", "/efi", "/etc", "/isodevice", "/lib", "/lib32", "/lib64", "/libx32", "/nix",
    "/opt", "/proc", "/root", "/run", "/sbin", "/snap", "/srv", "/sys", "/usr", "/var",
    "/Applications", "/Library", "/System", "/cores", "/private/etc", "/private/var",
)  # fmt: skip
# What may be used all the same, below but not these themselves.
_FREE_WITHIN = (
    "/run/media", "/run/user", "/var/tmp", "/var/folders", "/private/var/tmp", "/private/var/folders",  # noqa: S108
    "/dev/shm",  # noqa: S108
)  # fmt: skip
# Folders of many people or programs: what is in them may be used, they themselves not.
_SHARED_FOLDERS = ("/", "/home", "/tmp", "/private/tmp", "/media", "/Users", "/Volumes", "C:/Users")  # noqa: S108
# Windows names the system's folders in these variables.
_WINDOWS_FOLDERS = ("SystemRoot", "ProgramFiles", "ProgramFiles(x86)", "ProgramData")


def folder_use(path: Path, home: Path) -> str | None:
    """Say what makes a folder part of the running system, None where nothing does: `is the home folder`.

    `path` is absolute and free of links. Folders below the home folder and below those for temporary files are free.
    """
    if path == Path(path.anchor):
        return "is the root folder"
    if path == home:
        return "is the home folder"
    if home.is_relative_to(path):
        return "is a folder above the home folder"
    if path in map(Path, _SHARED_FOLDERS):
        return "is a folder that the whole system shares"
    return _system_folder_use(path, home)


def disk_use(device: BlockDevice, mounts: Iterable[Mount], *, home: Path, proc: Path = Path("/proc")) -> list[str]:
    """Say what of the running system lies on the disk of a device or on anything stacked upon it; empty: nothing.

    Mounted system folders, swap, RAID, logical volumes, encryption in use, and boot partitions of an eMMC count.
    """
    mounts = tuple(mounts)
    members = _stack(device)
    names = {member.name for member in members}
    uses = (_mount_use(mount, home) for mount in mounts if _name_of(mount, device.sysfs) in names)
    found = [use for use in uses if use is not None]
    found += [f"holds swap ({name})" for name in sorted(_swap_devices(mounts, device.sysfs, proc) & names)]
    for member in members:
        if member.disk_value("dm/uuid") is not None:
            found.append(f"holds a logical or encrypted volume in use ({member.name})")
        elif member.disk_value("md/level") is not None:
            found.append(f"is part of a RAID ({member.name})")
    found += [
        f"has a boot partition of an eMMC ({part.name})"
        for part in device.partitions()
        if read_value(part / "partition") is None
    ]
    return list(dict.fromkeys(found))


def _system_folder_use(path: Path, home: Path) -> str | None:
    """Say which system folder a path is or lies in, None where it lies in none or belongs to the home folder."""
    return None if path.is_relative_to(home) and _holds_a_person(home) else _in_system_folder(path)


def _in_system_folder(path: Path) -> str | None:
    if any(path != Path(free) and path.is_relative_to(free) for free in _FREE_WITHIN):
        return None
    windows = [os.environ[name] for name in _WINDOWS_FOLDERS if name in os.environ]
    for folder in map(Path, (*_SYSTEM_FOLDERS, *windows)):
        if path == folder:
            return f"is the system folder {folder}"
        if path.is_relative_to(folder):
            return f"lies in the system folder {folder}"
    return None


def _holds_a_person(home: Path) -> bool:
    """Say whether a home folder is a person's or a service's own; old system accounts have /, /bin or /usr/sbin."""
    if home == Path(home.anchor):
        return False
    return _in_system_folder(home) is None or home == Path("/root") or Path("/var/lib") in home.parents


def _mount_use(mount: Mount, home: Path) -> str | None:
    point = Path(mount.mount_point)
    if point == Path("/"):
        return "holds the root file system"
    if home.is_relative_to(point):
        return f"holds the home folder ({point})"
    if point == Path("/home") or _system_folder_use(point, home) is not None:
        return f"holds {point}"
    return None


def _stack(device: BlockDevice) -> list[BlockDevice]:
    """Return a device's disk, the disks beneath it, all their partitions, and all that is stacked upon these."""
    found: dict[Path, BlockDevice] = {}
    waiting = [device.disk]
    while waiting:
        folder = waiting.pop()
        number = read_value(folder / "dev")
        if folder in found or number is None:
            continue
        member = block_device(number, device.sysfs)
        if member is None:
            continue
        found[folder] = member
        waiting += [member.disk, *member.partitions()]
        waiting += [link.resolve() for kind in ("holders", "slaves") for link in _links(folder / kind)]
    return list(found.values())


def _links(folder: Path) -> Iterator[Path]:
    return folder.iterdir() if folder.is_dir() else iter(())


def _name_of(mount: Mount, sysfs: Path) -> str | None:
    number = device_number(mount, sysfs)
    device = None if number is None else block_device(number, sysfs)
    return None if device is None else device.name


def _swap_devices(mounts: tuple[Mount, ...], sysfs: Path, proc: Path) -> set[str]:
    """Return the names of the devices that swap lies on: partitions, or those under swap files."""
    found: set[str] = set()
    for line in (read_value(proc / "swaps") or "").splitlines()[1:]:
        place, kind, *_ = line.split()
        if kind == "partition":
            device = named_device(Path(os.path.realpath(place)).name, sysfs)
            name = None if device is None else device.name
        else:
            mount = mount_over(place, mounts)
            name = None if mount is None else _name_of(mount, sysfs)
        if name is not None:
            found.add(name)
    return found
