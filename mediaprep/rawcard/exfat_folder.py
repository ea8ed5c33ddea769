"""A folder of exFAT: for each file a set of entries with a checksum (Microsoft exFAT specification, 6 and 7)."""

from __future__ import annotations

import struct
from collections.abc import Iterable

from mediaprep.rawcard.files import FolderContents, FolderItem, end_mark_remark

_END = 0x00
_SECONDARY = 0xC0  # both bits set: in use, and part of the set before it
_UPCASE, _LABEL, _FILE, _STREAM, _NAME = 0x82, 0x83, 0x85, 0xC0, 0xC1
_FOLDER = 0x10  # among a file's attributes
_CONTIGUOUS = 0x02  # among a stream's flags: no chain in the allocation table
_LETTERS_PER_ENTRY = 15


def read_exfat_folder(slots: Iterable[bytes]) -> FolderContents:
    """Return what a folder's entries say. `slots` may be any 32 bytes each; nothing is raised."""
    folder = _Folder()
    for slot in slots:
        folder.take(slot)
    return folder.close()


class _Folder:
    """The entries of a folder taken so far, with the set that is being put together."""

    def __init__(self) -> None:
        self._contents = FolderContents()
        self._set: list[bytes] = []
        self._awaited = 0
        self._strays = self._after_end = 0
        self._ended = False

    def take(self, slot: bytes) -> None:
        kind = slot[0]
        if self._ended:
            self._after_end += kind == _FILE
        elif kind & _SECONDARY == _SECONDARY:
            self._take_secondary(slot)
        else:
            self._give_up_set()
            self._take_primary(slot)

    def close(self) -> FolderContents:
        self._give_up_set()
        if self._strays:
            self._contents.remarks.append(f"it has {self._strays} entries that belong to no file")
        if self._after_end:
            self._contents.remarks.append(end_mark_remark(self._after_end))
        return self._contents

    def _take_secondary(self, slot: bytes) -> None:
        if not self._awaited:
            self._strays += 1
            return
        self._set.append(slot)
        self._awaited -= 1
        if not self._awaited:
            _take_set(self._set, self._contents)

    def _take_primary(self, slot: bytes) -> None:
        kind = slot[0]
        if kind == _END:
            self._ended = True
        elif kind == _FILE:
            self._set, self._awaited = [slot], slot[1]
            self._strays += not self._awaited
        elif kind == _LABEL:
            self._contents.label = slot[2 : 2 + 2 * min(slot[1], 11)].decode("utf-16-le", "surrogatepass")
        elif kind == _UPCASE:
            self._contents.upcase_entry = self._contents.upcase_entry or slot

    def _give_up_set(self) -> None:
        """Count a set that was begun and is not whole."""
        self._strays += bool(self._awaited)
        self._awaited = 0


def set_checksum(entries: bytes) -> int:
    """Return the 16-bit checksum of a set of entries, which leaves out the two bytes that hold it (6.3.3)."""
    total = 0
    for at, octet in enumerate(entries):
        if at not in {2, 3}:
            total = ((total >> 1 | total << 15) + octet) & 0xFFFF
    return total


def _take_set(entries: list[bytes], contents: FolderContents) -> None:
    """Add the file or folder that a whole set describes, with what is wrong with it."""
    file, stream, names = entries[0], entries[1], entries[2:]
    if stream[0] != _STREAM:
        contents.remarks.append("it has a set of entries without one for the contents")
        return
    count = stream[3]
    needed = -(-count // _LETTERS_PER_ENTRY)
    units = b"".join(name[2:] for name in names[:needed])[: 2 * count]
    attributes = struct.unpack_from("<H", file, 4)[0]
    valid_bytes, first, size_bytes = struct.unpack_from("<8xQ4xIQ", stream, 0)
    item = FolderItem(
        name=units.decode("utf-16-le", "surrogatepass"),
        is_folder=bool(attributes & _FOLDER),
        first_cluster=first,
        size_bytes=size_bytes,
        valid_bytes=valid_bytes,
        is_contiguous=bool(stream[1] & _CONTIGUOUS),
    )
    if set_checksum(b"".join(entries)) != struct.unpack_from("<H", file, 2)[0]:
        item.problem = "its entries have a wrong checksum"
    elif len(units) != 2 * count or any(name[0] != _NAME for name in names[:needed]):
        item.problem = "its name is not whole"
    elif valid_bytes > size_bytes:
        item.problem = f"{valid_bytes} bytes of it are said to be written, and it has {size_bytes}"
    contents.items.append(item)
