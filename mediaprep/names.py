"""Names as file systems take them: which are legal, which are the same file, and what desktop systems leave behind.

Paths are relative with `/` between their parts. `VFAT` follows the FAT rules; `OTHER` those common to the file systems
of Linux and other Unix systems, where names are exact and limited in bytes.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from mediaprep.model import FileSystem

PART_SUFFIX = ".part"

# One name: 255 UTF-16 units on FAT (Linux msdos_fs.h, FAT_LFN_LEN) and exFAT (Microsoft exFAT specification, 7.6.2);
# 255 bytes elsewhere (NAME_MAX of Linux limits.h).
_NAME_MAX = 255
# One path on FAT or exFAT: Windows' MAX_PATH of 260 (Microsoft, "Maximum Path Length Limitation") less drive letter,
# colon, backslash and the closing NUL. Elsewhere PATH_MAX of Linux limits.h, less the closing NUL.
_PATH_UNITS_MAX = 256
_PATH_BYTES_MAX = 4095
# Microsoft, "Naming Files, Paths, and Namespaces"; Linux fs/fat/namei_vfat.c and fs/exfat/nls.c refuse the same.
_FORBIDDEN = frozenset('"*:<>?\\|')
_RESERVED = frozenset(
    ["CON", "PRN", "AUX", "NUL", *(f"{port}{digit}" for port in ("COM", "LPT") for digit in range(1, 10))]
)
# A name that FAT stores in its one short entry: upper case, these marks, at most eight and three. Names with lower
# case letters count as long ones, as Linux (vfat, shortname=mixed) stores them.
_SHORT_NAME = re.compile(r"[A-Z0-9!#$%&'()\-@^_`{}~]{1,8}(\.[A-Z0-9!#$%&'()\-@^_`{}~]{1,3})?")


# --- legal names -----------------------------------------------------------------------------------------------------


def utf16_units(text: str) -> int:
    """Return the length of a text as FAT and exFAT count it: characters above U+FFFF count twice."""
    return len(text.encode("utf-16-le", "surrogatepass")) // 2


def printable(path: str) -> str:
    """Return a path fit to be shown on any terminal: what cannot be printed as `\\u001b`."""
    if path.isprintable():
        return path
    return "".join(letter if letter.isprintable() else f"\\u{ord(letter):04x}" for letter in path)


def name_problems(path: str, file_system: FileSystem) -> list[str]:
    """Say why a file of this path cannot be stored, in sentences that name the part; empty where it can be.

    The temporary name that the file has while it is being written counts too.
    """
    on_fat = _folds(file_system)
    problems: list[str] = []
    for name in path.split("/"):
        problems += _part_problems(name, on_fat=on_fat)
    longest = max(path, part_name(path), key=lambda text: _length(text, on_fat=on_fat))
    length, limit = _length(longest, on_fat=on_fat), _PATH_UNITS_MAX if on_fat else _PATH_BYTES_MAX
    if length > limit:
        written = "" if longest == path else " while it is being written"
        problems.append(f"the whole path is {length} {_unit(on_fat=on_fat)} long{written}; {limit} are allowed")
    return problems


def _part_problems(name: str, *, on_fat: bool) -> Iterator[str]:
    shown = printable(name)
    if name in {"", ".", ".."}:
        yield f"'{shown}' is not a name"
        return
    if any("\ud800" <= letter <= "\udfff" for letter in name):
        yield f"'{shown}' is not valid text in any encoding the card can store"
    length = _length(name, on_fat=on_fat)
    if length > _NAME_MAX:
        yield f"'{shown}' is {length} {_unit(on_fat=on_fat)} long; {_NAME_MAX} are allowed"
    if on_fat:
        yield from _fat_part_problems(name, shown)
    elif "\0" in name:
        yield f"'{shown}' holds the control character U+0000"


def _fat_part_problems(name: str, shown: str) -> Iterator[str]:
    for letter in sorted(set(name) & _FORBIDDEN):
        yield f"'{shown}' holds the character {letter}, which this file system forbids"
    # U+007F is stored by Linux, but fsck.fat then calls the short name bad.
    for letter in sorted({letter for letter in name if letter < " " or letter == "\x7f"}):
        yield f"'{shown}' holds the control character U+{ord(letter):04X}"
    if name[-1] in " .":
        yield f"'{shown}' ends with a {'space' if name[-1] == ' ' else 'dot'}, which is lost or refused on the card"
    if name.partition(".")[0].rstrip(" ").upper() in _RESERVED:
        yield f"'{shown}' is a device name that Windows reserves, with any ending"


def _length(text: str, *, on_fat: bool) -> int:
    return utf16_units(text) if on_fat else len(text.encode("utf-8", "surrogatepass"))


def _unit(*, on_fat: bool) -> str:
    return "characters" if on_fat else "bytes"


def part_name(path: str) -> str:
    """Return the temporary name of a file while it is being written: `NAME.part` in the same folder.

    NAME is cut so that the result is at most 255 bytes of UTF-8, and so at most 255 UTF-16 units: it fits on every
    file system.
    """
    folder, slash, name = path.rpartition("/")
    encoded = name.encode("utf-8", "surrogatepass")
    room = _NAME_MAX - len(PART_SUFFIX)
    if len(encoded) > room:
        name = encoded[:room].decode("utf-8", "ignore")
    return f"{folder}{slash}{name}{PART_SUFFIX}"


def directory_slots(name: str, file_system: FileSystem) -> int:
    """Return how many directory entries of 32 bytes one name takes.

    FAT: 1 for an upper-case 8.3 name, else 1 and one for each 13 UTF-16 units (Linux Documentation, vfat.rst).
    exFAT: 2 and one for each 15 (Microsoft exFAT specification, 7.6 and 7.7). Others are counted as FAT, which is
    more than they need.
    """
    if file_system is FileSystem.EXFAT:
        return 2 + -(-utf16_units(name) // 15)
    if _SHORT_NAME.fullmatch(name):
        return 1
    return 1 + -(-utf16_units(name) // 13)


# --- the same file ---------------------------------------------------------------------------------------------------


def comparison_key(path: str, file_system: FileSystem) -> str:
    """Return a text that is equal for two paths exactly where the file system takes them for the same file.

    FAT and exFAT do not tell upper from lower case, one character at a time, and drop dots and spaces at the end of a
    name. Their tables differ in rare letters; this follows Unicode, which folds at least what they fold.
    """
    if not _folds(file_system):
        return path
    key = path.upper() if path.isascii() else "".join(map(_upper, path))
    if "./" in key or " /" in key or key.endswith((".", " ")):
        key = "/".join(name.rstrip(". ") or name for name in key.split("/"))
    return key


def _folds(file_system: FileSystem) -> bool:
    return file_system.is_fat or file_system is FileSystem.EXFAT


def _upper(letter: str) -> str:
    # Some letters (U+1FB3) have a single capital only as a title-case form; others (U+00DF) have none.
    for capital in (letter.upper(), letter.title()):
        if len(capital) == 1:
            return capital
    return letter


def collisions(paths: Iterable[str], file_system: FileSystem) -> list[tuple[str, ...]]:
    """Return the groups of paths that cannot stand on the file system beside each other, in path order.

    Either they are the same file there, or one needs as a folder what another is as a file.
    """
    by_key: dict[str, list[str]] = {}
    for path in sorted(paths):
        by_key.setdefault(comparison_key(path, file_system), []).append(path)
    groups = [tuple(group) for group in by_key.values() if len(group) > 1]
    for key, group in by_key.items():
        folder = key
        while folder := folder.rpartition("/")[0]:
            if folder in by_key:
                groups.append((by_key[folder][0], group[0]))
    return sorted(groups)


def temporary_collisions(paths: Iterable[str], file_system: FileSystem) -> list[tuple[str, str]]:
    """Return the pairs of paths of which the second is the temporary name of the first, in path order."""
    by_key = {comparison_key(path, file_system): path for path in paths}
    pairs = []
    for path in by_key.values():
        other = by_key.get(comparison_key(part_name(path), file_system))
        if other is not None:
            pairs.append((path, other))
    return sorted(pairs)


def unicode_twins(paths: Iterable[str]) -> list[tuple[str, ...]]:
    """Return the groups of different paths that look the same: they differ only in their Unicode normal form."""
    by_form: dict[str, set[str]] = {}
    for path in paths:
        if not path.isascii():
            by_form.setdefault(unicodedata.normalize("NFC", path), set()).add(path)
    return sorted(tuple(sorted(group)) for group in by_form.values() if len(group) > 1)


# --- litter ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Litter:
    """A file or folder that a desktop system leaves on a card unasked.

    In `pattern`, `*` stands for any characters and `#` for one digit. `root_only`: only at the top of the card, where
    it may be a folder and all in it counts; otherwise a file in any folder.
    """

    pattern: str
    written_by: str
    root_only: bool

    @property
    def expression(self) -> str:
        """The pattern as a regular expression, lower case."""
        return re.escape(self.pattern.lower()).replace(r"\*", ".*").replace(r"\#", "[0-9]")


# Sources: hostilefork.com (2009) and apple.stackexchange.com 14980 for macOS, the BagIt conformance suite for Thumbs.db
# and .DS_Store, dosfstools src/fat.c for FSCK####.REC, the freedesktop.org trash specification; the rest from memory.
# Folders that people fill themselves (DCIM, Android) are left out on purpose: their files count as foreign.
LITTER = (
    Litter("._*", "macOS (resource forks and attributes)", root_only=False),
    Litter(".DS_Store", "macOS Finder", root_only=False),
    Litter(".Spotlight-V100", "macOS Spotlight", root_only=True),
    Litter(".Trashes", "macOS", root_only=True),
    Litter(".fseventsd", "macOS", root_only=True),
    Litter(".TemporaryItems", "macOS", root_only=True),
    Litter(".DocumentRevisions-V100", "macOS", root_only=True),
    Litter(".VolumeIcon.icns", "macOS", root_only=True),
    Litter(".apdisk", "macOS", root_only=True),
    Litter(".metadata_never_index", "macOS, or someone who told it not to index", root_only=True),
    Litter(".com.apple.timemachine.donotpresent", "macOS", root_only=True),
    Litter("System Volume Information", "Windows", root_only=True),
    Litter("$RECYCLE.BIN", "Windows", root_only=True),
    Litter("RECYCLED", "Windows 9x", root_only=True),
    Litter("RECYCLER", "Windows XP and earlier", root_only=True),
    Litter("Thumbs.db", "Windows Explorer", root_only=False),
    Litter("desktop.ini", "Windows Explorer", root_only=False),
    Litter("FOUND.###", "Windows chkdsk", root_only=True),
    Litter("BOOTEX.LOG", "Windows chkdsk", root_only=True),
    Litter("FSCK####.REC", "fsck.fat", root_only=True),
    Litter("FSCK####.###", "fsck.fat", root_only=True),
    Litter("LOST.DIR", "Android", root_only=True),
    Litter(".android_secure", "Android", root_only=True),
    Litter(".Trash", "Linux desktops", root_only=True),
    Litter(".Trash-*", "Linux desktops", root_only=True),
    Litter(".directory", "Linux desktops (KDE)", root_only=False),
    Litter("lost+found", "fsck of Linux file systems", root_only=True),
)
_AT_THE_TOP = re.compile("|".join(litter.expression for litter in LITTER if litter.root_only))
_ANYWHERE = re.compile("|".join(litter.expression for litter in LITTER if not litter.root_only))


def is_litter(path: str) -> bool:
    """Say whether a desktop system left this file or folder: one of LITTER, or a file in such a folder."""
    lower = path.lower()
    top, name = lower.partition("/")[0], lower.rpartition("/")[2]
    return _AT_THE_TOP.fullmatch(top) is not None or _ANYWHERE.fullmatch(name) is not None
