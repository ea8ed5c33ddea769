"""Tar archives made by hand, header by header, and the corpus of those that no program should follow."""

from __future__ import annotations

import bz2
import gzip
import lzma
import os
import zlib

import zstandard

from mediaprep.errors import BundleUnreadable, BundleUnsafe
from tests.bundles.case import DATA, Case

END = bytes(1024)
# A frame, and a frame to be skipped (RFC 8878, 3.1).
ZSTD_MAGICS = (b"\x28\xb5\x2f\xfd", b"\x50\x2a\x4d\x18")


def header(
    name: bytes,
    size: int | bytes = 0,
    kind: bytes = b"0",
    *,
    link: bytes = b"",
    prefix: bytes = b"",
    magic: bytes = b"ustar\x0000",
    checksum: int | None = None,
) -> bytes:
    field = size if isinstance(size, bytes) else b"%011o\0" % size
    block = bytearray(
        name.ljust(100, b"\0") + b"0000644\0" + b"0000000\0" * 2 + field + b"00000000000\0" + b" " * 8 + kind
        + link.ljust(100, b"\0") + magic + bytes(32 + 32 + 16) + prefix.ljust(155, b"\0") + bytes(12)
    )  # fmt: skip
    assert len(block) == 512
    block[148:156] = b"%06o\0 " % (sum(block) if checksum is None else checksum)
    return bytes(block)


def padded(data: bytes) -> bytes:
    return data + bytes(-len(data) % 512)


def file(name: bytes, data: bytes = DATA, kind: bytes = b"0") -> bytes:
    return header(name, len(data), kind) + padded(data)


def pax(*records: bytes, kind: bytes = b"x") -> bytes:
    """An extended header of records `KEY=VALUE`; one that starts with a digit is taken as it is."""
    text = b""
    for record in records:
        length = len(record) + 2
        while len(str(length)) + len(record) + 2 != length:
            length += 1
        text += record if record[:1].isdigit() else b"%d %s\n" % (length, record)
    return header(b"PaxHeaders/x", len(text), kind) + padded(text)


def long_name(name: bytes, kind: bytes = b"L") -> bytes:
    return header(b"././@LongLink", len(name) + 1, kind) + padded(name + b"\0")


def binary(size: int) -> bytes:
    """GNU's form of a size, 12 bytes; a negative number is in two's complement."""
    return size.to_bytes(12, "big", signed=True) if size < 0 else b"\x80" + size.to_bytes(11, "big")


def zstd_with_large_window() -> bytes:
    parameters = zstandard.ZstdCompressionParameters(window_log=30, enable_ldm=True)
    packer = zstandard.ZstdCompressor(compression_params=parameters).compressobj()
    return packer.compress(file(b"a", os.urandom(4096)) + END) + packer.flush()


def xz_with_large_dictionary() -> bytes:
    """An xz file whose header asks for a dictionary of 1.5 GiB. What it holds needs none of it."""
    made = bytearray(lzma.compress(file(b"a") + END, lzma.FORMAT_XZ))
    # .xz file format 1.2.1, 3.1: the block header has the LZMA2 properties (0x21, 1, dictionary) and ends in a CRC-32.
    length = (made[12] + 1) * 4
    at = made.index(b"\x21\x01", 12) + 2
    made[at] = 39
    made[12 + length - 4 : 12 + length] = zlib.crc32(bytes(made[12 : 12 + length - 4])).to_bytes(4, "little")
    return bytes(made)


def cases() -> list[Case]:
    """Every row that is about tar, each with what must come of it: an error that names it, or None where it is fine."""
    unsafe, damaged = BundleUnsafe, BundleUnreadable
    good = file(b"nav/a.bin")
    names = [
        ("leaves by ..", b"../evil.bin", "leaves the folder"),
        ("leaves by .. in the middle", b"a/../../evil.bin", "leaves the folder"),
        ("leaves after ./", b"./../evil.bin", "leaves the folder"),
        ("absolute", b"/etc/evil.bin", "root folder"),
        ("absolute after ./", b".//etc/evil.bin", "root folder"),
        ("empty part", b"a//b.bin", "without a name"),
        ("backslash", b"..\\evil.bin", "backslash"),
        ("drive", b"C:/x.bin", "colon"),
        ("control character", b"a\x1b[2J.bin", "control character"),
        ("not UTF-8", b"caf\xe9.bin", "not UTF-8"),
        ("NUL in the name", b"a.bin\0.txt", "NUL"),
        ("empty name", b"", "without a name"),
        ("the root as a file", b"./", "without a name"),
    ]
    found = [Case(f"tar: {title}", good + file(name) + END, unsafe, match) for title, name, match in names]
    kinds = [
        ("hard link", header(b"b.bin", 0, b"1", link=b"nav/a.bin"), "hard link"),
        ("hard link out", header(b"b.bin", 0, b"1", link=b"../../etc/passwd"), "hard link"),
        ("symbolic link", header(b"link", 0, b"2", link=b"/etc/passwd"), "link is a link|is a link"),
        ("character device", header(b"null", 0, b"3"), "is a device"),
        ("block device", header(b"sda", 0, b"4"), "is a device"),
        ("pipe", header(b"pipe", 0, b"6"), "is a pipe"),
        ("sparse file of GNU", header(b"s", 0, b"S"), "sparse"),
        ("rest of another archive", header(b"m", 0, b"M"), "began in another archive"),
        ("label", header(b"label", 0, b"V"), "label"),
        ("incremental listing", header(b"d", 0, b"D"), "incremental"),
        ("unknown kind", header(b"q", 0, b"Q"), "not known"),
        ("link with contents", file(b"l", DATA, b"2"), "states a size"),
        ("folder with contents", file(b"d/", DATA, b"5"), "contents of its own"),
        ("old folder with contents", file(b"d/", DATA, b"\0"), "contents of its own"),
        ("the same name twice", file(b"nav/a.bin", b"other"), r"nav/a\.bin .* twice"),
        ("twice, once with ./", file(b"./nav/a.bin", b"other"), "twice"),
        ("file and folder", file(b"nav/a.bin/b"), "both a file and a folder"),
        ("folder and file", file(b"nav"), "both a file and a folder"),
        ("link then file through it", header(b"out", 0, b"2", link=b"/tmp") + file(b"out/evil"), "is a link"),
        ("negative size", header(b"n", binary(-512)), "negative"),
        ("size of an exabyte", header(b"n", binary(2**60)), "larger than"),
        ("pax path leaves", pax(b"path=../evil.bin") + file(b"a"), "leaves the folder"),
        ("pax path absolute", pax(b"path=/etc/evil") + file(b"a"), "root folder"),
        ("pax path with NUL", pax(b"path=a\0b") + file(b"a"), "control character"),
        ("pax path empty", pax(b"path=") + file(b"a"), "without a name"),
        ("pax path twice", pax(b"path=a", b"path=b") + file(b"a"), "two entries for the path"),
        ("pax path for all", pax(b"path=all", kind=b"g") + file(b"a"), "of all members"),
        ("pax size for all", pax(b"size=5", kind=b"g") + file(b"a"), "of all members"),
        ("pax size differs", pax(b"size=512") + file(b"a", b"x" * 1024), "two sizes"),
        ("pax size 0 hides a member", pax(b"size=0") + file(b"a", good), "two sizes"),
        ("pax size negative", pax(b"size=-1") + file(b"a"), "no number"),
        ("pax size beyond any", pax(b"size=" + b"9" * 30) + file(b"a"), "no number"),
        ("two pax headers", pax(b"path=a") + pax(b"path=b") + file(b"a"), "second extended"),
        ("pax and GNU names differ", pax(b"path=a") + long_name(b"b") + file(b"c"), "two long names"),
        ("pax in another encoding", pax(b"hdrcharset=BINARY", b"path=caf\xe9") + file(b"a"), "not in UTF-8"),
        ("pax sparse", pax(b"GNU.sparse.major=1", b"GNU.sparse.minor=0") + file(b"a"), "sparse"),
        ("pax header of 2 MiB", header(b"x", 2**21, b"x") + bytes(2**21), "more than 1048576"),
        ("pax header of an exabyte", header(b"x", binary(2**60), b"x"), "more than 1048576"),
        ("GNU name leaves", long_name(b"../" + b"x" * 150) + file(b"a"), "leaves the folder"),
        ("GNU name with NUL", long_name(b"a\0b") + file(b"a"), "NUL"),
        ("GNU name of 2 MiB", header(b"x", 2**21, b"L") + bytes(2**21), "more than 1048576"),
        ("GNU name too long", long_name(b"/".join([b"x" * 200] * 21)) + file(b"a"), "4095 bytes"),
        ("two GNU names", long_name(b"a") + long_name(b"b") + file(b"c"), "second long name"),
    ]
    found += [Case(f"tar: {title}", good + made + END, unsafe, match) for title, made, match in kinds]
    plain = good + END
    found += [
        Case("tar: something after the end", plain + file(b"hidden.bin"), unsafe, "after its end mark"),
        Case("tar: two archives in one", plain + plain, unsafe, "after its end mark"),
        Case("tar: half an end mark", good + bytes(512) + good + END, damaged, "half an end mark"),
        Case("tar: no end mark", good, damaged, r"nav/a\.bin .* before its end mark"),
        Case("tar: cut in a member", plain[:700], damaged, r"nav/a\.bin .* cut short"),
        Case("tar: cut in a header", good + header(b"b")[:100], damaged, r"nav/a\.bin .* ends there"),
        Case("tar: damaged header", good + b"x" * 512 + END, damaged, r"nav/a\.bin .* damaged header"),
        Case("tar: wrong checksum", good + header(b"b", checksum=1) + END, damaged, "damaged header"),
        Case("tar: size that is no number", good + header(b"b", b"99999999999\0") + END, damaged, "no number"),
        Case("tar: pax without a member", good + pax(b"path=b") + END, damaged, "a member should come"),
        Case("tar: pax record too long", good + pax(b"99 path=b\n") + file(b"a") + END, damaged, "extended header"),
        Case("tar: pax record of length 0", good + pax(b"0 path=b\n") + file(b"a") + END, damaged, "extended header"),
        Case("tar: pax record negative", good + header(b"x", 9, b"x") + padded(b"-9 path=b") + file(b"a") + END,
             damaged, "extended header"),
        Case("tar.gz: cut in half", gzip.compress(good + file(b"b", os.urandom(9999)) + END)[:-2000],
             damaged, "ends before"),
        Case("tar.gz: wrong checksum", gzip.compress(plain)[:-8] + b"x" * 8, damaged, "damaged"),
        Case("tar.gz: junk after it", gzip.compress(plain) + b"junk", damaged, "damaged"),
        Case("tar.gz: a second stream", gzip.compress(plain) + gzip.compress(plain), unsafe, "after its end mark"),
        Case("tar.gz: links", gzip.compress(good + header(b"link", 0, b"2", link=b"/") + END), unsafe, "is a link"),
        Case("tar.bz2: cut", bz2.compress(plain)[:-5], damaged, "ends before|damaged"),
        Case("tar.xz: cut", lzma.compress(plain)[:-5], damaged, "ends before|damaged"),
        Case("tar.xz: wants 1.5 GiB of memory", xz_with_large_dictionary(), unsafe, "memory"),
        Case("tar.zst: cut", zstandard.compress(plain)[:-5], damaged, "ends before|damaged"),
        Case("tar.zst: junk after it", zstandard.compress(plain) + b"junk", damaged, "damaged"),
        Case("tar.zst: wants 1 GiB of memory", zstd_with_large_window(), unsafe, "memory"),
        Case("tar.zst: bomb, 1.2 GB of zeros", zstd_bomb(1_200_000_000), unsafe, "200 times"),
        Case("tar: fine", plain, None, ""),
        Case("tar: fine, old form", header(b"a", 3, b"\0", magic=bytes(8)) + padded(b"abc") + END, None, ""),
        Case("tar: fine, prefix", header(b"a.bin", 0, prefix=b"some/folder") + END, None, ""),
        Case("tar: fine, ./ before names", header(b"./", 0, b"5") + file(b"./a") + END, None, ""),
        Case("tar: fine, pax and GNU agree", pax(b"path=a/b") + long_name(b"a/b") + file(b"c") + END, None, ""),
        Case("tar: fine, litter that is a link", good + header(b".DS_Store", 0, b"2") + END, None, ""),
        Case("tar.gz: fine, in two streams", gzip.compress(plain[:600]) + gzip.compress(plain[600:]), None, ""),
        Case("tar.zst: fine, after a skippable frame", b"\x50\x2a\x4d\x18\3\0\0\0abc" + zstandard.compress(plain),
             None, ""),
    ]  # fmt: skip
    return found


def zstd_bomb(size: int) -> bytes:
    packer = zstandard.ZstdCompressor().compressobj()
    made = packer.compress(header(b"zeros.bin", size))
    for _ in range(size // 2**20):
        made += packer.compress(bytes(2**20))
    return made + packer.compress(bytes(size % 2**20 + (-size % 512)) + END) + packer.flush()
