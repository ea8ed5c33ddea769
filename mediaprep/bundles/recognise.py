"""What a file is, by what it holds: its name is not asked."""

from __future__ import annotations

from pathlib import Path

from mediaprep.bundles.tar import starts_like_tar

_START_BYTES = 34 * 1024
_TAIL_BYTES = 66 * 1024

# Where a form has its mark, the mark, and what the form is called.
_IMAGES = (
    (32769, b"CD001", "an ISO 9660 disc"),
    (512, b"EFI PART", "a disk with a GPT"),
    (1080, b"\x53\xef", "a volume with ext2, ext3 or ext4"),
    (3, b"EXFAT   ", "a volume with exFAT"),
    (3, b"NTFS    ", "a volume with NTFS"),
    (0, b"hsqs", "a SquashFS volume"),
    (0, b"QFI\xfb", "a virtual disk"),
    (0, b"KDMV", "a virtual disk"),
    (0, b"vhdxfile", "a virtual disk"),
    (0, b"conectix", "a virtual disk"),
    (510, b"\x55\xaa", "a volume with FAT, or a disk with an MBR"),
)
_OTHER_ARCHIVES = (
    (0, b"7z\xbc\xaf\x27\x1c", "a 7z archive"),
    (0, b"Rar!\x1a\x07", "a RAR archive"),
    (0, b"MSCF", "a cabinet"),
    (0, b"!<arch>\n", "an ar archive"),
    (0, b"070701", "a cpio archive"),
)


def is_zip(path: Path) -> bool:
    """Say whether a file is a zip archive, or has one at its end as programs that unpack themselves do.

    Raise OSError.
    """
    with path.open("rb") as opened:
        if opened.read(4) in {b"PK\3\4", b"PK\5\6"}:
            return True
        size = opened.seek(0, 2)
        opened.seek(max(0, size - _TAIL_BYTES))
        tail = opened.read()
    at = tail.rfind(b"PK\5\6")
    return at >= 0 and at + 22 + int.from_bytes(tail[at + 20 : at + 22], "little") == len(tail)


def is_tar(path: Path) -> bool:
    """Say whether a file is a tar archive, packed or not. Raise OSError, BundleUnreadable or BundleUnsafe."""
    return starts_like_tar(path)


def disk_image(path: Path) -> str | None:
    """Return what kind of disk image a file is, None where it is none. Raise OSError."""
    return _marked(path, _IMAGES)


def other_archive(path: Path) -> str | None:
    """Return what kind of archive a file is that cannot be read here, None where it is none. Raise OSError."""
    return _marked(path, _OTHER_ARCHIVES)


def _marked(path: Path, marks: tuple[tuple[int, bytes, str], ...]) -> str | None:
    with path.open("rb") as opened:
        start = opened.read(_START_BYTES)
    return next((title for at, mark, title in marks if start[at : at + len(mark)] == mark), None)
