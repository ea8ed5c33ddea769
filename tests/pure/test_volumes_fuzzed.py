"""Whatever bytes a card holds, reading it ends, and ends with an answer or with the one error there is for it."""

from __future__ import annotations

import struct
from collections.abc import Callable
from typing import TypeVar

from hypothesis import given, settings
from hypothesis import strategies as st

from mediaprep.rawcard import stream_file, walk_card
from mediaprep.volumes import (
    FatVolume,
    VolumeUnreadable,
    backup_differences,
    in_bytes,
    read_fat,
    read_fs_info,
    read_layout,
    read_marks,
    read_volume,
    state_of,
)
from tests.pure.small_volumes import SECTOR, exfat_set, fat_entry, fat_table, small_exfat, small_fat

T = TypeVar("T")
VOLUMES = [small_fat(12), small_fat(16), small_fat(32), small_exfat()]


class Watched:
    """A reader that counts, and fails the test where it is asked for what no reader can give, or too often."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._calls = 0

    def __call__(self, offset: int, length: int) -> bytes:
        assert offset >= 0
        assert 0 <= length <= 2**21
        self._calls += 1
        # The walk takes each cluster once: 4 calls for each sector are more than any way through needs.
        assert self._calls < 4 * len(self._data) // 512 + 100
        return self._data[offset : offset + length]


def everything(data: bytes) -> None:
    """Ask all that can be asked of a medium."""
    attempt(lambda: read_layout(Watched(data), len(data)))
    read = Watched(data)
    volume = attempt(lambda: read_volume(read))
    if volume is None:
        return
    attempt(lambda: state_of(read, volume))
    if isinstance(volume, FatVolume):
        attempt(lambda: read_marks(read, volume))
        attempt(lambda: read_fs_info(read, volume))
        attempt(lambda: backup_differences(read, volume))
    card = attempt(lambda: walk_card(Watched(data)))
    if card is None:
        return
    assert len({file.path for file in card.files}) == len(card.files)
    for file in card.files:
        # A file that says it is larger than the medium has nothing to hold it, or ends with an error.
        if file.size_bytes <= 4 * len(data):
            length = attempt(lambda file=file: sum(map(len, stream_file(Watched(data), card, file))))  # type: ignore[misc]
            assert length in {None, file.size_bytes} or file.path in card.problems


def attempt(ask: Callable[[], T]) -> T | None:
    try:
        return ask()
    except VolumeUnreadable as error:
        assert str(error)  # noqa: PT017
        return None


@settings(max_examples=200, deadline=None)
@given(st.binary(max_size=2048))
def test_any_bytes(data: bytes) -> None:
    everything(data)


@settings(max_examples=200, deadline=None)
@given(data=st.binary(min_size=512, max_size=4096), name=st.sampled_from([b"", b"EXFAT   ", b"MSDOS5.0"]))
def test_any_bytes_that_pass_for_a_boot_record(data: bytes, name: bytes) -> None:
    start = b"\xeb\x3c\x90" + name
    everything(start + data[len(start) : 510] + b"\x55\xaa" + data[512:])


@settings(max_examples=400, deadline=None)
@given(
    volume=st.sampled_from(VOLUMES),
    changes=st.lists(
        st.tuples(
            st.floats(0, 1, exclude_max=True),
            st.sampled_from([1, 2, 4, 8]),
            st.integers(0, 2**64 - 1) | st.sampled_from([0, 1, 2, 3, 2**16 - 8, 2**32 - 1, 0xE5, 0x80, 2**63]),
        ),
        min_size=1,
        max_size=6,
    ),
    cut=st.none() | st.floats(0, 1),
)
def test_a_volume_with_fields_changed(volume: bytes, changes: list[tuple[float, int, int]], cut: float | None) -> None:
    spoilt = bytearray(volume)
    for place, size, value in changes:
        at = int(place**3 * (len(spoilt) - 8))  # mostly at the start, where the fields are
        spoilt[at : at + size] = struct.pack("<Q", value)[:size]
    everything(bytes(spoilt if cut is None else spoilt[: int(cut * len(spoilt))]))


@settings(max_examples=200, deadline=None)
@given(sector=st.binary(min_size=64, max_size=64))
def test_any_partition_table(sector: bytes) -> None:
    first = bytes(446) + sector + b"\x55\xaa"
    attempt(lambda: read_layout(in_bytes(first + b"EFI PART" + bytes(4096)), 2**40))


# Clusters that the small volumes use, and some that do not exist.
clusters = st.sampled_from([0, 1, *range(2, 13), 62, 65, 66, 2**28 - 9, 2**28 - 1, 2**32 - 1])


@settings(max_examples=300, deadline=None)
@given(
    width=st.sampled_from([12, 16, 32]),
    table=st.dictionaries(st.integers(2, 12), clusters, max_size=6),
    entries=st.lists(st.tuples(st.sampled_from([0x10, 0x20, 0x08]), clusters, st.integers(0, 4000)), max_size=6),
    inner=st.lists(st.tuples(st.sampled_from([0x10, 0x20]), clusters, st.integers(0, 4000)), max_size=6),
)
def test_fat_chains_and_entries_that_lead_anywhere(
    width: int,
    table: dict[int, int],
    entries: list[tuple[int, int, int]],
    inner: list[tuple[int, int, int]],
) -> None:
    data = bytearray(small_fat(width))
    volume = read_fat(in_bytes(data))
    end = (1 << min(width, 28)) - 1
    chains = [end, end, end, end, 6, end, 5, end] + [0] * 5
    for cluster, value in table.items():
        chains[cluster] = min(value, end)
    packed = fat_table(chains, width)
    data[volume.table_offset : volume.table_offset + len(packed)] = packed
    top = volume.root_offset if volume.root_cluster is None else volume.heap_offset
    for at, listing in ((top + 32 * 5, entries), (volume.heap_offset + SECTOR + 32 * 3, inner)):
        packed = b"".join(
            fat_entry(b"NAME%d      " % number, kind, cluster, size_bytes)
            for number, (kind, cluster, size_bytes) in enumerate(listing)
        )
        data[at : at + len(packed)] = packed
    everything(bytes(data))
    unreliable_or_whole(bytes(data))


@settings(max_examples=300, deadline=None)
@given(
    table=st.dictionaries(st.integers(2, 12), clusters, max_size=6),
    entries=st.lists(
        st.tuples(clusters, st.integers(0, 5000) | st.integers(0, 2**64 - 1), st.booleans(), st.booleans()), max_size=4
    ),
)
def test_exfat_chains_and_entries_that_lead_anywhere(
    table: dict[int, int], entries: list[tuple[int, int, bool, bool]]
) -> None:
    sets = [
        exfat_set(f"n{number}", cluster, size_bytes, is_folder=is_folder, contiguous=contiguous)
        for number, (cluster, size_bytes, is_folder, contiguous) in enumerate(entries)
    ]
    data = small_exfat(sets, table)
    everything(data)
    unreliable_or_whole(data)


def unreliable_or_whole(data: bytes) -> None:
    """No cluster is in two files that nothing is said of, and each such file has as many as its length needs."""
    card = attempt(lambda: walk_card(in_bytes(data)))
    if card is None:
        return
    seen: set[int] = set()
    for file in card.files:
        held = [cluster for run in file.runs for cluster in range(run.first, min(run.end, run.first + 10_000))]
        if file.path in card.problems:
            continue
        assert seen.isdisjoint(held)
        assert len(set(held)) == len(held)
        assert file.is_folder or len(held) == -(-file.size_bytes // card.volume.cluster_bytes)
        seen.update(held)
