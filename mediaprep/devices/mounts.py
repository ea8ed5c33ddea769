"""What is mounted where, as Linux tells it in /proc/self/mountinfo (proc_pid_mountinfo(5))."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from mediaprep.devices.block import read_value

_ESCAPE = re.compile(r"\\([0-7]{3})")


@dataclass(frozen=True, slots=True)
class Mount:
    """One line of mountinfo. `number` is the device as `major:minor`, `root` what part of its file system is shown."""

    number: str
    root: str
    mount_point: str
    options: tuple[str, ...]
    file_system_name: str
    source: str
    super_options: tuple[str, ...]

    @property
    def all_options(self) -> tuple[str, ...]:
        """The options of the mount and of its file system, each once. `ro` in either place wins over `rw`."""
        joined = tuple(dict.fromkeys((*self.options, *self.super_options)))
        return tuple(option for option in joined if option != "rw") if "ro" in joined else joined


def read_mounts(proc: Path = Path("/proc")) -> tuple[Mount, ...]:
    """Return all mounts, oldest first. Raise OSError where the system has no such list."""
    text = (proc / "self/mountinfo").read_bytes().decode(errors="surrogateescape")
    return tuple(_mount(line) for line in text.splitlines())


def mount_at(path: Path, mounts: Iterable[Mount]) -> Mount | None:
    """Return what is seen at a mount point: the last that was mounted there. None where `path` is none."""
    return next((mount for mount in reversed(tuple(mounts)) if mount.mount_point == str(path)), None)


def mount_over(path: str, mounts: Iterable[Mount]) -> Mount | None:
    """Return the mount that holds a path: the nearest above it."""
    above = [mount for mount in mounts if Path(path).is_relative_to(mount.mount_point)]
    return max(reversed(above), key=lambda mount: len(mount.mount_point), default=None)


def device_number(mount: Mount, sysfs: Path = Path("/sys")) -> str | None:
    """Return the number of the block device that a mount lies on, None where it lies on none that can be told.

    File systems such as Btrfs have a number of their own and name the device in `source`.
    """
    if not mount.number.startswith("0:"):
        return mount.number
    if not mount.source.startswith("/dev/"):
        return None
    # /dev/mapper/NAME is a link to the kernel's own name.
    return read_value(sysfs / "class/block" / Path(os.path.realpath(mount.source)).name / "dev")


def _mount(line: str) -> Mount:
    before, _, after = line.partition(" - ")
    _, _, number, root, mount_point, options, *_ = before.split(" ")
    file_system_name, source, super_options = [*after.split(" "), "", ""][:3]
    return Mount(
        number=number,
        root=_plain(root),
        mount_point=_plain(mount_point),
        options=tuple(options.split(",")),
        file_system_name=file_system_name,
        source=_plain(source),
        super_options=tuple(_plain(super_options).split(",")) if super_options else (),
    )


def _plain(text: str) -> str:
    """Undo the octal escapes of blank, tab, newline and backslash."""
    return _ESCAPE.sub(lambda found: chr(int(found[1], 8)), text)
