"""What a volume's own first sectors tell, where the device may be read: what udev does not know, and its marks."""

from __future__ import annotations

from dataclasses import dataclass

from mediaprep.devices.block import BlockDevice
from mediaprep.devices.raw import open_raw
from mediaprep.model import Fact, FileSystem, Known, Unknown, VolumeState
from mediaprep.volumes import FatVolume, Reader, Volume, VolumeUnreadable, read_marks, read_volume, state_of

_SOURCE = "boot record"
_ROOT_ONLY = "Run as a user who may read the device, or put files into folders."


@dataclass(frozen=True, slots=True)
class BootFacts:
    """What stands in a volume's boot record. `root_entries` is Known(None) where the top folder has no limit."""

    file_system: Fact[FileSystem]
    root_entries: Fact[int | None]
    label: Fact[str]
    volume_serial: Fact[str]
    volume_state: Fact[VolumeState]


def not_read(reason: str, remedy: str = "") -> BootFacts:
    """Return the facts of a boot record that was not read."""
    unknown = Unknown(reason, remedy)
    return BootFacts(
        unknown,
        Unknown(
            f"the number of root folder entries stands only in the volume's first sector, and {reason}", _ROOT_ONLY
        ),
        unknown,
        unknown,
        unknown,
    )


NOT_ASKED = not_read("the boot record was not read")


def boot_facts(device: BlockDevice, *, marked_in_use: bool) -> BootFacts:
    """Read the boot record of a disk or partition. Never raises.

    `marked_in_use`: the driver that has it mounted now keeps a mark there of its own, for as long as it may write.
    """
    try:
        raw = open_raw(device)
    except OSError as error:
        why = f"/dev/{device.name} cannot be read: {error.strerror}"
        return not_read(why, "Run as a user who may read the device, such as one of the group 'disk'.")
    try:
        return facts_read(raw.read, marked_in_use=marked_in_use)
    except (VolumeUnreadable, OSError) as error:
        return not_read(f"the boot record of {device.name} makes no sense: {error}", "Have the volume checked.")
    finally:
        raw.close()


def facts_read(read: Reader, *, marked_in_use: bool) -> BootFacts:
    """Return what the boot record of a volume tells. Raise VolumeUnreadable or OSError."""
    volume = read_volume(read)
    state = state_of(read, volume)
    if state is VolumeState.DIRTY and marked_in_use and not _is_dirty_in_table(read, volume):
        state = VolumeState.IN_USE
    if not isinstance(volume, FatVolume):
        return BootFacts(
            Known(FileSystem.EXFAT, _SOURCE),
            Known(None, "exfat has no such limit"),
            Unknown("exFAT keeps its label in the top folder"),
            Known(volume.serial, _SOURCE),
            Known(state, f"{_SOURCE}, volume flags"),
        )
    serial: Fact[str] = Unknown("the boot record has no serial number")
    return BootFacts(
        Known(volume.width_as_used, _width_source(volume)),
        Known(volume.root_entries or None, _SOURCE),
        Known(volume.label, _SOURCE),
        serial if volume.serial is None else Known(volume.serial, _SOURCE),
        Known(state, f"{_SOURCE} and allocation table"),
    )


def _is_dirty_in_table(read: Reader, volume: Volume) -> bool:
    """Say whether the table, where Linux leaves no mark, says that a FAT volume was not cleanly unmounted."""
    return isinstance(volume, FatVolume) and bool(read_marks(read, volume).dirty_in_table)


def _width_source(volume: FatVolume) -> str:
    if volume.widths_agree:
        return _SOURCE
    return (
        f"{_SOURCE}; by its {volume.cluster_count} clusters alone, as a unit may judge, "
        f"it is {volume.width_by_count.value}"
    )
