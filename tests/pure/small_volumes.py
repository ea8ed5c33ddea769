"""The smallest volumes of each kind, laid out by hand, with files and folders to spoil.

They are written from the specifications and not by the code under test: offsets are those of Microsoft's FAT and exFAT
specifications. What real tools write is tried in `tests/reference`.
"""

from __future__ import annotations

import struct

SECTOR = 512


def small_fat(width: int) -> bytes:
    """A FAT volume with one-sector clusters: a folder, a file of three clusters in it, and a long name."""
    clusters = {12: 40, 16: 4100, 32: 120}[width]
    table_sectors = -(-(clusters + 2) * {12: 12, 16: 16, 32: 32}[width] // 8 // SECTOR) + 1
    reserved, root_entries = (2, 0) if width == 32 else (1, 16)
    root_sectors = root_entries * 32 // SECTOR
    total = reserved + table_sectors + root_sectors + clusters
    boot = bytearray(SECTOR)
    struct.pack_into("<3s8sHBHBHHBHHHII", boot, 0, b"\xeb\x58\x90", b"BY HAND ", SECTOR, 1, reserved, 1, root_entries,
                     total, 0xF8, 0 if width == 32 else table_sectors, 0, 0, 0, 0)  # fmt: skip
    at = 36
    if width == 32:
        struct.pack_into("<IHHIHH", boot, 36, table_sectors, 0, 0, 2, 1, 0)
        at = 64
    struct.pack_into("<BBBI11s8s", boot, at, 0x80, 0, 0x29, 0x12345678, b"BY HAND    ", b"FAT     ")
    boot[510:] = b"\x55\xaa"
    info = bytearray(SECTOR * (reserved - 1))
    if width == 32:
        struct.pack_into("<I480xIII12xI", info, 0, 0x41615252, 0x61417272, 100, 2, 0xAA550000)

    # Cluster 2 holds the top folder of FAT32, 3 a folder, 4, 6 and 5 a file in it, 7 a file with a long name.
    end = {12: 0xFFF, 16: 0xFFFF, 32: 0x0FFFFFFF}[width]
    entries = [end, end, end, end, 6, end, 5, end]
    top = b"BY HAND    " + b"\x08" + bytes(20)
    top += fat_entry(b"FOLDER     ", 0x10, 3, 0) + long_name("A longer name.data", b"ALONGE~1DAT")
    top += fat_entry(b"ALONGE~1DAT", 0x20, 7, 100) + b"\xe5" + bytes(31)
    inner = fat_entry(b".          ", 0x10, 3, 0) + fat_entry(b"..         ", 0x10, 0, 0)
    inner += fat_entry(b"THREE   BIN", 0x20, 4, 3 * SECTOR - 1)
    heap = bytearray(clusters * SECTOR)
    heap[SECTOR : SECTOR + len(inner)] = inner
    for cluster, letter in ((4, b"4"), (5, b"5"), (6, b"6"), (7, b"7")):
        heap[(cluster - 2) * SECTOR : (cluster - 1) * SECTOR] = letter * SECTOR
    root = bytearray(root_sectors * SECTOR)
    (heap if width == 32 else root)[: len(top)] = top
    return bytes(boot + info + fat_table(entries, width).ljust(table_sectors * SECTOR, b"\0") + root + heap)


def fat_table(entries: list[int], width: int) -> bytes:
    if width == 12:
        number = sum(entry << 12 * at for at, entry in enumerate(entries))
        return number.to_bytes(-(-len(entries) * 3 // 2), "little")
    return struct.pack(f"<{len(entries)}{'H' if width == 16 else 'I'}", *entries)


def fat_entry(name: bytes, attributes: int, cluster: int, size_bytes: int) -> bytes:
    return struct.pack("<11sB8xH4xHI", name, attributes, cluster >> 16, cluster & 0xFFFF, size_bytes)


def long_name(name: str, short: bytes) -> bytes:
    """The entries of a long name, last part first."""
    checksum = 0
    for octet in short:
        checksum = ((checksum & 1) << 7 | checksum >> 1) + octet & 0xFF
    units = name.encode("utf-16-le") + b"\0\0"
    parts = [units[at : at + 26].ljust(26, b"\xff") for at in range(0, len(units), 26)]
    return b"".join(
        struct.pack("<B10sBBB12sH4s", number | (0x40 if number == len(parts) else 0), part[:10], 0x0F, 0, checksum,
                    part[10:22], 0, part[22:])
        for number, part in reversed(list(enumerate(parts, 1)))
    )  # fmt: skip


def small_exfat(files: list[bytes] | None = None, table: dict[int, int] | None = None) -> bytes:
    """An exFAT volume with one-sector clusters.

    Unless given: a folder with a file in three clusters that follow each other, and a file in three that do not.
    `files` are the entries of the top folder after those every volume has, `table` the chains.
    """
    clusters, table_at, table_sectors = 64, 24, 1
    heap_at = table_at + table_sectors
    boot = bytearray(SECTOR)
    boot[:11] = b"\xeb\x76\x90EXFAT   "
    struct.pack_into("<QQIIIIIIHHBBBBB", boot, 64, 0, heap_at + clusters, table_at, table_sectors, heap_at, clusters, 4,
                     0x1234ABCD, 0x0100, 0, 9, 0, 1, 0x80, 0)  # fmt: skip
    boot[510:] = b"\x55\xaa"
    extended = (bytes(SECTOR - 4) + b"\x00\x00\x55\xaa") * 8 + bytes(2 * SECTOR)
    region = bytes(boot) + extended
    checksum = 0
    for at, octet in enumerate(region):
        if at not in {106, 107, 112}:
            checksum = ((checksum & 1) << 31 | checksum >> 1) + octet & 0xFFFFFFFF
    region += struct.pack("<I", checksum) * (SECTOR // 4)

    # Cluster 2 holds the bitmap, 3 the table of capital letters (none but themselves), 4 the top folder, 5 a folder,
    # 6 to 8 the file in one piece, 9, 11 and 10 the other.
    upcase = struct.pack("<HH", 0xFFFF, 0xFFFF)
    upcase_sum = 0
    for octet in upcase:
        upcase_sum = ((upcase_sum & 1) << 31 | upcase_sum >> 1) + octet & 0xFFFFFFFF
    top = struct.pack("<BB18xIQ", 0x81, 0, 2, clusters // 8) + struct.pack(
        "<B3xI12xIQ", 0x82, upcase_sum, 3, len(upcase)
    )
    top += struct.pack("<BB22s8x", 0x83, 4, "HAND".encode("utf-16-le"))
    if files is None:
        files = [exfat_set("folder", 5, SECTOR, is_folder=True), exfat_set("in pieces", 9, 3 * SECTOR - 7)]
    top += b"".join(files)
    heap = bytearray(clusters * SECTOR)
    heap[SECTOR : SECTOR + len(upcase)] = upcase
    heap[2 * SECTOR : 2 * SECTOR + len(top)] = top
    inner = exfat_set("a name of more than fifteen letters", 6, 3 * SECTOR, contiguous=True, valid_bytes=SECTOR + 1)
    heap[3 * SECTOR : 3 * SECTOR + len(inner)] = inner
    for cluster in range(6, 12):
        heap[(cluster - 2) * SECTOR : (cluster - 1) * SECTOR] = b"%x" % cluster * SECTOR
    end = 0xFFFFFFFF
    chains = {0: 0xFFFFFFF8, 1: end, 2: end, 3: end, 4: end, 5: end, 9: 11, 11: 10, 10: end, **(table or {})}
    chain = struct.pack("<64I", *(chains.get(cluster, 0) for cluster in range(64))).ljust(SECTOR, b"\0")
    return region * 2 + chain + bytes(heap)


def exfat_set(
    name: str,
    cluster: int,
    size_bytes: int,
    *,
    is_folder: bool = False,
    contiguous: bool = False,
    valid_bytes: int | None = None,
) -> bytes:
    """The entries of one file or folder."""
    units = name.encode("utf-16-le")
    names = [units[at : at + 30] for at in range(0, len(units), 30)]
    entries = bytearray(struct.pack("<BBHH26x", 0x85, 1 + len(names), 0, 0x10 if is_folder else 0x20))
    flags = 3 if contiguous else 1
    valid = size_bytes if valid_bytes is None else valid_bytes
    entries += struct.pack("<BBBBHHQIIQ", 0xC0, flags, 0, len(name), 0, 0, valid, 0, cluster, size_bytes)
    for part in names:
        entries += struct.pack("<BB30s", 0xC1, 0, part)
    checksum = 0
    for at, octet in enumerate(entries):
        if at not in {2, 3}:
            checksum = ((checksum & 1) << 15 | checksum >> 1) + octet & 0xFFFF
    struct.pack_into("<H", entries, 2, checksum)
    return bytes(entries)
