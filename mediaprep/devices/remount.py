"""Unmount and mount again, so that folders and allocation table come from the medium: for root, on Linux."""

from __future__ import annotations

import fcntl
import os
import stat
import subprocess
from pathlib import Path

from mediaprep.devices.block import BlockDevice
from mediaprep.devices.mounts import Mount, device_number
from mediaprep.errors import CardGone
from mediaprep.model import StructureEvidence

_BLKFLSBUF = 0x1261  # Linux include/uapi/linux/fs.h: write out and forget the device's own buffers
# What the kernel shows among the options but does not take: it follows from the security policy.
_SHOWN_ONLY = frozenset({"seclabel"})


def can_remount(mount: Mount, device: BlockDevice, mounts: tuple[Mount, ...]) -> bool:
    """Say whether the mount can be made again exactly as it is.

    Not for an ordinary user, a driver outside the kernel, a part of a file system, a volume that is mounted more than
    once or has others mounted within, one that is read-only in this place alone, or a loop device that would vanish
    with the unmount.
    """
    beside = [
        other
        for other in mounts
        if other is not mount
        and (
            device_number(other, device.sysfs) == device.number
            or Path(other.mount_point).is_relative_to(mount.mount_point)
        )
    ]
    return (
        os.geteuid() == 0
        and not beside
        and mount.root == "/"
        and ("ro" in mount.options) == ("ro" in mount.super_options)
        and not mount.file_system_name.startswith("fuse")
        and device.disk_value("loop/autoclear") != "1"
        and _is_device(mount.source, device)
    )


def remount(mount: Mount) -> StructureEvidence:
    """Unmount a volume and mount it again; ASSUMED, and nothing changed, where it is busy.

    Raise CardGone where it could be unmounted and then not mounted again.
    """
    if _run("umount", "--internal-only", mount.mount_point) is not None:
        return StructureEvidence.ASSUMED
    try:
        forgotten = _forget(mount.source)
    finally:
        problem = _mount(mount)
    if problem is not None:
        message = f"The card at {mount.mount_point} was unmounted and could not be mounted again: {problem}"
        raise CardGone(
            message,
            remedy=f"Mount it yourself (mount {mount.source} {mount.mount_point}) or put it in again, "
            "then run 'mediaprep verify' on it.",
        )
    return StructureEvidence.REMOUNTED if forgotten else StructureEvidence.ASSUMED


def _forget(source: str) -> bool:
    """Drop what is held of an unmounted device; False where it is still in use, as by a mount seen elsewhere."""
    try:
        # A mounted device is held exclusively, in whatever namespace it is mounted.
        opened = os.open(source, os.O_RDONLY | os.O_EXCL)
    except OSError:
        return False
    try:
        fcntl.ioctl(opened, _BLKFLSBUF, 0)
    except OSError:
        return False
    finally:
        os.close(opened)
    return True


def _mount(mount: Mount) -> str | None:
    options = [option for option in mount.all_options if option not in _SHOWN_ONLY]
    try:
        # A desktop may remove the folder it made for the mount as soon as it sees it unmounted.
        Path(mount.mount_point).mkdir(exist_ok=True)
    except OSError as error:
        return str(error)
    return _run(
        "mount", "--internal-only", "-t", mount.file_system_name, "-o", ",".join(options), mount.source,
        mount.mount_point,
    )  # fmt: skip


def _run(*command: str) -> str | None:
    """Run a tool out of reach of the keyboard's interrupt; return what it complained of, None where all went well."""
    try:
        done = subprocess.run(command, capture_output=True, text=True, check=False, start_new_session=True)
    except OSError as error:
        return str(error)
    return None if done.returncode == 0 else done.stderr.strip() or f"{command[0]} ended with {done.returncode}"


def _is_device(source: str, device: BlockDevice) -> bool:
    try:
        info = Path(source).stat()
    except OSError:
        return False
    return stat.S_ISBLK(info.st_mode) and f"{os.major(info.st_rdev)}:{os.minor(info.st_rdev)}" == device.number
