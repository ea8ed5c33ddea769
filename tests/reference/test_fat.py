"""Our FAT arithmetic and names against real volumes: mkfs.vfat and fsck.vfat of dosfstools, mtools, mkfs.exfat.

mtools and dosfstools know nothing of each other's code or ours, so where all three agree on free clusters, entries and
names, a card will too.
"""

from __future__ import annotations

import re
import shutil
import struct
from collections.abc import Iterable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from mediaprep.model import CardEntry, FileSystem, RecordedFile
from mediaprep.names import collisions, comparison_key, directory_slots, name_problems, part_name
from mediaprep.plan import make_plan
from mediaprep.room import Room, room_needed
from tests.pure.builders import listing, make_bundle, manifest_of, on_card, owned, wanted
from tests.tools import need, run


class Volume:
    """A FAT volume in a file, filled and read by mtools, judged by fsck.vfat."""

    def __init__(self, image: Path, size_bytes: int, *options: object) -> None:
        need("mkfs.vfat", "fsck.vfat", "mcopy", "mdir", "mmd", "mdel", "mren", "minfo")
        self.image = image
        with image.open("wb") as file:
            file.truncate(size_bytes)
        run("mkfs.vfat", *options, image)

    def mtools(self, program: str, *arguments: object, check: bool = True) -> str:
        return run(program, "-i", self.image, *arguments, check=check)

    def free_clusters(self) -> int:
        """Free clusters as fsck.vfat counts them; the volume must be clean."""
        report = run("fsck.vfat", "-n", self.image)
        match = re.search(r"(\d+)/(\d+) clusters", report)
        assert match is not None, report
        return int(match[2]) - int(match[1])

    def put(self, folder: Path) -> None:
        """Copy all that is in a folder of the host to the top of the volume."""
        self.mtools("mcopy", "-s", "-Q", *sorted(folder.iterdir()), "::")

    def names(self) -> set[str]:
        """Every path on the volume, folders without their closing `/`."""
        return {
            line.removeprefix("::/").rstrip("/") for line in self.mtools("mdir", "-b", "-/", "::").split("\n") if line
        }


def make_files(folder: Path, files: dict[str, int]) -> Path:
    for path, size_bytes in files.items():
        file = folder / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(b"x" * size_bytes)
    return folder


def room_for(
    files: dict[str, int],
    cluster_bytes: int,
    *,
    card: Iterable[CardEntry] = (),
    ours: Iterable[RecordedFile] = (),
    file_system: FileSystem = FileSystem.FAT32,
) -> Room:
    entries = list(card)
    plan = make_plan(
        bundle=make_bundle(),
        manifest=manifest_of(*(wanted(path, size_bytes) for path, size_bytes in files.items())),
        entries=entries,
        recorded=list(ours),
        file_system=file_system,
    )
    assert not plan.in_the_way
    return room_needed(plan, cluster_bytes=cluster_bytes, file_system=file_system, entries=entries)


# Long names, short names, names beyond ASCII, empty files, and folders of which some outgrow their first cluster. None
# is a lower-case 8.3 name: mtools stores those in one entry, Linux in two. Copied without temporary names, so the
# counts are such that these would not take a folder over the edge of a cluster.
BUNDLE = {
    **{f"Navigation data/Region number {number:03}.bin": number * 97 for number in range(40)},
    **{f"Navigation data/Deeper/still deeper/AIRWAYS{number}.BIN": 512 * number for number in range(8)},
    **{f"TERRAIN/TILE{number:03}.DAT": 1 + number for number in range(90)},
    **{f"Größe/Übersicht Flughäfen {number}.text": 5000 for number in range(3)},
    "README.TXT": 0,
    "NOTES.TXT": 1,
    "INDEX.BIN": 512,
    "A rather long name at the top of the card, for good measure.information": 33_000,
}


@pytest.mark.parametrize("sectors_per_cluster", [1, 2, 8, 64])
def test_clusters_needed_are_the_clusters_taken(tmp_path: Path, sectors_per_cluster: int) -> None:
    # Large enough for FAT32: at least 65525 clusters.
    size_bytes = sectors_per_cluster * 64 * 2**20
    volume = Volume(tmp_path / "card.img", size_bytes, "-F", 32, "-s", sectors_per_cluster, "-n", "TESTVOL")
    before = volume.free_clusters()
    volume.put(make_files(tmp_path / "bundle", BUNDLE))
    room = room_for(BUNDLE, 512 * sectors_per_cluster)
    assert before - volume.free_clusters() == room.clusters_needed


@pytest.mark.parametrize("width", [12, 16])
def test_clusters_needed_on_fat12_and_fat16(tmp_path: Path, width: int) -> None:
    size_bytes = {12: 6, 16: 32}[width] * 2**20
    volume = Volume(tmp_path / "card.img", size_bytes, "-F", width, "-s", 4, "-n", "TESTVOL")
    before = volume.free_clusters()
    volume.put(make_files(tmp_path / "bundle", BUNDLE))
    file_system = {12: FileSystem.FAT12, 16: FileSystem.FAT16}[width]
    assert before - volume.free_clusters() == room_for(BUNDLE, 2048, file_system=file_system).clusters_needed


def test_clusters_needed_under_temporary_names(tmp_path: Path) -> None:
    # As Linux writes and renames: the new name gets its entry before that of the temporary one is given up. Clusters
    # of 512 bytes, so that the last temporary name takes the root folder and the new one over the edge of a cluster.
    volume = Volume(tmp_path / "card.img", 64 * 2**20, "-F", 32, "-s", 1, "-n", "TESTVOL")
    files = {f"{folder}FILE{number:02}": 1 for folder in ("", "DIR/") for number in range(13)}
    before = volume.free_clusters()
    source = make_files(tmp_path / "host", {"x": 1}) / "x"
    volume.mtools("mmd", "::DIR")
    for path in files:
        volume.mtools("mcopy", source, f"::{part_name(path)}")
        volume.mtools("mcopy", source, f"::{path}")
        volume.mtools("mdel", f"::{part_name(path)}")
    taken = before - volume.free_clusters()
    # 26 files, two clusters of the new folder, one by which the root folder grew.
    assert taken == 26 + 2 + 1
    assert room_for(files, 512).clusters_needed == taken
    assert {path.upper() for path in volume.names()} == {*files, "DIR"}


def test_what_goes_and_grows_is_never_more_than_reckoned(tmp_path: Path) -> None:
    volume = Volume(tmp_path / "card.img", 64 * 2**20, "-F", 32, "-s", 1, "-n", "TESTVOL")
    old = {f"data/An old file with number {number:03}.bin": 700 for number in range(60)} | {"GONE/A.BIN": 5000}
    new = {f"data/A new file, the number is {number:03}.binary": 900 for number in range(80)}
    volume.put(make_files(tmp_path / "old", old))
    before = volume.free_clusters()
    card = [CardEntry(item.path, old.get(item.path, 0), item.is_folder) for item in listing(old)]
    room = room_for(new, 512, card=card, ours=[owned(path, size_bytes) for path, size_bytes in old.items()])

    for path in old:
        volume.mtools("mdel", f"::{path}")
    volume.mtools("mrd", "::GONE")
    volume.mtools("mcopy", "-s", "-Q", *sorted(make_files(tmp_path / "new", new).glob("data/*")), "::data")
    taken = before - volume.free_clusters()
    assert taken <= room.clusters_needed + room.clusters_spare
    # Close: what is not counted on is the old names' entries, and the cluster of the folder that went.
    assert (
        room.clusters_needed - taken
        <= -(-sum(directory_slots(p.split("/")[1], FileSystem.FAT32) for p in old) // 16) + 1
    )


def test_a_card_of_eight_gigabytes_as_cards_are_formatted(tmp_path: Path) -> None:
    # mkfs.vfat 4.2: 242498 clusters of 32 KiB, one for the root folder.
    volume = Volume(tmp_path / "card.img", 7_948_206_080, "-F", 32, "-s", 64, "-i", "12345678", "-n", "TESTVOL")
    assert volume.free_clusters() == 242_497
    files = {"ONE.BIN": 1, "TWO.BIN": 32_768, "THREE.BIN": 32_769}
    volume.put(make_files(tmp_path / "bundle", files))
    assert volume.free_clusters() == 242_493 == 242_497 - room_for(files, 32_768).clusters_needed
    assert "7 946 010 624 bytes free" in volume.mtools("mdir", "::")


@pytest.mark.parametrize("label", [(), ("-n", "TESTVOL")], ids=["no label", "label"])
@pytest.mark.parametrize(("width", "size_bytes"), [(12, 2 * 2**20), (16, 16 * 2**20)])
@pytest.mark.parametrize("name", ["FILE{:02}.BIN", "nine letters {:02}", "Fourteen chars {:02}", "x" * 80 + "{:02}"])
def test_the_root_folder_is_full_when_we_say_so(
    tmp_path: Path, name: str, width: int, size_bytes: int, label: tuple[str, ...]
) -> None:
    volume = Volume(tmp_path / "card.img", size_bytes, "-F", width, "-a", "-s", 4, "-r", 16, *label)
    names = [name.format(number) for number in range(17)]
    slots = directory_slots(names[0], FileSystem.FAT16)
    source = make_files(tmp_path / "host", {"x": 0}) / "x"
    stored = 0
    for path in names:
        volume.mtools("mcopy", source, f"::{path}", check=False)
        if len(volume.names()) == stored:
            break
        stored += 1
    room = 16 - bool(label)
    assert stored == room // slots
    card = [on_card(path, 0) for path in names[:stored]]
    assert room_for({}, 512, card=card, file_system=FileSystem.FAT16).root_slots == stored * slots


GOOD_NAMES = [
    "Readme.text", ".hidden", "two.dots.here", "a b c", "x+y,z;=[].t", "~!@#$%^&()_-{}'`",
    "Größenwerte.bin", "日本.bin", "Ελλάδα", "a" * 250, "é" * 120, "PRN1", "COM10", "nulls.text",
    "Flugha\u0308fen", "Flugh\u00e4fen",
]  # fmt: skip


def assert_stored(volume: Volume, host: Path, names: list[str]) -> None:
    """Store files under names that take more than one entry, which mtools gives back letter by letter.

    It shows short upper-case names in lower case, and mangles short ones of accented letters.
    """
    volume.put(make_files(host, {f"Names/{name}": 1 for name in names}))
    assert volume.names() == {"Names", *(f"Names/{name}" for name in names)}
    volume.free_clusters()


def test_names_that_we_accept_are_stored_as_they_are(tmp_path: Path) -> None:
    volume = Volume(tmp_path / "card.img", 512 * 2**20, "-F", 32, "-s", 8)
    assert [name_problems(name, FileSystem.FAT32) for name in GOOD_NAMES] == [[]] * len(GOOD_NAMES)
    assert collisions(GOOD_NAMES, FileSystem.FAT32) == []
    assert_stored(volume, tmp_path / "host", GOOD_NAMES)


letters = st.characters(exclude_categories=["Cs", "Cn", "Co"], max_codepoint=0xFFFF, exclude_characters="/")


@settings(max_examples=10, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(names=st.lists(st.text(letters, min_size=1, max_size=20), min_size=10, max_size=40, unique=True))
def test_any_names_that_we_accept_are_stored_as_they_are(tmp_path: Path, names: list[str]) -> None:
    accepted: list[str] = []
    for name in [f"A long name with {name}" for name in names]:
        if not name_problems(name, FileSystem.FAT32) and not collisions([*accepted, name], FileSystem.FAT32):
            accepted.append(name)
    (tmp_path / "card.img").unlink(missing_ok=True)
    shutil.rmtree(tmp_path / "host", ignore_errors=True)
    if accepted:
        assert_stored(Volume(tmp_path / "card.img", 512 * 2**20, "-F", 32, "-s", 8), tmp_path / "host", accepted)


def test_the_case_folding_of_exfat_is_in_ours(tmp_path: Path) -> None:
    # Every pair of letters that the standard up-case table of exFAT joins, we join too. (We join a few more.)
    need("mkfs.exfat")
    image = tmp_path / "card.img"
    with image.open("wb") as file:
        file.truncate(16 * 2**20)
    run("mkfs.exfat", image)
    table = up_case_table(image.read_bytes())
    assert len(table) == 65_536
    joined = {(letter, capital) for letter, capital in enumerate(table) if letter != capital}
    assert len(joined) > 800
    apart = [
        (hex(letter), hex(capital))
        for letter, capital in sorted(joined)
        if comparison_key(chr(letter), FileSystem.EXFAT) != comparison_key(chr(capital), FileSystem.EXFAT)
    ]
    assert apart == []


def up_case_table(image: bytes) -> list[int]:
    """Read the up-case table off an exFAT volume: Microsoft exFAT specification, 3.1, 6 and 7.2."""
    heap_sector, _, root_cluster = struct.unpack_from("<III", image, 88)
    sector_bytes = 1 << image[108]
    cluster_bytes = sector_bytes << image[109]

    def offset(cluster: int) -> int:
        return heap_sector * sector_bytes + (cluster - 2) * cluster_bytes

    root = offset(root_cluster)
    (entry,) = [at for at in range(root, root + cluster_bytes, 32) if image[at] == 0x82]
    first, length = struct.unpack_from("<IQ", image, entry + 20)
    units = struct.unpack_from(f"<{length // 2}H", image, offset(first))
    table: list[int] = []
    rest = iter(units)
    for unit in rest:
        # 0xFFFF says how many letters in a row are their own capitals.
        if unit == 0xFFFF and len(table) < 0xFFFF:
            table.extend(range(len(table), len(table) + next(rest)))
        else:
            table.append(unit)
    return table
