"""Zip archives made by hand, field by field, and the corpus of those that no program should follow."""

from __future__ import annotations

import bz2
import io
import lzma
import struct
import warnings
import zipfile
import zlib
from dataclasses import dataclass, replace

from mediaprep.errors import BundleUnreadable, BundleUnsafe
from tests.bundles.case import DATA, Case


@dataclass(frozen=True)
class Made:
    """One member. What is not None here stands in the archive instead of what would be right."""

    name: bytes = b"nav/a.bin"
    data: bytes = DATA
    method: int = 8
    flags: int = 0x800
    host: int = 3
    mode: int = 0o100644
    dos_attributes: int = 0
    extra: bytes = b""
    packed: bytes | None = None
    crc: int | None = None
    size: int | None = None
    packed_size: int | None = None
    offset: int | None = None
    local_name: bytes | None = None
    local_size: int | None = None
    local_method: int | None = None
    local_flags: int | None = None
    local_crc: int | None = None
    local_extra: bytes | None = None
    after: bytes = b""
    hidden: bytes = b""

    def pack(self) -> bytes:
        if self.packed is not None:
            return self.packed
        if self.method == 8:
            packer = zlib.compressobj(9, zlib.DEFLATED, -15)
            return packer.compress(self.data) + packer.flush() + self.hidden
        return self.data


def zip_of(
    *members: Made,
    before: bytes = b"",
    after: bytes = b"",
    comment: bytes = b"",
    count: int | None = None,
    directory_bytes: int | None = None,
    shift: int = 0,
    gap: bytes = b"",
) -> bytes:
    body, central = before, b""
    for made in members:
        packed = made.pack()
        crc = zlib.crc32(made.data) if made.crc is None else made.crc
        size = len(made.data) if made.size is None else made.size
        packed_size = len(packed) if made.packed_size is None else made.packed_size
        offset = len(body) - shift if made.offset is None else made.offset
        local_extra = made.extra if made.local_extra is None else made.local_extra
        local_name = made.name if made.local_name is None else made.local_name
        local = (
            made.flags if made.local_flags is None else made.local_flags,
            made.method if made.local_method is None else made.local_method,
            0, 0,
            crc if made.local_crc is None else made.local_crc,
            packed_size,
            size if made.local_size is None else made.local_size,
            len(local_name), len(local_extra),
        )  # fmt: skip
        body += struct.pack("<4s5H3L2H", b"PK\3\4", 20, *local) + local_name + local_extra + packed + made.after
        central += struct.pack(
            "<4s6H3L5H2L", b"PK\1\2", made.host << 8 | 30, 20, made.flags, made.method, 0, 0, crc, packed_size, size,
            len(made.name), len(made.extra), 0, 0, 0, made.mode << 16 | made.dos_attributes, offset,
        ) + made.name + made.extra  # fmt: skip
    count = len(members) if count is None else count
    size = len(central) if directory_bytes is None else directory_bytes
    body += gap
    end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, count, count, size, len(body) - shift, len(comment))
    return body + central + end + comment + after


def zip64_of(made: Made, *, large_size: int | None = None, end_size: int | None = None) -> bytes:
    """An archive of one member whose sizes and whose directory are told in zip64 fields only."""
    size, packed = len(made.data), made.pack()
    extra = struct.pack("<HHQQ", 1, 16, size if large_size is None else large_size, len(packed))
    plain = zip_of(replace(made, extra=extra, size=0xFFFFFFFF, packed_size=0xFFFFFFFF))
    start = plain.index(b"PK\1\2")
    length = len(plain) - start - 22
    end = struct.pack("<4sQ2H2L4Q", b"PK\6\6", 44, 45, 45, 0, 0, 1, 1, length if end_size is None else end_size, start)
    locator = struct.pack("<4sLQL", b"PK\6\7", 0, start + length, 1)
    last = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 1, 1, 0xFFFFFFFF, 0xFFFFFFFF, 0)
    return plain[:-22] + end + locator + last


def lzma_member(*, dictionary_bytes: int = 1 << 16) -> Made:
    filters = [{"id": lzma.FILTER_LZMA1, "dict_size": 1 << 16, "lc": 3, "lp": 0, "pb": 2}]
    packed = lzma.compress(DATA, lzma.FORMAT_RAW, filters=filters)
    header = struct.pack("<BBHBL", 9, 4, 5, 3 + 9 * 0 + 45 * 2, dictionary_bytes)
    return Made(method=14, packed=header + packed)


def patched(data: bytes, at: int, value: bytes) -> bytes:
    """Return an archive with other bytes at a place; a negative one counts from the end."""
    at %= len(data)
    return data[:at] + value + data[at + len(value) :]


def unicode_path(name: bytes, other: str, *, crc: int | None = None) -> bytes:
    value = struct.pack("<BL", 1, zlib.crc32(name) if crc is None else crc) + other.encode()
    return struct.pack("<HH", 0x7075, len(value)) + value


def bomb(size: int) -> bytes:
    """`size` zeros as 20 members."""
    zeros = Made(data=bytes(size // 20))
    packed = replace(zeros, data=b"", packed=zeros.pack(), crc=zlib.crc32(zeros.data), size=len(zeros.data))
    return zip_of(*(replace(packed, name=b"%d.bin" % number) for number in range(20)))


def overlapping() -> bytes:
    """One run of packed bytes that several members claim, as in the bombs that overlap."""
    first = Made(b"one.bin")
    return zip_of(first, replace(first, name=b"two.bin", offset=0, local_name=b"two.bin", packed_size=40))


def quoted() -> bytes:
    """The header of the second member lies in the data of the first, which is stored around it."""
    inner = zip_of(Made(b"inner.bin", method=0))
    inner = inner[: inner.index(b"PK\1\2")]
    outer = Made(b"outer.bin", inner, method=0)
    return zip_of(outer, Made(b"inner.bin", b"", method=0, crc=zlib.crc32(DATA), size=len(DATA),
                             packed_size=len(DATA), offset=30 + len(outer.name)))  # fmt: skip


def duplicate() -> bytes:
    made = io.BytesIO()
    with warnings.catch_warnings(), zipfile.ZipFile(made, "w") as archive:
        warnings.simplefilter("ignore")
        archive.writestr("a.bin", b"one")
        archive.writestr("a.bin", b"two")
    return made.getvalue()


def two_ends() -> bytes:
    """An archive whose comment is the end of another one."""
    shown, hidden = zip_of(Made(b"shown.bin")), zip_of(Made(b"hidden.bin"))
    at = shown.index(b"PK\5\6")
    start = shown.index(b"PK\1\2")
    body = shown[:at] + struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, 1, 1, at - start, start, len(hidden))
    return body + hidden


def cases() -> list[Case]:
    """Every row that is about zip, each with what must come of it: an error that names it, or None where it is fine."""
    unsafe, damaged = BundleUnsafe, BundleUnreadable
    good = Made()
    names = [
        ("leaves by ..", b"../evil.bin", "leaves the folder"),
        ("leaves by .. in the middle", b"a/../../evil.bin", "leaves the folder"),
        ("absolute", b"/etc/evil.bin", "root folder"),
        ("./ before the name", b"./a.bin", "'.' as a part"),
        ("empty part", b"a//b.bin", "without a name"),
        ("backslash", b"..\\evil.bin", "backslash"),
        ("drive with backslash", b"C:\\x.bin", "backslash"),
        ("network share", b"\\\\server\\share\\x", "backslash"),
        ("drive", b"C:/x.bin", "colon"),
        ("stream", b"a:b", "colon"),
        ("NUL", b"a.bin\0.txt", "control character"),
        ("control character", b"a\x1b[2J.bin", "control character"),
        ("empty name", b"", "without a name .* is empty"),
        ("not UTF-8, though marked", b"caf\xe9.bin", "not marked as UTF-8"),
        ("very long path", b"/".join([b"x" * 200] * 21), "4095 bytes"),
        ("very long name", b"x" * 256, "255 characters"),
        ("very deep", b"d/" * 64 + b"x", "64 folders"),
    ]
    found = [Case(f"zip: {title}", zip_of(good, Made(name)), unsafe, match) for title, name, match in names]
    found += [
        Case("zip: name in an old code page", zip_of(Made(b"caf\x82.bin", flags=0)), unsafe, "not marked"),
        Case("zip: name that may be in a code page", zip_of(Made("ñ".encode(), flags=0, host=0)), unsafe, "not marked"),
        Case("zip: fine, UTF-8 of Unix without its mark", zip_of(Made("ñ".encode(), flags=0)), None, ""),
        Case("zip: folder that leaves", zip_of(good, Made(b"../", b"", 0, mode=0o40755)), unsafe, "leaves the folder"),
        Case("zip: litter that leaves", zip_of(good, Made(b"../.DS_Store")), unsafe, "leaves the folder"),
        Case("zip: symbolic link", zip_of(good, Made(b"link", b"/etc/passwd", 0, mode=0o120777)), unsafe, "is a link"),
        Case("zip: link of Windows", zip_of(good, Made(b"link", dos_attributes=0x400, mode=0)), unsafe, "is a link"),
        Case("zip: device", zip_of(good, Made(b"dev", b"", 0, mode=0o60644)), unsafe, "no plain file"),
        Case("zip: pipe", zip_of(good, Made(b"pipe", b"", 0, mode=0o10644)), unsafe, "no plain file"),
        Case("zip: folder called a file", zip_of(good, Made(b"d", b"", 0, mode=0o40755)), unsafe, "d .* in another"),
        Case("zip: file called a folder", zip_of(good, Made(b"d/", b"", 0)), unsafe, "d/ .* in another"),
        Case("zip: folder with contents", zip_of(good, Made(b"d/", mode=0o40755)), unsafe, "contents of its own"),
        Case("zip: the same name twice", duplicate(), unsafe, r"a\.bin .* twice"),
        Case("zip: file and folder", zip_of(Made(b"a"), Made(b"a/b")), unsafe, "both a file and a folder"),
        Case("zip: folder and file", zip_of(Made(b"a/b"), Made(b"a")), unsafe, "both a file and a folder"),
        Case("zip: wrong checksum", zip_of(replace(good, crc=1)), damaged, r"nav/a\.bin .*CRC-32"),
        Case("zip: states more than it holds", zip_of(replace(good, size=9999)), damaged, "nav/a.bin .* 9999"),
        Case("zip: states less than it holds", zip_of(replace(good, size=5)), unsafe, "more than the archive says"),
        Case("zip: stored, states less", zip_of(Made(method=0, size=5)), unsafe, "more than the archive says"),
        Case("zip: encrypted", zip_of(replace(good, flags=0x801)), unsafe, "nav/a.bin .* encrypted"),
        Case("zip: strongly encrypted", zip_of(replace(good, flags=0x841)), unsafe, "encrypted"),
        Case("zip: hidden headers", zip_of(replace(good, flags=0x2800)), unsafe, "encrypted"),
        Case("zip: patch", zip_of(replace(good, flags=0x820)), unsafe, "is a patch"),
        Case("zip: unknown method", zip_of(Made(method=99, packed=DATA)), unsafe, "AES"),
        Case("zip: method 9", zip_of(Made(method=9, packed=DATA)), unsafe, "Deflate64"),
        Case("zip: another name where it lies", zip_of(replace(good, local_name=b"nav/b.bin")), unsafe, "nav/b.bin"),
        Case("zip: another size where it lies", zip_of(replace(good, local_size=5)), unsafe, "another size"),
        Case("zip: another checksum where it lies", zip_of(replace(good, local_crc=5)), unsafe, "checksum"),
        Case("zip: another method where it lies", zip_of(replace(good, local_method=0)), unsafe, "method"),
        Case("zip: encrypted where it lies", zip_of(replace(good, local_flags=0x801)), unsafe, "another size"),
        Case("zip: one header for two", zip_of(good, replace(good, offset=0)), unsafe, "twice|overlaps"),
        Case("zip: overlapping members", overlapping(), unsafe, "overlaps"),
        Case("zip: member inside another", quoted(), unsafe, "overlaps"),
        Case("zip: member inside the directory", zip_of(replace(good, packed_size=400)), unsafe, "overlaps"),
        Case("zip: program before it", zip_of(good, before=b"MZ program"), unsafe, "before its first member"),
        Case("zip: program before it, unadjusted", zip_of(good, before=b"MZ", shift=2), unsafe, "none of its records"),
        Case("zip: bytes between members", zip_of(replace(good, after=b"hidden"), Made(b"b")),
             unsafe, "belong to no|something else"),
        Case("zip: bytes before the directory", zip_of(good, gap=b"hidden" * 9), unsafe, "belong to no"),
        Case("zip: bytes after a member's own end", zip_of(replace(good, hidden=b"x")), unsafe, "after its own end"),
        Case("zip: bytes after the end", zip_of(good) + b"x", unsafe, "after its end record"),
        Case("zip: two end records", two_ends(), unsafe, "two end records"),
        Case("zip: fewer members than stated", zip_of(good, count=2), damaged, "directory"),
        Case("zip: more members than stated", zip_of(good, Made(b"b"), count=1), unsafe, "more in it"),
        Case("zip: cut in half", zip_of(good)[:90], damaged, "end record"),
        Case("zip: directory elsewhere", zip_of(good, directory_bytes=9999), damaged, "beyond the archive"),
        Case("zip: wrong descriptor", zip_of(Made(flags=0x808, after=b"PK\7\x08" + b"x" * 12)),
             unsafe, "something else"),
        Case("zip: no descriptor where one is due", zip_of(Made(flags=0x808)), unsafe, "something else"),
        Case("zip: zip64 sizes that differ", zip64_of(good, large_size=5), unsafe, "more than the archive says"),
        Case("zip: zip64 end out of place", zip64_of(good, end_size=5), unsafe, "none of its records"),
        Case("zip: zip64 field too short", zip_of(replace(good, size=0xFFFFFFFF)), damaged, "too short"),
        Case("zip: two zip64 fields", zip_of(replace(good, extra=b"\1\0\0\0\1\0\0\0")), unsafe, "two ways"),
        Case("zip: a second name", zip_of(replace(good, extra=unicode_path(good.name, "../evil"))),
             unsafe, "two names"),
        Case("zip: a name for another name", zip_of(replace(good, extra=unicode_path(b"x", "y", crc=1))),
             unsafe, "two names"),
        Case("zip: damaged deflate", zip_of(Made(packed=b"\xff" * 50)), damaged, "nav/a.bin .* damaged"),
        Case("zip: damaged bzip2", zip_of(Made(method=12, packed=b"BZh9" + b"x" * 50)), damaged, "damaged"),
        Case("zip: bzip2 without its end", zip_of(Made(method=12, packed=bz2.compress(DATA)[:-5])),
             damaged, "end mark|damaged"),
        Case("zip: LZMA that wants 2 GiB of memory", zip_of(lzma_member(dictionary_bytes=2**31)), unsafe, "memory"),
        Case("zip: LZMA without a header", zip_of(Made(method=14, packed=b"\1")), damaged, "LZMA"),
        Case("zip: states an exabyte", zip64_of(good, large_size=2**60), unsafe, "larger than"),
        Case("zip: bomb, 1.2 GB of zeros", bomb(1_200_000_000), unsafe, "200 times"),
        Case("zip: no member at all", zip_of(), None, ""),
        Case("zip: fine, with a comment", zip_of(good, comment=b"cycle 2613"), None, ""),
        Case("zip: fine, descriptor", zip_of(Made(flags=0x808, local_crc=0, after=struct.pack(
            "<4sLLL", b"PK\7\x08", zlib.crc32(DATA), len(Made().pack()), len(DATA)))), None, ""),
        Case("zip: fine, zip64", zip64_of(good), None, ""),
        Case("zip: fine, bzip2", zip_of(Made(method=12, packed=bz2.compress(DATA))), None, ""),
        Case("zip: fine, LZMA", zip_of(lzma_member()), None, ""),
        Case("zip: fine, name in a field of its own", zip_of(
            Made(b"caf\x82.bin", flags=0, extra=unicode_path(b"caf\x82.bin", "café.bin"))), None, ""),
    ]  # fmt: skip
    plain, wide, central = zip_of(good), zip64_of(good), zip_of(good).index(b"PK\1\2")
    # Places in the records by APPNOTE 6.3.10, 4.3.7, 4.3.12 and 4.3.14 to 4.3.16.
    found += [
        Case("zip: one part of several", patched(plain, -18, b"\1\0"), damaged, "was split"),
        Case("zip: member in another part", patched(plain, central + 34, b"\5\0"), damaged, "another part"),
        Case("zip: cut in its end record", plain[:-5], damaged, "cut short in its end record"),
        Case("zip: zip64 end record that differs", patched(wide, -14, b"\7\0\7\0"),
             unsafe, "two end records that differ"),
        Case("zip: zip64 end record elsewhere", patched(wide, -34, bytes(8)), unsafe, "not where it should be"),
        Case("zip: zip64 end record damaged", patched(wide, -98, b"XX"), damaged, "damaged zip64 end record"),
        Case("zip: states 16 million members", patched(patched(wide, -14, b"\xff" * 4), -74, b"\0\0\0\1\0\0\0\0" * 2),
             unsafe, "more than is believed"),
        Case("zip: name beyond the end", patched(plain, central + 28, b"\xff\xff"), damaged, "ends in the directory"),
        Case("zip: no header where one should be", patched(plain, 0, b"XX"), damaged, "not where the directory says"),
        Case("zip: header beyond the end", patched(plain, 28, b"\xff\xff"), damaged, "ends in its header"),
        Case("zip: header into the directory", patched(plain, 28, b"\x20\0"), unsafe, "overlaps"),
        Case("zip: fine, its name in a field once more", zip_of(replace(
            good, local_extra=unicode_path(good.name, "nav/a.bin"), extra=b"")), None, ""),
        Case("zip: name that differs where it lies", zip_of(Made(
            b"caf\x82", flags=0, extra=unicode_path(b"caf\x82", "one"), local_extra=unicode_path(b"caf\x82", "two"))),
             unsafe, "another name where it lies"),
        Case("zip: second name in no encoding", zip_of(replace(
            good, extra=unicode_path(good.name, "x")[:-1] + b"\xff")), unsafe, "two names"),
    ]  # fmt: skip
    return found
