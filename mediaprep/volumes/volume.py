"""A volume of either kind, and what its marks say of how it was left."""

from __future__ import annotations

from typing import TypeAlias

from mediaprep.model import VolumeState
from mediaprep.volumes.exfat import ExfatVolume, looks_like_exfat, read_exfat
from mediaprep.volumes.fat import FatVolume, read_fat
from mediaprep.volumes.fat_extras import read_marks
from mediaprep.volumes.reading import Reader, exactly

Volume: TypeAlias = FatVolume | ExfatVolume


def read_volume(read: Reader) -> Volume:
    """Return the FAT or exFAT volume that a medium or partition holds. Raise VolumeUnreadable where it holds none."""
    boot = exactly(read, 0, 512, "the boot record")
    return read_exfat(read) if looks_like_exfat(boot) else read_fat(read)


def state_of(read: Reader, volume: Volume) -> VolumeState:
    """Return what a volume's own marks, in all places, say of how it was left: the worst of them.

    While Linux has a FAT volume mounted for writing its own mark stands there: then DIRTY says nothing.
    """
    if isinstance(volume, ExfatVolume):
        dirty, faulty = volume.is_dirty, volume.has_error
    else:
        marks = read_marks(read, volume)
        dirty = marks.dirty_in_boot_record or bool(marks.dirty_in_table)
        faulty = marks.error_in_boot_record or bool(marks.error_in_table)
    if faulty:
        return VolumeState.FAULTY
    return VolumeState.DIRTY if dirty else VolumeState.CLEAN
