"""A tree of sysfs and proc as a kernel shows them, laid out in a folder of the test's own.

The shapes (folders, links, attributes) are those of Linux 6.1 with a card in an emulated slot and in an emulated USB
reader, written down by the author; names of makers are invented.
"""

from __future__ import annotations

from pathlib import Path


class Recorded:
    """`sys` and `proc` below a folder. Devices and mounts are added one by one."""

    def __init__(self, folder: Path) -> None:
        self.sys, self.proc = folder / "sys", folder / "proc"
        for place in ("dev/block", "class/block"):
            (self.sys / place).mkdir(parents=True)
        self._write(self.proc / "sys/kernel/random/boot_id", "5f0c1d0e-0000-4000-8000-00000000b007\n")
        self._write(self.proc / "self/mountinfo", "")
        self.swaps()

    def disk(
        self, name: str, number: str, sectors: int, *, parent: str, device: dict[str, str], **attributes: str
    ) -> Path:
        """Add a disk. `parent` is its device's folder, `device` that device's attributes, the rest the disk's own."""
        above = self.sys / "devices" / parent
        folder = above / "block" / name
        self._block(folder, number, sectors, {"removable": "0", "ro": "0", **attributes})
        (folder / "device").symlink_to("../..")
        for attribute, value in device.items():
            self._write(above / attribute, value + "\n")
        return folder

    def virtual(self, name: str, number: str, sectors: int, **attributes: str) -> Path:
        """Add a disk that is no hardware. Attributes are named with `__` for `/`."""
        folder = self.sys / "devices/virtual/block" / name
        self._block(folder, number, sectors, {"removable": "0", "ro": "0", **attributes})
        return folder

    def part(self, disk: Path, name: str, number: str, sectors: int, *, of_table: bool = True) -> Path:
        """Add a partition of a disk; not `of_table`: one of the eMMC's own areas."""
        folder = disk / name
        self._block(folder, number, sectors, {"ro": "0", **({"partition": "1"} if of_table else {})})
        return folder

    def stack(self, upper: Path, *lower: Path) -> None:
        """Say that one device is built upon others."""
        for below in lower:
            for folder, other in ((below / "holders", upper), (upper / "slaves", below)):
                folder.mkdir(exist_ok=True)
                (folder / other.name).symlink_to(other)

    def mount(self, number: str, point: str, name: str = "ext4", source: str = "none", options: str = "rw") -> None:
        """Add a mount."""
        file = self.proc / "self/mountinfo"
        lines = file.read_text()
        file.write_text(
            f"{lines}{20 + lines.count(chr(10))} 1 {number} / {point} {options} shared:1 - {name} {source} rw\n"
        )

    def swaps(self, *lines: str) -> None:
        """Say what swap there is."""
        self._write(self.proc / "swaps", "\n".join(["Filename\tType\tSize\tUsed\tPriority", *lines]) + "\n")

    def _block(self, folder: Path, number: str, sectors: int, attributes: dict[str, str]) -> None:
        values = {"dev": number, "size": str(sectors), "stat": " 10 0 2048 5 0 0 0 0 0 0 0", **attributes}
        for name, value in values.items():
            self._write(folder / name.replace("__", "/"), value + "\n")
        (self.sys / "dev/block" / number).symlink_to(folder)
        (self.sys / "class/block" / folder.name).symlink_to(folder)

    def _write(self, path: Path, text: str) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
