"""What a mounted volume tells of itself: file systems by their names, and systems that tell less than Linux."""

from __future__ import annotations

import platform
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import psutil
import pytest

from mediaprep.devices import list_cards, mounted, open_card, udev
from mediaprep.devices.device import DeviceFacts
from mediaprep.devices.mounted import MountedCard
from mediaprep.devices.mounts import Mount, read_mounts
from mediaprep.errors import CardGone
from mediaprep.model import CardFacts, FileSystem, Known, PartitionTable, Unknown, value_or_none
from tests.contract.volumes import MIB, loop_volume, memory_volume

Pretend = Callable[[str, Mapping[str, str]], CardFacts]


@pytest.fixture
def pretend(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> object:
    """Facts of a real volume whose mount has another file system's name and of which udev tells this."""
    with loop_volume(tmp_path) as volume:

        def facts(name: str, properties: Mapping[str, str]) -> CardFacts:
            def renamed() -> tuple[Mount, ...]:
                return tuple(
                    replace(mount, file_system_name=name) if mount.source == volume.device else mount
                    for mount in read_mounts()
                )

            monkeypatch.setattr(mounted, "read_mounts", renamed)
            told: Callable[..., DeviceFacts] = partial(udev.device_facts, properties=lambda _: properties)
            monkeypatch.setattr(mounted, "device_facts", told)
            return MountedCard(volume.mount_point).facts()

        yield facts
        monkeypatch.undo()


@pytest.mark.parametrize(
    ("name", "properties", "expected"),
    [
        ("vfat", {"ID_FS_VERSION": "FAT12"}, FileSystem.FAT12),
        ("vfat", {"ID_FS_VERSION": "FAT16"}, FileSystem.FAT16),
        ("vfat", {"ID_FS_VERSION": "FAT32"}, FileSystem.FAT32),
        ("vfat", {"ID_FS_VERSION": "FAT99"}, FileSystem.VFAT),
        ("vfat", {}, FileSystem.VFAT),
        ("msdos", {}, FileSystem.VFAT),
        ("exfat", {"ID_FS_VERSION": "1.0"}, FileSystem.EXFAT),
        ("fuseblk", {"ID_FS_TYPE": "exfat"}, FileSystem.EXFAT),
        ("fuseblk", {"ID_FS_TYPE": "ntfs"}, FileSystem.OTHER),
        ("fuseblk", {}, None),
        ("ext4", {"ID_FS_VERSION": "1.0"}, FileSystem.OTHER),
    ],
)
def test_file_systems_are_told_by_their_names(
    pretend: Pretend, name: str, properties: Mapping[str, str], expected: FileSystem | None
) -> None:
    facts = pretend(name, properties)
    assert value_or_none(facts.file_system) is expected
    if name == "fuseblk":
        assert value_or_none(facts.file_system_name) == properties.get("ID_FS_TYPE")
    else:
        assert value_or_none(facts.file_system_name) == name


@pytest.mark.parametrize(("width", "is_fixed"), [("FAT12", True), ("FAT16", True), ("FAT32", False)])
def test_where_the_root_folder_is_fixed_its_entries_are_not_guessed(
    pretend: Pretend, width: str, is_fixed: bool
) -> None:
    entries = pretend("vfat", {"ID_FS_VERSION": width}).root_entries
    if is_fixed:
        assert isinstance(entries, Unknown)
        assert entries.remedy
    else:
        assert isinstance(entries, Known)
        assert entries.value is None


def test_a_loop_volume_is_simulated_and_whole(tmp_path: Path) -> None:
    with loop_volume(tmp_path, 16 * MIB) as volume:
        facts = open_card(volume.mount_point).facts()
        assert facts.simulated
        assert facts.removable == Known(False, facts.removable.source if isinstance(facts.removable, Known) else "")
        assert value_or_none(facts.device) == volume.device
        assert value_or_none(facts.identity) == f"volume in file {volume.image}"
        assert value_or_none(facts.capacity_bytes) == 16 * MIB
        assert value_or_none(facts.cluster_bytes) == 1024
        assert value_or_none(facts.partition_table) is PartitionTable.NONE
        assert value_or_none(facts.file_system_name) == "ext4"
        assert value_or_none(facts.read_only) is False


def test_a_volume_in_memory_is_simulated(tmp_path: Path) -> None:
    with memory_volume(tmp_path, 4 * MIB) as place:
        facts = open_card(place).facts()
        assert facts.simulated
        assert value_or_none(facts.capacity_bytes) == 4 * MIB
        assert value_or_none(facts.free_bytes) == 4 * MIB
        assert value_or_none(facts.file_system_name) == "tmpfs"


def test_a_mount_point_of_no_device_is_neither_simulated_nor_removable() -> None:
    facts = open_card(Path("/proc")).facts()
    assert not facts.simulated
    assert value_or_none(facts.removable) is False
    assert value_or_none(facts.system_use) == ("is the system folder /proc",)


def test_a_folder_that_is_no_mount_point_is_no_mounted_card(tmp_path: Path) -> None:
    with pytest.raises(CardGone, match="Nothing is mounted"):
        MountedCard(tmp_path)


def test_no_volume_of_this_file_is_listed_as_a_card_in_a_reader(tmp_path: Path) -> None:
    with loop_volume(tmp_path) as volume:
        assert str(volume.mount_point) not in {card.facts().target for card in list_cards()}


def test_a_removable_volume_is_listed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = udev.device_facts

    def removable(*args: object, **kwargs: object) -> DeviceFacts:
        return replace(real(*args, **kwargs), removable=Known(True, "the test"))  # type: ignore[arg-type]

    monkeypatch.setattr(mounted, "device_facts", removable)
    with loop_volume(tmp_path) as volume:
        listed = {card.facts().target for card in list_cards()}
    assert str(volume.mount_point) in listed
    # Even if it were removable: it holds the system.
    assert "/" not in listed


# --- systems that tell less ------------------------------------------------------------------------------------------


@pytest.fixture
def elsewhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that another system than Linux says is a mounted FAT32 volume."""
    part = SimpleNamespace(device="/dev/disk9s1", mountpoint=str(tmp_path), fstype="msdos", opts="rw,nosuid")
    monkeypatch.setattr(platform, "system", lambda: "Darwin")
    monkeypatch.setattr(psutil, "disk_partitions", lambda **_: [part])
    return tmp_path


def test_where_the_system_tells_little_the_rest_is_unknown_not_guessed(elsewhere: Path) -> None:
    card = open_card(elsewhere)
    facts = card.facts()
    assert isinstance(card, MountedCard)
    assert value_or_none(facts.file_system) is FileSystem.VFAT
    assert isinstance(facts.free_bytes, Known)
    for fact in (facts.removable, facts.system_use, facts.capacity_bytes, facts.identity):
        assert isinstance(fact, Unknown)
        assert fact.remedy
    assert not facts.simulated


def test_where_the_system_tells_little_nothing_is_claimed_as_proof(elsewhere: Path) -> None:
    (elsewhere / "some.dat").write_bytes(b"x")
    card = open_card(elsewhere)
    reading = card.read("some.dat")
    assert b"".join(reading) == b"x"
    reading.close()
    assert reading.evidence.value == "cached"
    assert card.remount().value == "assumed"
    assert card.medium_bytes_read() is None
    assert list_cards() == []
