"""What lies on a card, from its raw bytes: partition tables and the boot records of FAT12, FAT16, FAT32 and exFAT.

Pure: bytes come through a `Reader`. Whatever they are, nothing here loops, crashes or reads beyond what is asked of
the reader: every failure is a VolumeUnreadable that says what is wrong.
"""

from mediaprep.volumes.exfat import ExfatVolume, read_exfat
from mediaprep.volumes.fat import FatVolume, read_fat
from mediaprep.volumes.fat_extras import FatMarks, FsInfo, backup_differences, read_fs_info, read_marks
from mediaprep.volumes.partitions import Layout, Partition, read_layout
from mediaprep.volumes.reading import Reader, VolumeUnreadable, in_bytes, part_of
from mediaprep.volumes.table import AllocationTable
from mediaprep.volumes.upcase import UpcaseTable, read_upcase
from mediaprep.volumes.volume import Volume, read_volume, state_of

__all__ = [
    "AllocationTable",
    "ExfatVolume",
    "FatMarks",
    "FatVolume",
    "FsInfo",
    "Layout",
    "Partition",
    "Reader",
    "UpcaseTable",
    "Volume",
    "VolumeUnreadable",
    "backup_differences",
    "in_bytes",
    "part_of",
    "read_exfat",
    "read_fat",
    "read_fs_info",
    "read_layout",
    "read_marks",
    "read_upcase",
    "read_volume",
    "state_of",
]
