"""What is read of a card past its file system: from real block devices, and what a readback makes of it."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from mediaprep.clock import SystemClock
from mediaprep.devices import mounted, open_card
from mediaprep.devices.block import BlockDevice, block_device
from mediaprep.devices.boot_facts import boot_facts, facts_read
from mediaprep.devices.faults import CardFaults
from mediaprep.devices.mounts import Mount, read_mounts
from mediaprep.devices.raw import RawDevice, RawView, open_raw
from mediaprep.devices.simulated import SimulatedCard
from mediaprep.errors import CardGone, ReadbackFailed
from mediaprep.model import (
    CardEntry,
    DataEvidence,
    FileSystem,
    ManifestEntry,
    ReadbackReport,
    StructureEvidence,
    Unknown,
    VolumeState,
    value_or_none,
)
from mediaprep.ports import CardAccess, MediumView
from mediaprep.readback import read_back
from mediaprep.volumes import in_bytes, read_exfat, read_fat
from tests.contract.volumes import MIB, loop_volume, memory_volume
from tests.images import attached, make_exfat, make_fat, mounted_exfat, patch, reading
from tests.pure.small_volumes import fat_entry, small_fat
from tests.tools import need, run

CONTENT = {"DATA/FIRST.BIN": os.urandom(70_001), "DATA/EMPTY.BIN": b"", "SECOND.BIN": os.urandom(4096)}


def entry(path: str, content: bytes) -> ManifestEntry:
    return ManifestEntry(path, len(content), hashlib.sha256(content).hexdigest())


WANTED = [entry(path, content) for path, content in CONTENT.items()]


def filled_fat(image: Path) -> Path:
    need("mcopy", "mmd")
    make_fat(image, 16 * MIB, "-F16")
    run("mmd", "-i", image, "::DATA")
    for path, content in CONTENT.items():
        source = image.with_suffix(".tmp")
        source.write_bytes(content)
        run("mcopy", "-i", image, source, f"::{path}")
    return image


def device_of(node: str) -> BlockDevice:
    info = Path(node).stat()
    found = block_device(f"{os.major(info.st_rdev)}:{os.minor(info.st_rdev)}")
    assert found is not None
    return found


def view_of(raw: RawDevice, *, present: bool = True) -> RawView:
    return RawView(raw, CardFaults("The card", lambda: present), "The card")


# --- the device itself -----------------------------------------------------------------------------------------------


def test_any_stretch_of_a_device_reads_as_it_is(tmp_path: Path) -> None:
    # A length that is no whole page: the device ends within an aligned read.
    content = os.urandom(3 * MIB + 512)
    image = tmp_path / "device.img"
    image.write_bytes(content)
    with attached(image) as node:
        raw = open_raw(device_of(node))
        try:
            for offset, length in ((0, 1), (511, 2), (4095, 4098), (1, 3 * MIB), (3 * MIB + 500, 100), (2**40, 5)):
                assert raw.read(offset, length) == content[offset : offset + length]
            # What no device can be asked for is beyond its end.
            assert raw.read(2**63 - 100, 50) == raw.read(2**70, 50) == b""
        finally:
            raw.close()
            raw.close()
        with pytest.raises(OSError, match="let go"):
            raw.read(0, 1)


def test_another_device_is_not_taken_for_this_one(tmp_path: Path) -> None:
    image = tmp_path / "device.img"
    image.write_bytes(bytes(MIB))
    with attached(image) as node:
        device = device_of(node)
        with pytest.raises(OSError, match="not the device"):
            open_raw(replace(device, number="7:9999"))


def test_reads_come_from_the_medium_and_not_from_memory(tmp_path: Path) -> None:
    image = tmp_path / "device.img"
    image.write_bytes(bytes(MIB))
    with attached(image) as node:
        # As long as somebody has the device open, memory keeps what was read of it.
        plain = os.open(node, os.O_RDONLY)
        assert os.pread(plain, 1, 0) == b"\0"
        with image.open("r+b") as file:
            file.write(b"X")
            file.flush()
            os.fsync(file.fileno())
        assert os.pread(plain, 1, 0) == b"\0"
        raw = open_raw(device_of(node))
        assert raw.read(0, 1) == b"X"
        raw.close()
        os.close(plain)


def test_where_reads_past_memory_cannot_be_had_there_is_no_raw_device(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("mediaprep.devices.raw._DIRECT", 0)
    with pytest.raises(OSError, match="past memory"):
        RawDevice(str(tmp_path))


# --- the files on it -------------------------------------------------------------------------------------------------


def test_a_view_lists_and_reads_what_mtools_wrote(tmp_path: Path) -> None:
    with attached(filled_fat(tmp_path / "card.img")) as node:
        view = view_of(open_raw(device_of(node)))
        assert {item.path: item.size_bytes for item in view.entries() if not item.is_folder} == {
            path: len(content) for path, content in CONTENT.items()
        }
        for path, content in CONTENT.items():
            file = view.read(path)
            assert b"".join(file) == content
            assert file.evidence is DataEvidence.DIRECT
            file.close()
        assert view.problems == {}
        for path in ("DATA", "MISSING.BIN"):
            with pytest.raises(ReadbackFailed, match=f"{path} is no file"):
                view.read(path)
        view.close()


def test_a_card_that_makes_no_sense_says_why_and_lets_go(tmp_path: Path) -> None:
    image = tmp_path / "nothing.img"
    image.write_bytes(bytes(MIB))
    raw = RawDevice(str(image))
    with pytest.raises(ReadbackFailed, match=r"strict reader.*no FAT boot record"):
        view_of(raw)
    with pytest.raises(OSError, match="let go"):
        raw.read(0, 1)


def test_a_device_that_ends_within_a_file_is_told_apart_from_one_that_is_gone(tmp_path: Path) -> None:
    image = tmp_path / "short.img"
    data = bytearray(small_fat(12))
    volume = read_fat(in_bytes(data))
    last = volume.cluster_count + 1
    data[volume.root_offset + 32 * 4 : volume.root_offset + 32 * 5] = fat_entry(b"LAST    BIN", 0x20, last, 512)
    # The last cluster's own entry in the table: the end of a chain, in the high or the low twelve bits of three bytes.
    at = volume.table_offset + last * 3 // 2
    data[at : at + 2] = b"\xff\x0f" if last % 2 == 0 else bytes([data[at] | 0xF0, 0xFF])
    image.write_bytes(bytes(data[:-512]))
    view = view_of(RawDevice(str(image)))
    with pytest.raises(ReadbackFailed, match=r"LAST\.BIN: the medium ends"):
        list(view.read("LAST.BIN"))
    view.close()
    view = view_of(RawDevice(str(image)), present=False)
    with pytest.raises(CardGone):
        list(view.read("LAST.BIN"))
    view.close()


# --- cards that have such a view, and cards that have none ------------------------------------------------------------


def test_volumes_that_are_neither_fat_nor_exfat_have_no_view(tmp_path: Path) -> None:
    (tmp_path / "plain").mkdir()
    assert open_card(tmp_path / "plain").medium_view() is None
    with loop_volume(tmp_path) as volume:
        assert open_card(volume.mount_point).medium_view() is None


def test_a_volume_in_memory_has_no_view(tmp_path: Path) -> None:
    with memory_volume(tmp_path) as place:
        assert open_card(place).medium_view() is None


@contextmanager
def exfat_as_of_linux(image: Path, place: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[CardAccess]:
    """Yield a card whose exFAT volume, mounted through FUSE, passes for one that Linux itself drives."""
    with mounted_exfat(image, place) as node:

        def renamed() -> tuple[Mount, ...]:
            return tuple(
                replace(mount, file_system_name="exfat") if mount.source == node else mount for mount in read_mounts()
            )

        monkeypatch.setattr(mounted, "read_mounts", renamed)
        yield open_card(place)
        monkeypatch.undo()


def proven(card: CardAccess, wanted: list[ManifestEntry] = WANTED) -> ReadbackReport:
    return read_back(
        wanted,
        card=card,
        structure=StructureEvidence.ASSUMED,
        file_system=FileSystem.EXFAT,
        clock=SystemClock(),
        progress=lambda _: None,
        cancelled=lambda: False,
    )


def put(card: CardAccess) -> None:
    card.make_folder("DATA")
    for path, content in CONTENT.items():
        writer = card.create(path)
        writer.write(content)
        writer.sync()
        writer.close()


def test_a_mounted_volume_is_proven_without_unmounting_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    image = make_exfat(tmp_path / "card.img", 64 * MIB)
    place = tmp_path / "here"
    with mounted_exfat(image, place):
        put(open_card(place))
    with exfat_as_of_linux(image, place, monkeypatch) as card:
        report = proven(card)
    assert report.mismatches == ()
    assert report.structure_evidence is StructureEvidence.READ_RAW
    assert report.data_evidence is DataEvidence.DIRECT
    assert report.medium_bytes is not None
    assert report.medium_bytes >= report.bytes == sum(map(len, CONTENT.values()))


def test_what_a_driver_holds_back_is_never_called_verified(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # The driver outside the kernel keeps a file's length in its own memory, beyond any flush, while the file is open.
    image = make_exfat(tmp_path / "card.img", 64 * MIB)
    content = CONTENT["SECOND.BIN"]
    with exfat_as_of_linux(image, tmp_path / "here", monkeypatch) as card:
        writer = card.create("SECOND.BIN")
        writer.write(content)
        card.flush()
        assert [(item.path, item.size_bytes) for item in card.entries()] == [("SECOND.BIN", len(content))]
        report = proven(card, [entry("SECOND.BIN", content)])
        writer.close()
        # Only held back: it is there as soon as the file is let go.
        assert proven(card, [entry("SECOND.BIN", content)]).mismatches == ()
    assert [mismatch.detail for mismatch in report.mismatches] == ["card holds 0 bytes, bundle says 4096"]


def test_a_driver_outside_the_kernel_has_no_view(tmp_path: Path) -> None:
    image = make_exfat(tmp_path / "card.img", 64 * MIB)
    with mounted_exfat(image, tmp_path / "here"):
        assert open_card(tmp_path / "here").medium_view() is None


def test_who_may_not_read_the_device_has_no_view(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(_: BlockDevice) -> RawDevice:
        raise PermissionError(13, "Permission denied")

    image = make_exfat(tmp_path / "card.img", 64 * MIB)
    with exfat_as_of_linux(image, tmp_path / "here", monkeypatch) as card:
        monkeypatch.setattr(mounted, "open_raw", refuse)
        assert card.medium_view() is None


# --- what a readback makes of it --------------------------------------------------------------------------------------


def test_a_readback_of_what_lies_behind_a_hole_says_what_is_wrong(tmp_path: Path) -> None:
    card = SimulatedCard.make(tmp_path / "card", capacity_bytes=64 * MIB, reads_raw=True, remounts=False)
    put(card)
    assert proven(card).mismatches == ()

    class Holed:
        def __init__(self, whole: MediumView) -> None:
            self.problems = {"": "it has 1 entry after its end mark", "DATA/FIRST.BIN": "its chain is a loop"}
            self.read, self.close = whole.read, whole.close
            self._whole = whole

        def entries(self) -> Iterator[CardEntry]:
            return (item for item in self._whole.entries() if item.path != "SECOND.BIN")

    whole = card.medium_view()
    assert whole is not None
    card.medium_view = lambda: Holed(whole)  # type: ignore[method-assign]
    assert {mismatch.path: mismatch.detail for mismatch in proven(card).mismatches} == {
        "SECOND.BIN": "missing on the card; the top folder: it has 1 entry after its end mark",
        "DATA/FIRST.BIN": "its chain is a loop",
    }


# --- facts from the boot record ---------------------------------------------------------------------------------------


def test_the_boot_record_tells_what_udev_does_not(tmp_path: Path) -> None:
    with attached(make_fat(tmp_path / "card.img", 16 * MIB, "-F16", "-r", 1024)) as node:
        facts = boot_facts(device_of(node), marked_in_use=False)
    assert value_or_none(facts.file_system) is FileSystem.FAT16
    assert value_or_none(facts.root_entries) == 1024
    assert value_or_none(facts.label) == "TESTVOL"
    assert value_or_none(facts.volume_serial) == "1234-5678"
    assert value_or_none(facts.volume_state) is VolumeState.CLEAN


@pytest.mark.parametrize(
    ("offset", "data", "in_use", "state"),
    [
        (37, b"\x01", False, VolumeState.DIRTY),
        (37, b"\x01", True, VolumeState.IN_USE),
        (37, b"\x02", True, VolumeState.FAULTY),
        (37, b"\0", True, VolumeState.CLEAN),
        # What stands in the table is not ours, mounted or not.
        (4 * 512 + 2, b"\xff\x7f", True, VolumeState.DIRTY),
        (4 * 512 + 2, b"\xff\xbf", True, VolumeState.FAULTY),
    ],
)
def test_the_mark_of_being_mounted_is_not_taken_for_another(
    tmp_path: Path, offset: int, data: bytes, in_use: bool, state: VolumeState
) -> None:
    image = make_fat(tmp_path / "card.img", 64 * MIB, "-F16")
    patch(image, offset, data)
    with reading(image) as read:
        assert read_fat(read).table_offset == 4 * 512
        assert value_or_none(facts_read(read, marked_in_use=in_use).volume_state) is state


def test_a_width_that_can_be_judged_in_two_ways_says_so(tmp_path: Path) -> None:
    image = make_fat(tmp_path / "edge.img", 66_580 * 512, "-a", "-s1", "-F32")
    with reading(image) as read:
        fact = facts_read(read, marked_in_use=False).file_system
    assert value_or_none(fact) is FileSystem.FAT32
    assert "65524 clusters alone, as a unit may judge, it is fat16" in str(fact)


def test_a_device_that_may_not_be_read_says_who_may(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def refuse(_: BlockDevice) -> RawDevice:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr("mediaprep.devices.boot_facts.open_raw", refuse)
    facts = boot_facts(BlockDevice("8:17", tmp_path / "sdb1", tmp_path / "sdb", tmp_path), marked_in_use=True)
    assert isinstance(facts.volume_state, Unknown)
    assert facts.volume_state.reason == "/dev/sdb1 cannot be read: Permission denied"
    assert "group 'disk'" in facts.volume_state.remedy


def test_a_boot_record_that_makes_no_sense_is_unknown(tmp_path: Path) -> None:
    image = tmp_path / "nothing.img"
    image.write_bytes(bytes(MIB))
    with attached(image) as node:
        facts = boot_facts(device_of(node), marked_in_use=False)
    for fact in (facts.file_system, facts.root_entries, facts.volume_state):
        assert isinstance(fact, Unknown)
        assert fact.remedy
    assert "no FAT boot record" in str(facts.volume_state)


def test_facts_of_a_mounted_volume_come_from_its_boot_record(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    image = make_exfat(tmp_path / "card.img", 64 * MIB)
    patch(image, 106, b"\x04")
    with reading(image) as read:
        serial = read_exfat(read).serial
    monkeypatch.setattr("mediaprep.devices.udev.udev_properties", lambda _: {})
    with exfat_as_of_linux(image, tmp_path / "here", monkeypatch) as card:
        facts = card.facts()
    assert value_or_none(facts.volume_serial) == serial
    assert value_or_none(facts.volume_state) is VolumeState.FAULTY
    assert value_or_none(facts.file_system) is FileSystem.EXFAT
