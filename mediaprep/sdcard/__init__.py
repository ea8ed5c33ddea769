"""What the SD standards say about a card: its registers decoded, and the family that its capacity makes.

Pure: text as Linux shows it under `/sys/block/mmcblkN/device` in, frozen values out. A reader on USB hides the
registers; then only the capacity tells the family.
"""

from mediaprep.sdcard.bits import LastByte, RegisterInvalid, crc7
from mediaprep.sdcard.cid import Cid, decode_cid
from mediaprep.sdcard.csd import Csd, decode_csd
from mediaprep.sdcard.family import family_of
from mediaprep.sdcard.scr import Scr, decode_scr
from mediaprep.sdcard.ssr import Ssr, decode_ssr

__all__ = [
    "Cid",
    "Csd",
    "LastByte",
    "RegisterInvalid",
    "Scr",
    "Ssr",
    "crc7",
    "decode_cid",
    "decode_csd",
    "decode_scr",
    "decode_ssr",
    "family_of",
]
