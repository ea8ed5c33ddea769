"""The computer that does the work: room on its file systems, memory, power."""

from __future__ import annotations

import os
import platform
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import psutil

from mediaprep.model import Fact, HostFacts, HostVolume, Known, Unknown

Need = tuple[str, str, int]


class SystemHost:
    """This computer. `station` is its name among those that share the records; by default its network name."""

    def __init__(self, station: str | None = None) -> None:
        self._station = station or platform.node() or "unnamed station"

    def facts(self, needs: Sequence[Need]) -> HostFacts:
        """Return the host's facts for the volumes that hold the paths in `needs`: (role, path, bytes put there)."""
        on_mains, battery_percent = _power(getattr(psutil, "sensors_battery", None))
        return HostFacts(
            station=self._station,
            volumes=_merged((*_volume_of(path), role, needed) for role, path, needed in needs),
            memory_available_bytes=_memory_available(),
            on_mains=on_mains,
            battery_percent=battery_percent,
        )


class SimulatedHost:
    """A computer whose facts are as they are told. It passes for SystemHost in tests and demonstrations.

    `free_bytes` gives the room of each role that has a volume of its own; all other roles share one volume with
    `default_free_bytes`. Everything may be changed between calls. `battery_percent` None: there is no battery.
    """

    def __init__(
        self,
        free_bytes: Mapping[str, int] | None = None,
        *,
        default_free_bytes: int = 10**12,
        free_inodes: int | None = None,
        memory_available_bytes: int = 8 * 10**9,
        on_mains: bool = True,
        battery_percent: float | None = None,
        station: str = "simulated station",
    ) -> None:
        self.free_bytes = dict(free_bytes or {})
        self.default_free_bytes = default_free_bytes
        self.free_inodes = free_inodes
        self.memory_available_bytes = memory_available_bytes
        self.on_mains = on_mains
        self.battery_percent = battery_percent
        self.station = station

    def facts(self, needs: Sequence[Need]) -> HostFacts:
        """Return the facts as scripted, with the needs summed up for each volume."""
        found = []
        for role, _, needed in needs:
            name = role if role in self.free_bytes else "shared disk"
            free = self.free_bytes.get(role, self.default_free_bytes)
            volume = HostVolume(f"simulated {name}", (), 0, Known(free, _SCRIPT), Known(self.free_inodes, _SCRIPT))
            found.append((name, volume, role, needed))
        return HostFacts(
            station=self.station,
            volumes=_merged(found),
            memory_available_bytes=Known(self.memory_available_bytes, _SCRIPT),
            on_mains=Known(self.on_mains, _SCRIPT),
            battery_percent=Known(self.battery_percent, _SCRIPT),
        )


_SCRIPT = "simulated host"


def _merged(found: Iterable[tuple[object, HostVolume, str, int]]) -> tuple[HostVolume, ...]:
    """Join what lies on one file system: (what tells file systems apart, volume, role, bytes needed)."""
    volumes: dict[object, HostVolume] = {}
    for key, fresh, role, needed in found:
        volume = volumes.get(key, fresh)
        roles = volume.roles if role in volume.roles else (*volume.roles, role)
        volumes[key] = HostVolume(
            volume.path, roles, volume.needed_bytes + needed, volume.free_bytes, volume.free_inodes
        )
    return tuple(volumes.values())


def _volume_of(path: str) -> tuple[int, HostVolume]:
    """Return the device number of the file system that holds a path, and its facts without roles."""
    place = Path(path).absolute()
    while not place.exists() and place != place.parent:
        place = place.parent
    place = place.resolve()
    device = place.stat().st_dev
    top = place
    while top != top.parent and top.parent.stat().st_dev == device:
        top = top.parent
    return device, HostVolume(str(top), (), 0, *_room(place))


def _room(place: Path) -> tuple[Fact[int], Fact[int | None]]:
    """Return free bytes for an ordinary user, and free inodes: Known(None) where the file system counts none."""
    try:
        if not hasattr(os, "statvfs"):
            return Known(psutil.disk_usage(str(place)).free, "psutil.disk_usage"), Known(None, "not counted here")
        info = os.statvfs(place)
    except OSError as error:
        unknown = Unknown(f"{place} gave an error: {error.strerror}", "Make the folder readable.")
        return unknown, unknown
    # FAT, exFAT and Btrfs report 0 inodes in all: they make them as needed.
    free_inodes = info.f_favail if info.f_files else None
    return Known(info.f_bavail * info.f_frsize, "statvfs"), Known(free_inodes, "statvfs")


def _memory_available() -> Fact[int]:
    try:
        return Known(psutil.virtual_memory().available, "psutil.virtual_memory")
    except (OSError, RuntimeError) as error:
        return Unknown(f"the system does not tell: {error}")


def _power(sensor: Callable[[], Any] | None) -> tuple[Fact[bool], Fact[float | None]]:
    """Return whether the computer is on mains, and its battery's charge in percent.

    A computer that shows no battery cannot be running from one, so it counts as on mains. In a virtual machine that
    says nothing of the computer beneath, and the source says what was seen.
    """
    source = "psutil.sensors_battery"
    if sensor is None:
        unknown = Unknown("battery and mains cannot be read on this system", "Look yourself that it is on mains.")
        return unknown, unknown
    try:
        battery = sensor()
    except (OSError, RuntimeError, ValueError) as error:
        unknown = Unknown(f"reading the battery failed: {error}", "Look yourself that the computer is on mains.")
        return unknown, unknown
    if battery is None:
        return Known(True, f"{source}: no battery is shown"), Known(None, f"{source}: no battery is shown")
    on_mains: Fact[bool]
    if battery.power_plugged is None:
        on_mains = Unknown("the battery does not tell whether it is being charged", "Look yourself.")
    else:
        on_mains = Known(bool(battery.power_plugged), source)
    return on_mains, Known(float(battery.percent), source)
