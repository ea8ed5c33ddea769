"""What is told of devices, from recorded trees of sysfs and proc: cards, readers, disks that must not be touched."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from mediaprep.devices.block import block_device
from mediaprep.devices.boot_facts import facts_read
from mediaprep.devices.device import DeviceFacts
from mediaprep.devices.mounts import Mount, device_number, mount_at, mount_over, read_mounts
from mediaprep.devices.system_use import folder_use
from mediaprep.devices.udev import device_facts, udev_properties
from mediaprep.model import Family, FileSystem, Known, PartitionTable, Unknown, WriteProtection, value_or_none
from mediaprep.volumes import in_bytes
from tests.contract.recorded import Recorded
from tests.pure.small_volumes import small_fat

HOME = Path("/home/pat")
CID = "aa585951454d552101deadbeef006200"  # as an emulated card gave it
SD_SECTORS = 62_333_952  # a card sold as 32 GB

FAT32 = {
    "ID_FS_TYPE": "vfat",
    "ID_FS_VERSION": "FAT32",
    "ID_FS_UUID": "1234-ABCD",
    "ID_FS_LABEL": "NAV_DATA",
    "ID_FS_LABEL_ENC": "NAV\\x20DATA",
    "ID_PART_ENTRY_SCHEME": "dos",
}


@pytest.fixture
def recorded(tmp_path: Path) -> Recorded:
    """A computer with its system on an internal disk, and nothing else."""
    tree = Recorded(tmp_path)
    disk = tree.disk(
        "nvme0n1", "259:0", 10**9, parent="pci0000:00/nvme/nvme0", device={"model": "Inner 1T"}, diskseq="1"
    )
    for number, point in ((1, "/boot/efi"), (2, "/"), (3, "/home")):
        tree.part(disk, f"nvme0n1p{number}", f"259:{number}", 10**8)
        tree.mount(f"259:{number}", point)
    return tree


def sd_slot(tree: Recorded, *, cid: str = CID, kind: str = "SD", csd: str | None = None) -> Path:
    """Add a card in a card slot, with one partition, mounted."""
    host = "pci0000:00/mmc_host/mmc0/mmc0:4567"
    device = {"type": kind, "cid": cid, **({} if csd is None else {"csd": csd})}
    disk = tree.disk("mmcblk0", "179:0", SD_SECTORS, parent=host, device=device, diskseq="12")
    tree.part(disk, "mmcblk0p1", "179:1", SD_SECTORS - 8192)
    tree.mount("179:1", "/media/pat/NAV\\040DATA", "vfat", "/dev/mmcblk0p1")
    return disk


def usb_reader(tree: Recorded, *, removable: str = "1") -> Path:
    """Add a card in a USB reader, with one partition, mounted."""
    device = {"vendor": "Quill   ", "model": "Card Reader 3   "}
    disk = tree.disk(
        "sdb", "8:16", SD_SECTORS, parent="usb1/1-2/6:0:0:0", device=device, removable=removable, diskseq="31"
    )
    tree.part(disk, "sdb1", "8:17", SD_SECTORS - 8192)
    tree.mount("8:17", "/media/pat/NAV", "vfat", "/dev/sdb1")
    return disk


def facts_of(tree: Recorded, number: str, properties: Mapping[str, str] | None = None) -> DeviceFacts:
    device = block_device(number, tree.sys)
    assert device is not None
    known = {} if properties is None else properties
    return device_facts(device, read_mounts(tree.proc), home=HOME, proc=tree.proc, properties=lambda _: known)


def use_of(tree: Recorded, number: str) -> tuple[str, ...]:
    found = facts_of(tree, number).system_use
    assert isinstance(found, Known)
    return found.value


# --- cards -----------------------------------------------------------------------------------------------------------


def test_a_card_in_a_slot_is_removable_and_known_by_its_register(recorded: Recorded) -> None:
    sd_slot(recorded)
    facts = facts_of(recorded, "179:1", FAT32)
    assert facts.removable == Known(True, "sysfs device/type reads SD")
    assert value_or_none(facts.identity) == f"cid {CID}"
    assert value_or_none(facts.reader) == "card slot mmc0"
    assert value_or_none(facts.capacity_bytes) == SD_SECTORS * 512
    assert value_or_none(facts.family) is Family.SDHC
    assert value_or_none(facts.device) == "/dev/mmcblk0p1"
    assert value_or_none(facts.insertion) == "5f0c1d0e-0000-4000-8000-00000000b007 12"
    assert facts.system_use == Known((), "mountinfo, swaps and sysfs")
    assert not facts.simulated


def test_what_is_on_the_volume_comes_from_udev(recorded: Recorded) -> None:
    sd_slot(recorded)
    facts = facts_of(recorded, "179:1", FAT32)
    assert value_or_none(facts.partition_table) is PartitionTable.MBR
    assert value_or_none(facts.fat_width) is FileSystem.FAT32
    assert value_or_none(facts.label) == "NAV DATA"
    assert value_or_none(facts.volume_serial) == "1234-ABCD"


def test_a_card_in_a_usb_reader_is_known_by_its_volume(recorded: Recorded) -> None:
    usb_reader(recorded)
    facts = facts_of(recorded, "8:17", FAT32)
    assert facts.removable == Known(True, "sysfs sdb/removable reads 1")
    assert value_or_none(facts.reader) == "Quill Card Reader 3"
    assert value_or_none(facts.identity) == f"volume 1234-ABCD on {SD_SECTORS * 512} bytes"
    assert facts.system_use == Known((), "mountinfo, swaps and sysfs")


@pytest.mark.parametrize(("scheme", "table"), [("dos", PartitionTable.MBR), ("gpt", PartitionTable.GPT), ("mac", None)])
def test_partition_tables_are_told_by_their_kind(recorded: Recorded, scheme: str, table: PartitionTable | None) -> None:
    usb_reader(recorded)
    facts = facts_of(recorded, "8:17", {"ID_PART_TABLE_TYPE": scheme})
    assert value_or_none(facts.partition_table) is table
    if table is None:
        assert isinstance(facts.partition_table, Unknown)
        assert "mac" in facts.partition_table.reason


def test_a_volume_on_the_whole_card_has_no_partition_table(recorded: Recorded) -> None:
    usb_reader(recorded)
    assert value_or_none(facts_of(recorded, "8:16").partition_table) is PartitionTable.NONE


def test_a_volume_without_a_label_has_an_empty_one(recorded: Recorded) -> None:
    usb_reader(recorded)
    assert value_or_none(facts_of(recorded, "8:17", {"ID_FS_TYPE": "vfat"}).label) == ""


def test_without_udev_its_facts_are_unknown_with_what_to_do(recorded: Recorded) -> None:
    usb_reader(recorded)
    facts = facts_of(recorded, "8:17")
    for fact in (facts.label, facts.volume_serial, facts.fat_width, facts.partition_table, facts.identity):
        assert isinstance(fact, Unknown)
        assert fact.reason
        assert fact.remedy
    assert value_or_none(facts.capacity_bytes) == SD_SECTORS * 512


def test_without_pyudev_the_same_is_unknown_and_says_so(recorded: Recorded, monkeypatch: pytest.MonkeyPatch) -> None:
    usb_reader(recorded)
    monkeypatch.setitem(sys.modules, "pyudev", None)
    device = block_device("8:17", recorded.sys)
    assert device is not None
    facts = device_facts(device, (), home=HOME, proc=recorded.proc, properties=udev_properties)
    assert isinstance(facts.label, Unknown)
    assert "pyudev is not installed" in facts.label.reason
    assert value_or_none(facts.removable) is True


def test_everything_imports_and_works_without_pyudev() -> None:
    script = (
        "import sys; sys.modules['pyudev'] = None\n"
        "from pathlib import Path\n"
        "from mediaprep.devices import list_cards, open_card\n"
        "list_cards()\n"
        "print(open_card(Path('/')).facts().label)\n"
    )
    done = subprocess.run([sys.executable, "-W", "error", "-c", script], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Unknown" in done.stdout


def test_a_register_of_zeros_recognises_nothing(recorded: Recorded) -> None:
    sd_slot(recorded, cid="0" * 32)
    assert value_or_none(facts_of(recorded, "179:1", FAT32).identity) == f"volume 1234-ABCD on {SD_SECTORS * 512} bytes"


def test_a_damaged_register_recognises_nothing(recorded: Recorded) -> None:
    # One bit of a published register turned over: what it reads as next time, nobody knows.
    sd_slot(recorded, cid="035344534331364780ecf4c851011b85".replace("ecf4", "ecf5"))
    assert value_or_none(facts_of(recorded, "179:1", FAT32).identity) == f"volume 1234-ABCD on {SD_SECTORS * 512} bytes"


# Registers of version 1 and 2, of cards sold as 2 GB and 8 GB, and the latter with each protecting bit set.
PLAIN_CSD = "400e00325b5900003b377f800a4040af"


@pytest.mark.parametrize(
    ("csd", "family", "protection"),
    [
        ("002d00325b5a83d5fefbff80168000cf", Family.SDSC, ()),
        (PLAIN_CSD, Family.SDHC, ()),
        ("400e00325b5900003b377f800a4060cb", Family.SDHC, (WriteProtection.PERMANENT,)),
        ("400e00325b5900003b377f800a40509d", Family.SDHC, (WriteProtection.TEMPORARY,)),
    ],
)
def test_family_and_protection_come_from_the_cards_register(
    recorded: Recorded, csd: str, family: Family, protection: tuple[WriteProtection, ...]
) -> None:
    sd_slot(recorded, csd=csd)
    facts = facts_of(recorded, "179:1")
    assert value_or_none(facts.family) is family
    assert value_or_none(facts.write_protection) == protection
    assert "sysfs device/csd" in str(facts.write_protection)


@pytest.mark.parametrize(("csd", "why"), [(PLAIN_CSD[:-2] + "57", "damaged"), (None, "hides"), ("", "32 hexadecimal")])
def test_a_register_that_cannot_be_read_leaves_the_capacity(recorded: Recorded, csd: str | None, why: str) -> None:
    sd_slot(recorded, csd=csd)
    facts = facts_of(recorded, "179:1")
    assert value_or_none(facts.family) is Family.SDHC
    assert isinstance(facts.write_protection, Unknown)
    assert why in facts.write_protection.reason
    assert facts.write_protection.remedy


def test_where_udev_knows_nothing_the_boot_record_answers(recorded: Recorded) -> None:
    usb_reader(recorded)
    device = block_device("8:17", recorded.sys)
    assert device is not None
    boot = facts_read(in_bytes(small_fat(16)), marked_in_use=False)
    for told, label in (({}, "BY HAND"), (FAT32, "NAV DATA")):
        facts = device_facts(
            device,
            (),
            home=HOME,
            boot=boot,
            proc=recorded.proc,
            properties=lambda _, told=told: told,  # type: ignore[misc]
        )
        assert value_or_none(facts.label) == label
        assert value_or_none(facts.fat_width) is FileSystem.FAT16
    udev_alone = facts_of(recorded, "8:17", {"ID_FS_TYPE": "vfat"})
    assert isinstance(udev_alone.volume_serial, Unknown)
    assert "udev tells no volume serial" in udev_alone.volume_serial.reason


def test_an_old_kernel_that_numbers_no_insertions_is_unknown(recorded: Recorded) -> None:
    disk = usb_reader(recorded)
    (disk / "diskseq").unlink()
    facts = facts_of(recorded, "8:17")
    assert isinstance(facts.insertion, Unknown)
    assert facts.insertion.remedy


def test_a_volume_in_a_file_is_simulated(recorded: Recorded) -> None:
    recorded.virtual("loop3", "7:3", 32768, diskseq="9", loop__backing_file="/home/pat/card.img", loop__autoclear="0")
    facts = facts_of(recorded, "7:3")
    assert facts.simulated
    assert value_or_none(facts.removable) is False
    assert value_or_none(facts.identity) == "volume in file /home/pat/card.img"
    assert value_or_none(facts.partition_table) is PartitionTable.NONE
    assert value_or_none(facts.capacity_bytes) == 32768 * 512


# --- is it there, and what was read ----------------------------------------------------------------------------------


def test_the_counter_is_the_third_field_in_units_of_512_bytes(recorded: Recorded) -> None:
    disk = usb_reader(recorded)
    (disk / "sdb1/stat").write_text("    1  2   16401   4 5 6 7 8 9 10 11\n")
    device = block_device("8:17", recorded.sys)
    assert device is not None
    assert device.read_bytes() == 16401 * 512
    (disk / "queue").mkdir()
    (disk / "queue/iostats").write_text("0\n")
    assert device.read_bytes() is None


def test_a_device_is_gone_when_its_folder_its_size_or_its_medium_is(recorded: Recorded) -> None:
    disk = usb_reader(recorded)
    device = block_device("8:17", recorded.sys)
    assert device is not None
    assert device.is_there("31")
    assert not device.is_there("30")
    (disk / "size").write_text("0\n")
    assert not device.is_there("31")
    (disk / "size").write_text(f"{SD_SECTORS}\n")
    (disk / "sdb1").rename(disk.parent / "elsewhere")
    assert not device.is_there("31")


def test_a_number_without_a_device_is_none(recorded: Recorded) -> None:
    assert block_device("8:99", recorded.sys) is None
    assert block_device("0:99", recorded.sys) is None


# --- what must not be touched ----------------------------------------------------------------------------------------


def test_the_systems_disk_is_told_whatever_part_of_it_is_named(recorded: Recorded) -> None:
    disk = recorded.sys / "devices/pci0000:00/nvme/nvme0/block/nvme0n1"
    recorded.part(disk, "nvme0n1p4", "259:4", 10**6)
    recorded.mount("259:4", "/mnt/spare")
    for number in ("259:0", "259:2", "259:4"):
        assert use_of(recorded, number) == (
            "holds /boot/efi",
            "holds the root file system",
            "holds the home folder (/home)",
        )


def test_an_internal_memory_chip_is_not_removable_and_its_boot_areas_count(recorded: Recorded) -> None:
    disk = sd_slot(recorded, kind="MMC")
    recorded.part(disk, "mmcblk0boot0", "179:32", 8192, of_table=False)
    facts = facts_of(recorded, "179:1")
    assert facts.removable == Known(False, "sysfs device/type reads MMC")
    assert use_of(recorded, "179:1") == ("has a boot partition of an eMMC (mmcblk0boot0)",)
    assert use_of(recorded, "179:32") == ("has a boot partition of an eMMC (mmcblk0boot0)",)


def test_a_fixed_disk_is_not_removable(recorded: Recorded) -> None:
    usb_reader(recorded, removable="0")
    assert facts_of(recorded, "8:17").removable == Known(False, "sysfs sdb/removable reads 0")


def test_swap_on_a_card_counts(recorded: Recorded) -> None:
    usb_reader(recorded)
    recorded.swaps("/dev/sdb1 partition 1000 0 -2")
    assert use_of(recorded, "8:16") == ("holds swap (sdb1)",)


def test_a_swap_file_on_a_card_counts(recorded: Recorded) -> None:
    usb_reader(recorded)
    recorded.swaps("/media/pat/NAV/swapfile file 1000 0 -2")
    assert use_of(recorded, "8:16") == ("holds swap (sdb1)",)


def test_a_raid_upon_a_card_counts(recorded: Recorded) -> None:
    disk = usb_reader(recorded)
    recorded.stack(recorded.virtual("md0", "9:0", 1000, md__level="raid1"), disk / "sdb1")
    assert use_of(recorded, "8:17") == ("is part of a RAID (md0)",)


def test_what_is_mounted_from_a_logical_volume_counts_for_the_disk_beneath(recorded: Recorded) -> None:
    disk = usb_reader(recorded)
    crypt = recorded.virtual("dm-0", "253:0", 1000, dm__uuid="CRYPT-LUKS2-x")
    volume = recorded.virtual("dm-1", "253:1", 1000, dm__uuid="LVM-x")
    recorded.stack(crypt, disk / "sdb1")
    recorded.stack(volume, crypt)
    recorded.mount("253:1", "/var/log")
    expected = {
        "holds /var/log",
        "holds a logical or encrypted volume in use (dm-0)",
        "holds a logical or encrypted volume in use (dm-1)",
    }
    assert set(use_of(recorded, "8:16")) == expected
    assert set(use_of(recorded, "253:1")) == expected


def test_a_file_system_with_a_number_of_its_own_is_found_by_its_source(recorded: Recorded) -> None:
    usb_reader(recorded)
    recorded.mount("0:45", "/usr", "btrfs", "/dev/sdb1")
    assert "holds /usr" in use_of(recorded, "8:16")


@pytest.mark.parametrize(
    "point", ["/run/live/medium", "/cdrom", "/boot", "/home/pat", "/var/lib/machines", "/opt/tools"]
)
def test_system_mounts_count(recorded: Recorded, point: str) -> None:
    disk = usb_reader(recorded)
    recorded.part(disk, "sdb2", "8:18", 1000)
    recorded.mount("8:18", point)
    assert any(point in use for use in use_of(recorded, "8:17"))


@pytest.mark.parametrize("point", ["/run/media/pat/X", "/mnt", "/mnt/card", "/media/x", "/home/pat/card", "/tmp/card"])
def test_places_where_people_mount_cards_do_not_count(recorded: Recorded, point: str) -> None:
    disk = usb_reader(recorded)
    recorded.part(disk, "sdb2", "8:18", 1000)
    recorded.mount("8:18", point)
    assert use_of(recorded, "8:17") == ()


# --- folders ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("folder", "use"),
    [
        ("/", "is the root folder"),
        ("/home/pat", "is the home folder"),
        ("/home", "is a folder above the home folder"),
        ("/tmp", "is a folder that the whole system shares"),
        ("/etc", "is the system folder /etc"),
        ("/usr/share/data", "lies in the system folder /usr"),
        ("/dev", "is the system folder /dev"),
        ("/run/media", "lies in the system folder /run"),
        ("/var/lib/x", "lies in the system folder /var"),
        ("/root/x", "lies in the system folder /root"),
        ("/boot/efi", "lies in the system folder /boot"),
    ],
)
def test_folders_of_the_system_are_told(folder: str, use: str) -> None:
    assert folder_use(Path(folder), HOME) == use


@pytest.mark.parametrize(
    "folder",
    ["/home/pat/cards", "/home/kim/cards", "/tmp/x", "/var/tmp/x", "/run/media/pat/X", "/mnt/x", "/data/cards"],
)
def test_other_folders_are_free(folder: str) -> None:
    assert folder_use(Path(folder), HOME) is None


@pytest.mark.parametrize(
    ("home", "folder", "free"),
    [
        ("/root", "/root/cards", True),
        ("/var/lib/mediaprep", "/var/lib/mediaprep/cards", True),
        ("/", "/etc/x", False),
        ("/usr/sbin", "/usr/sbin/x", False),
        ("/var/lib", "/var/lib/x", False),
    ],
)
def test_a_home_folder_frees_what_is_below_only_where_it_is_someones_own(home: str, folder: str, free: bool) -> None:
    assert (folder_use(Path(folder), Path(home)) is None) is free


# --- mounts ----------------------------------------------------------------------------------------------------------


def test_mounts_are_read_with_their_escapes_and_options(recorded: Recorded) -> None:
    # The first line is the example of proc_pid_mountinfo(5).
    (recorded.proc / "self/mountinfo").write_text(
        "36 35 98:0 /mnt1 /mnt2 rw,noatime master:1 - ext3 /dev/root rw,errors=continue\n"
        "40 35 8:17 / /media/pat/NAV\\040\\134DATA ro,nosuid - vfat /dev/sdb1 rw,utf8\n"
    )
    first, second = read_mounts(recorded.proc)
    assert first == Mount("98:0", "/mnt1", "/mnt2", ("rw", "noatime"), "ext3", "/dev/root", ("rw", "errors=continue"))
    assert first.all_options == ("rw", "noatime", "errors=continue")
    assert second.mount_point == "/media/pat/NAV \\DATA"
    assert second.all_options == ("ro", "nosuid", "utf8")


def test_the_last_mount_at_a_place_is_the_one_seen(recorded: Recorded) -> None:
    recorded.mount("8:17", "/media/x")
    recorded.mount("8:18", "/media/x")
    mounts = read_mounts(recorded.proc)
    seen = mount_at(Path("/media/x"), mounts)
    assert seen is not None
    assert seen.number == "8:18"
    assert mount_at(Path("/media"), mounts) is None
    over = mount_over("/media/x/deep/file", mounts)
    assert over == seen
    above = mount_over("/media/y", mounts)
    assert above is not None
    assert above.mount_point == "/"


def test_what_lies_on_no_device_has_no_number(recorded: Recorded) -> None:
    recorded.mount("0:30", "/net", "nfs", "server:/x")
    recorded.mount("0:31", "/gone", "btrfs", "/dev/missing")
    mounts = read_mounts(recorded.proc)
    assert [device_number(mount, recorded.sys) for mount in mounts[-2:]] == [None, None]


def test_this_computers_own_mounts_can_be_read() -> None:
    root = mount_at(Path("/"), read_mounts())
    assert root is not None
    number = device_number(root)
    if not root.number.startswith("0:"):
        info = Path("/").stat()
        assert number == f"{os.major(info.st_dev)}:{os.minor(info.st_dev)}"
