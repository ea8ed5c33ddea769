"""Block devices as Linux shows them in sysfs (Documentation/ABI/stable/sysfs-block)."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

SECTOR_BYTES = 512  # sysfs counts in these, whatever the device's own sectors are


@dataclass(frozen=True, slots=True)
class BlockDevice:
    """One disk or partition. `folder` is its own folder in sysfs, `disk` that of the whole disk, `sysfs` the root."""

    number: str
    folder: Path
    disk: Path
    sysfs: Path

    @property
    def name(self) -> str:
        """The kernel's name, such as `sdb1`."""
        return self.folder.name

    @property
    def disk_name(self) -> str:
        """The kernel's name of the whole disk, such as `sdb`."""
        return self.disk.name

    @property
    def is_partition(self) -> bool:
        """Whether it is part of a disk."""
        return self.folder != self.disk

    def disk_value(self, attribute: str) -> str | None:
        """Return what a file of the disk says, None where there is none."""
        return read_value(self.disk / attribute)

    def size_bytes(self) -> int | None:
        """Return the size of the whole disk; 0 where its slot is empty."""
        return _sectors(self.disk_value("size"))

    def read_bytes(self) -> int | None:
        """Return how much was read from this very disk or partition since it appeared.

        The third field of its `stat` counts sectors read (Documentation/block/stat.rst). None where nothing is counted.
        """
        if self.disk_value("queue/iostats") == "0":
            return None
        fields = (read_value(self.folder / "stat") or "").split()
        return _sectors(fields[2]) if len(fields) > 2 else None

    def is_there(self, disk_sequence: str | None) -> bool:
        """Say whether the device is still there, its slot not empty, and no other medium in it.

        `disk_sequence` is what `diskseq` was before: the kernel raises it whenever a medium comes or changes.
        """
        return bool(self.size_bytes()) and self.folder.exists() and self.disk_value("diskseq") == disk_sequence

    def partitions(self) -> list[Path]:
        """Return the folders of the disk's partitions, those for booting from an eMMC too."""
        found = [*self.disk.glob("*/partition"), *self.disk.glob(f"{self.disk_name}boot[0-9]/dev")]
        return sorted(path.parent for path in found)


def block_device(number: str, sysfs: Path = Path("/sys")) -> BlockDevice | None:
    """Return the block device of a number (`major:minor`), None where there is none."""
    folder = (sysfs / "dev/block" / number).resolve()
    if not (folder / "dev").exists():
        return None
    is_part = (folder / "partition").exists() or folder.parent.parent.name == "block"
    return BlockDevice(number, folder, folder.parent if is_part else folder, sysfs)


def named_device(name: str, sysfs: Path = Path("/sys")) -> BlockDevice | None:
    """Return the block device of a kernel name, None where there is none."""
    number = read_value(sysfs / "class/block" / name / "dev")
    return None if number is None else block_device(number, sysfs)


def read_value(path: Path) -> str | None:
    """Return the text of a file in sysfs or proc without blanks around it, None where it cannot be read."""
    try:
        return path.read_text(errors="backslashreplace").strip()
    except OSError:
        return None


def _sectors(text: str | None) -> int | None:
    return int(text) * SECTOR_BYTES if text is not None and text.isdigit() else None
