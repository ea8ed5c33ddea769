"""Does the bundle fit the card: clusters, entries in folders, the size of one file."""

from __future__ import annotations

from collections.abc import Mapping

from mediaprep.checks.wording import Check, counted, known_as, unknown_as
from mediaprep.model import CardFacts, FileSystem, Finding, Known, PreflightFacts, Unknown
from mediaprep.names import printable
from mediaprep.quantities import format_bytes, format_cluster
from mediaprep.room import Room, room_needed

CHECKS: Mapping[str, str] = {
    "card.room": "The card has room for the bundle, in whole clusters, with what folders take.",
    "card.root-folder": "The root folder of a FAT12 or FAT16 card has entries enough.",
    "card.folder-entries": "No folder gets more entries than the file system allows.",
    "card.largest-file": "No file is larger than the file system allows.",
}

# A file's size has 32 bits on FAT: Microsoft FAT specification, DIR_FileSize.
FAT_FILE_BYTES_MAX = 2**32 - 1
# Entries in one folder, `.` and `..` included: Linux msdos_fs.h FAT_MAX_DIR_ENTRIES, exfat_raw.h MAX_EXFAT_DENTRIES.
_FAT_FOLDER_SLOTS_MAX = 65_536
_FOLDER_SLOTS_MAX = {FileSystem.EXFAT: 8_388_608, FileSystem.OTHER: None}
# What a cluster may have at most, for where its size is not known: 128 sectors of 512 bytes on FAT, 32 MiB on exFAT
# (Microsoft exFAT specification, 3.1.15). Blocks of Linux file systems have at most 64 KiB too.
_CLUSTER_MAX = 64 * 2**10
_EXFAT_CLUSTER_MAX = 32 * 2**20
_CLUSTER_MIN = 512

_OTHER_CARD = "Use a larger card that the unit's rule allows, or remove files from this one yourself"


def check_room(facts: PreflightFacts) -> list[Finding]:
    """Judge whether the plan fits the card."""
    cluster = facts.card.cluster_bytes
    if isinstance(cluster, Known):
        room = _room(facts, cluster.value)
        clusters = _clusters(facts, cluster, room)
    else:
        room = _room(facts, _CLUSTER_MIN)
        clusters = _without_cluster_size(facts, cluster, room)
    return [clusters, _root_folder(facts, room), _folder_entries(facts, room), _largest_file(facts)]


def _file_system(card: CardFacts) -> FileSystem:
    """Return the card's file system; FAT, which is the strictest, where it is not known."""
    return card.file_system.value if isinstance(card.file_system, Known) else FileSystem.VFAT


def _room(facts: PreflightFacts, cluster_bytes: int) -> Room:
    return room_needed(
        facts.plan, cluster_bytes=cluster_bytes, file_system=_file_system(facts.card), entries=facts.entries
    )


def _clusters(facts: PreflightFacts, cluster: Known[int], room: Room) -> Finding:
    check = Check("card.room", f"card {facts.card_name}")
    free, files = facts.card.free_bytes, format_bytes(facts.plan.bytes_to_write)
    clusters = room.clusters_needed + room.clusters_spare
    if clusters == 0:
        return check.passes("Nothing is written that takes room")
    if isinstance(free, Unknown):
        return unknown_as(check, f"Whether {files} fit on the card", free)
    needed_bytes = clusters * cluster.value
    size = f"{counted(clusters, 'cluster')} of {format_cluster(cluster.value)}"
    evidence = (
        f"{files} of files take {format_bytes(needed_bytes)} at the worst moment, {known_as(size, cluster)} "
        f"with folders and their growth; {known_as(f'free on the card: {format_bytes(free.value)}', free)}"
    )
    if clusters > free.value // cluster.value:
        return check.refuses(evidence, f"{_OTHER_CARD}: {format_bytes(needed_bytes - free.value)} are missing.")
    return check.passes(evidence)


def _without_cluster_size(facts: PreflightFacts, cluster: Unknown, least: Room) -> Finding:
    """Judge by the smallest and the largest clusters there are: `least` is the room with the smallest."""
    check = Check("card.room", f"card {facts.card_name}")
    free, files = facts.card.free_bytes, format_bytes(facts.plan.bytes_to_write)
    if isinstance(free, Unknown):
        return unknown_as(check, f"Whether {files} fit on the card", free)
    largest = _EXFAT_CLUSTER_MAX if _file_system(facts.card) is FileSystem.EXFAT else _CLUSTER_MAX
    most = _room(facts, largest)
    most_bytes = (most.clusters_needed + most.clusters_spare) * largest
    evidence = (
        f"{files} of files take between {format_bytes(least.bytes_needed)} and {format_bytes(most_bytes)}, "
        f"by the size of clusters; {known_as(f'free on the card: {format_bytes(free.value)}', free)}"
    )
    if least.bytes_needed > free.value:
        return check.refuses(evidence, f"{_OTHER_CARD}: {format_bytes(least.bytes_needed - free.value)} are missing.")
    if most_bytes > free.value:
        return check.cannot_tell(evidence, cluster.reason, cluster.remedy)
    return check.passes(evidence)


def _root_folder(facts: PreflightFacts, room: Room) -> Finding:
    check = Check("card.root-folder", f"card {facts.card_name}")
    limit, label = facts.card.root_entries, facts.card.label
    if _file_system(facts.card) not in {FileSystem.FAT12, FileSystem.FAT16, FileSystem.VFAT}:
        return check.passes("The root folder of this file system has no fixed size")
    if isinstance(limit, Unknown):
        return unknown_as(check, f"Whether the root folder can hold {room.root_slots} entries", limit)
    if limit.value is None:
        return check.passes(known_as("The root folder has no fixed size", limit))
    # The volume label, if there is one, is an entry of the root folder too.
    slots = room.root_slots + (0 if isinstance(label, Known) and not label.value else 1)
    evidence = (
        f"The root folder must hold {counted(slots, 'entry', 'entries')} at the worst moment; "
        f"{known_as(f'it has {limit.value}', limit)}"
    )
    if slots > limit.value:
        return check.refuses(
            evidence,
            "Use a card with FAT32 if the unit's rule allows it, or remove files from the top of the card yourself. "
            "A long name takes several entries.",
        )
    return check.passes(evidence)


def _folder_entries(facts: PreflightFacts, room: Room) -> Finding:
    check = Check("card.folder-entries", f"card {facts.card_name}")
    limit = _FOLDER_SLOTS_MAX.get(_file_system(facts.card), _FAT_FOLDER_SLOTS_MAX)
    if limit is None:
        return check.passes("This file system does not limit folders")
    folder = printable(room.fullest_folder) or "the root folder"
    evidence = f"The fullest folder, {folder}, gets {room.fullest_folder_slots} entries; {limit} are allowed"
    if room.fullest_folder_slots > limit:
        return check.refuses(evidence, "Use a card with exFAT if the unit's rule allows it.")
    return check.passes(evidence)


def _largest_file(facts: PreflightFacts) -> Finding:
    check = Check("card.largest-file", f"bundle {facts.bundle.name}")
    entries = [item.entry for item in facts.plan.files if item.bundle == facts.bundle.name]
    largest = max(entries, key=lambda entry: entry.size_bytes, default=None)
    if largest is None:
        return check.passes("The bundle holds no file")
    evidence = f"The largest file, {printable(largest.path)}, has {format_bytes(largest.size_bytes)}"
    if largest.size_bytes <= FAT_FILE_BYTES_MAX:
        return check.passes(f"{evidence}; every file system takes that")
    file_system = facts.card.file_system
    if isinstance(file_system, Unknown):
        return unknown_as(check, f"{evidence}, and whether the card's file system takes that is not known", file_system)
    if file_system.value.is_fat:
        return check.refuses(
            f"{evidence}; {known_as('the card has FAT', file_system)}, where one file may have 4 GiB less one byte",
            "Use a card with exFAT if the unit's rule allows it, or ask the publisher for the bundle in smaller files.",
        )
    return check.passes(f"{evidence}; {known_as(f'{file_system.value} takes that', file_system)}")
