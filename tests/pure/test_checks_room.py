import pytest

from mediaprep.model import FileSystem, Result
from tests.pure.builders import UNKNOWN, found, known, listing, make_card, make_facts, planned, wanted

ONE_FILE = planned([wanted("AIRWAYS.BIN", 1_000_000)])
# 31 clusters of 32 KiB for the file, and one in reserve for the growth of the root folder.
NEEDED_BYTES = 32 * 32768


@pytest.mark.parametrize(
    ("free_bytes", "result"),
    [(known(NEEDED_BYTES), Result.PASS), (known(NEEDED_BYTES - 1), Result.REFUSE), (UNKNOWN, Result.UNKNOWN)],
)
@pytest.mark.parametrize("file_system", [FileSystem.FAT32, FileSystem.EXFAT])
def test_room_in_clusters(free_bytes, result, file_system) -> None:
    card = make_card(free_bytes=free_bytes, file_system=known(file_system))
    assert found("card.room", make_facts(plan=ONE_FILE, card=card)).result is result


def test_room_tells_what_is_missing() -> None:
    finding = found("card.room", make_facts(plan=ONE_FILE, card=make_card(free_bytes=known(48_576))))
    assert finding.evidence == (
        "1 MB of files take 1.05 MB at the worst moment, 32 clusters of 32 KiB (from test) with folders and their "
        "growth; free on the card: 48.6 kB (from test)"
    )
    assert finding.remedy.endswith("1 MB are missing.")


def test_a_plan_that_writes_nothing_needs_no_room() -> None:
    finding = found("card.room", make_facts(plan=planned([]), card=make_card(free_bytes=UNKNOWN)))
    assert finding.result is Result.PASS


@pytest.mark.parametrize(
    ("file_system", "free_bytes", "result"),
    [
        # With clusters of 512 bytes the file takes 1954 of them; with 64 KiB 16, and one in reserve.
        (FileSystem.FAT32, known(17 * 65536), Result.PASS),
        (FileSystem.FAT32, known(17 * 65536 - 1), Result.UNKNOWN),
        (FileSystem.FAT32, known(1954 * 512), Result.UNKNOWN),
        (FileSystem.FAT32, known(1954 * 512 - 1), Result.REFUSE),
        (FileSystem.EXFAT, known(2 * 2**25), Result.PASS),
        (FileSystem.EXFAT, known(2 * 2**25 - 1), Result.UNKNOWN),
        (FileSystem.FAT32, UNKNOWN, Result.UNKNOWN),
    ],
)
def test_room_where_the_cluster_size_is_not_known(file_system, free_bytes, result) -> None:
    card = make_card(cluster_bytes=UNKNOWN, file_system=known(file_system), free_bytes=free_bytes)
    finding = found("card.room", make_facts(plan=ONE_FILE, card=card))
    assert finding.result is result


@pytest.mark.parametrize(
    ("file_system", "root_entries", "label", "result"),
    [
        (FileSystem.FAT32, known(1), known(""), Result.PASS),
        (FileSystem.FAT16, known(None), known(""), Result.PASS),
        # One short name and its temporary one, which takes two entries more; nine names are there already.
        (FileSystem.FAT16, known(13), known(""), Result.REFUSE),
        (FileSystem.FAT16, known(14), known(""), Result.PASS),
        (FileSystem.FAT16, known(14), known("DATA"), Result.REFUSE),
        (FileSystem.FAT12, known(14), UNKNOWN, Result.REFUSE),
        (FileSystem.VFAT, known(15), UNKNOWN, Result.PASS),
        (FileSystem.VFAT, UNKNOWN, known(""), Result.UNKNOWN),
    ],
)
def test_root_folder(file_system, root_entries, label, result) -> None:
    card = make_card(file_system=known(file_system), root_entries=root_entries, label=label)
    entries = tuple(listing([f"FILE{number}" for number in range(10)]))
    facts = make_facts(plan=ONE_FILE, card=card, entries=entries)
    assert found("card.root-folder", facts).result is result


@pytest.mark.parametrize(
    ("file_system", "result"),
    [(FileSystem.FAT32, Result.REFUSE), (FileSystem.EXFAT, Result.PASS), (FileSystem.OTHER, Result.PASS)],
)
def test_folder_entries(file_system, result) -> None:
    # Linux vfat: 3120 names of 255 characters fill a folder; here 3119 and a temporary name as long.
    long_names = [wanted(f"nav/{number:0255}", 0) for number in range(3120)]
    facts = make_facts(plan=planned(long_names), card=make_card(file_system=known(file_system)))
    finding = found("card.folder-entries", facts)
    assert finding.result is result
    facts = make_facts(plan=planned(long_names[:-1]), card=make_card(file_system=known(file_system)))
    assert found("card.folder-entries", facts).result is Result.PASS
    if file_system is not FileSystem.OTHER:
        assert "nav" in finding.evidence


@pytest.mark.parametrize(
    ("size_bytes", "file_system", "result"),
    [
        # mtools stores a file of 4 294 967 295 bytes on FAT32, Linux answers EFBIG to one more.
        (2**32 - 1, known(FileSystem.FAT32), Result.PASS),
        (2**32 - 1, UNKNOWN, Result.PASS),
        (2**32, known(FileSystem.FAT32), Result.REFUSE),
        (2**32, known(FileSystem.VFAT), Result.REFUSE),
        (2**32, known(FileSystem.EXFAT), Result.PASS),
        (2**32, known(FileSystem.OTHER), Result.PASS),
        (2**32, UNKNOWN, Result.UNKNOWN),
    ],
)
def test_largest_file(size_bytes, file_system, result) -> None:
    plan = planned([wanted("small"), wanted("charts.bin", size_bytes)])
    finding = found("card.largest-file", make_facts(plan=plan, card=make_card(file_system=file_system)))
    assert finding.result is result
    assert "charts.bin" in finding.evidence


def test_no_largest_file() -> None:
    assert found("card.largest-file", make_facts(plan=planned([]))).result is Result.PASS
