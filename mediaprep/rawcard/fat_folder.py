"""A folder of FAT12, FAT16 or FAT32: entries of 32 bytes, long names in entries before the one they belong to."""

from __future__ import annotations

import struct
from collections.abc import Iterable

from mediaprep.rawcard.files import FolderContents, FolderItem, end_mark_remark

_END, _DELETED, _E5_IN_A_NAME = 0x00, 0xE5, 0x05
_LABEL, _FOLDER, _LONG_NAME = 0x08, 0x10, 0x0F
_LAST_PART = 0x40
_PARTS_MAX = 20  # 255 letters, 13 to an entry
# Written by systems that keep the case of short names: base and extension are lower case.
_LOWER_BASE, _LOWER_EXTENSION = 0x08, 0x10
_DOTS = (b".          ", b"..         ")
# What Linux assumes where the mount does not say otherwise, and what the boards in units mostly have.
_CODE_PAGE = "cp437"


def read_fat_folder(slots: Iterable[bytes], *, is_32: bool) -> FolderContents:
    """Return what a folder's entries say. `slots` may be any 32 bytes each; nothing is raised."""
    contents = FolderContents()
    name = _LongName()
    orphans = after_end = 0
    ended = False
    for slot in slots:
        first, attributes = slot[0], slot[11] & 0x3F
        if ended:
            after_end += first not in {_END, _DELETED} and attributes != _LONG_NAME
        elif first == _END:
            ended = True
        elif attributes == _LONG_NAME and first != _DELETED:
            orphans += name.add(slot)
        else:
            long_name = name.take(slot) if first != _DELETED else None
            orphans += name.clear()
            if first == _DELETED or slot[:11] in _DOTS:
                continue
            if attributes & _LABEL:
                contents.label = contents.label or _text(slot[:11])
            else:
                contents.items.append(_item(slot, long_name, is_32=is_32))
    orphans += name.clear()
    if orphans:
        contents.remarks.append(f"it has parts of {orphans} long names that belong to no file")
    if after_end:
        contents.remarks.append(end_mark_remark(after_end))
    return contents


def short_name_checksum(name: bytes) -> int:
    """Return the checksum of eleven letters by which a long name is tied to its short one."""
    total = 0
    for octet in name:
        total = ((total & 1) << 7) + (total >> 1) + octet & 0xFF
    return total


class _LongName:
    """The parts of a long name seen so far. They come last part first, counted down to 1."""

    def __init__(self) -> None:
        self._units = b""
        self._awaited = 0
        self._checksum: int | None = None

    def add(self, slot: bytes) -> int:
        """Take one part; return how many names this shows to belong to nothing."""
        number, lost = slot[0] & 0x3F, 0
        if slot[0] & _LAST_PART:
            lost = self.clear()
            self._awaited, self._checksum = number, slot[13]
        if not 1 <= number <= _PARTS_MAX or number != self._awaited or slot[13] != self._checksum:
            return self.clear() or 1
        self._units = slot[1:11] + slot[14:26] + slot[28:32] + self._units
        self._awaited -= 1
        return lost

    def take(self, slot: bytes) -> str | None:
        """Return the name if it is whole and belongs to this entry, and forget it then."""
        if self._checksum is None or self._awaited or short_name_checksum(slot[:11]) != self._checksum:
            return None
        name = self._units.decode("utf-16-le", "surrogatepass").partition("\0")[0]
        self.clear()
        return name

    def clear(self) -> int:
        """Forget all parts; return 1 where there were any."""
        had = self._checksum is not None
        self._units, self._awaited, self._checksum = b"", 0, None
        return int(had)


def _item(slot: bytes, long_name: str | None, *, is_32: bool) -> FolderItem:
    high, low, size = struct.unpack_from("<H4xHI", slot, 20)
    is_folder = bool(slot[11] & _FOLDER)
    return FolderItem(
        name=_short_name(slot) if long_name is None else long_name,
        is_folder=is_folder,
        first_cluster=(high << 16 if is_32 else 0) | low,
        size_bytes=0 if is_folder else size,
        valid_bytes=0 if is_folder else size,
    )


def _short_name(slot: bytes) -> str:
    letters = (b"\xe5" if slot[0] == _E5_IN_A_NAME else slot[:1]) + slot[1:11]
    base, extension = _text(letters[:8]), _text(letters[8:])
    if slot[12] & _LOWER_BASE:
        base = base.lower()
    if slot[12] & _LOWER_EXTENSION:
        extension = extension.lower()
    return f"{base}.{extension}" if extension else base


def _text(letters: bytes) -> str:
    return letters.rstrip(b" ").decode(_CODE_PAGE)
