"""The limits hold, and real sets stay far below them."""

from __future__ import annotations

import pytest

from mediaprep.bundles import limits
from mediaprep.bundles.limits import Tally
from mediaprep.bundles.refusals import Refusals
from mediaprep.errors import BundleUnsafe


def tally(archive_bytes: int = 10**9) -> Tally:
    return Tally(archive_bytes, Refusals("X"))


def test_a_terrain_set_of_100_gb_in_500000_files_passes() -> None:
    counted = tally(archive_bytes=40 * 10**9)
    for number in range(500_000):
        path = f"TERRAIN/block-{number // 1000}/tile-{number}.bin"
        counted.member(path)
        counted.file(path, 200_000)


def test_one_member_too_many_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(limits, "MEMBERS_MAX", 3)
    counted = tally()
    for name in "abc":
        counted.member(name)
    with pytest.raises(BundleUnsafe, match=r"^d in the bundle X is one of more than 3 members"):
        counted.member("d")


def test_the_sum_of_all_files_is_limited() -> None:
    counted = tally(archive_bytes=2**40)
    counted.file("a", limits.FILE_BYTES_MAX)
    counted.file("b", limits.FILE_BYTES_MAX)
    with pytest.raises(BundleUnsafe, match=r"^c in the bundle X brings the bundle to more than"):
        counted.file("c", 1)


def test_the_ratio_counts_from_the_first_gib_on() -> None:
    free = limits.RATIO_FREE_BYTES
    tally(archive_bytes=1).unpacked("a", free)
    with pytest.raises(BundleUnsafe, match=r"^a in the bundle X .* 200 times"):
        tally(archive_bytes=1).unpacked("a", free + 1)
    tally(archive_bytes=free).unpacked("a", 200 * free)
    with pytest.raises(BundleUnsafe, match="200 times") as caught:
        tally(archive_bytes=free).unpacked("a", 200 * free + 1)
    assert "made to fill disks" in caught.value.remedy
