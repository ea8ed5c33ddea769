"""A card's folders and files as its medium holds them: FAT12, FAT16, FAT32 and exFAT read from raw bytes.

Pure: bytes come through a `volumes.Reader`. It is stricter than the system's own driver: what another reader, such as
the one in a unit, might stop at is told as a problem, and what only a forgiving reader would find is not listed.
"""

from mediaprep.rawcard.files import RawCard, RawFile
from mediaprep.rawcard.stream import stream_file
from mediaprep.rawcard.walk import walk_card

__all__ = ["RawCard", "RawFile", "stream_file", "walk_card"]
