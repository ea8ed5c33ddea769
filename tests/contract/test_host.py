"""What is told of the computer, by the real form and by the shipped fake, and the clocks."""

from __future__ import annotations

import os
import shutil
from collections import namedtuple
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import psutil
import pytest

from mediaprep.clock import FixedClock, SystemClock
from mediaprep.host import SimulatedHost, SystemHost
from mediaprep.model import Known, Unknown
from mediaprep.ports import Clock, HostAccess
from tests.contract.volumes import MIB, memory_volume

Battery = namedtuple("Battery", "percent power_plugged")  # noqa: PYI024 - as psutil's own
NOON = datetime(2026, 1, 22, 12, 0, tzinfo=UTC)


@pytest.fixture(params=[SystemHost, SimulatedHost])
def host(request: pytest.FixtureRequest) -> HostAccess:
    made: HostAccess = request.param()
    return made


# --- both forms ------------------------------------------------------------------------------------------------------


def test_every_fact_is_there_with_its_source(host: HostAccess, tmp_path: Path) -> None:
    facts = host.facts([("records", str(tmp_path), 1000)])
    assert facts.station
    for fact in (facts.memory_available_bytes, facts.on_mains, facts.battery_percent):
        assert fact.source if isinstance(fact, Known) else fact.reason
    (volume,) = facts.volumes
    assert volume.roles == ("records",)
    assert volume.needed_bytes == 1000
    assert isinstance(volume.free_bytes, Known)
    assert volume.free_bytes.value > 0


def test_paths_on_one_file_system_are_one_volume_with_the_sum_of_their_needs(host: HostAccess, tmp_path: Path) -> None:
    facts = host.facts(
        [("bundle", str(tmp_path), 0), ("records", str(tmp_path / "a"), 10), ("records", str(tmp_path), 5)]
    )
    (volume,) = facts.volumes
    assert (volume.roles, volume.needed_bytes) == (("bundle", "records"), 15)


def test_no_needs_no_volumes(host: HostAccess) -> None:
    assert host.facts([]).volumes == ()


# --- the real form ---------------------------------------------------------------------------------------------------


def test_a_path_that_does_not_exist_yet_counts_as_its_nearest_parent(tmp_path: Path) -> None:
    (volume,) = SystemHost().facts([("records", str(tmp_path / "not/yet/there"), 1)]).volumes
    assert Path(volume.path).stat().st_dev == tmp_path.stat().st_dev
    assert volume.free_bytes == Known(pytest.approx(shutil.disk_usage(tmp_path).free, rel=0.05), "statvfs")


def test_file_systems_are_told_apart(tmp_path: Path) -> None:
    with memory_volume(tmp_path, 4 * MIB) as place:
        first, second = SystemHost().facts([("records", str(tmp_path), 1), ("temp", str(place / "x"), 2)]).volumes
    assert (first.roles, first.needed_bytes) == (("records",), 1)
    assert (second.roles, second.needed_bytes, second.path) == (("temp",), 2, str(place))
    assert second.free_bytes == Known(4 * MIB, "statvfs")
    assert isinstance(second.free_inodes, Known)
    assert second.free_inodes.value


def test_a_file_system_that_counts_no_inodes_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.statvfs(tmp_path)
    fat = os.statvfs_result([*real[:5], 0, 0, 0, *real[8:]])  # f_files, f_ffree, f_favail
    monkeypatch.setattr(os, "statvfs", lambda _: fat)
    (volume,) = SystemHost().facts([("records", str(tmp_path), 1)]).volumes
    assert volume.free_inodes == Known(None, "statvfs")


def test_room_kept_for_root_is_not_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    real = os.statvfs(tmp_path)
    reserved = os.statvfs_result([4096, 4096, 100, 50, 30, *real[5:]])  # f_bfree 50, f_bavail 30
    monkeypatch.setattr(os, "statvfs", lambda _: reserved)
    (volume,) = SystemHost().facts([("records", str(tmp_path), 1)]).volumes
    assert volume.free_bytes == Known(30 * 4096, "statvfs")


def test_a_volume_that_gives_errors_is_unknown(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: object) -> None:
        raise OSError(5, "Input/output error")

    monkeypatch.setattr(os, "statvfs", fail)
    (volume,) = SystemHost().facts([("records", str(tmp_path), 1)]).volumes
    assert isinstance(volume.free_bytes, Unknown)
    assert "Input/output error" in volume.free_bytes.reason
    assert volume.free_bytes.remedy


@pytest.mark.parametrize(
    ("battery", "on_mains", "percent"),
    [
        (Battery(41.5, False), False, 41.5),
        (Battery(100, True), True, 100.0),
        (None, True, None),
    ],
)
def test_power_is_as_psutil_tells(
    monkeypatch: pytest.MonkeyPatch, battery: Battery | None, on_mains: bool, percent: float | None
) -> None:
    monkeypatch.setattr(psutil, "sensors_battery", lambda: battery)
    facts = SystemHost().facts([])
    assert isinstance(facts.on_mains, Known)
    assert isinstance(facts.battery_percent, Known)
    assert (facts.on_mains.value, facts.battery_percent.value) == (on_mains, percent)


def test_a_battery_that_does_not_tell_of_mains_leaves_that_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(psutil, "sensors_battery", lambda: Battery(80, None))
    facts = SystemHost().facts([])
    assert isinstance(facts.on_mains, Unknown)
    assert facts.battery_percent == Known(80.0, "psutil.sensors_battery")


def test_power_that_cannot_be_read_is_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delattr(psutil, "sensors_battery")
    facts = SystemHost().facts([])
    assert isinstance(facts.on_mains, Unknown)
    assert isinstance(facts.battery_percent, Unknown)
    assert facts.on_mains.remedy


def test_power_whose_reading_fails_is_unknown(monkeypatch: pytest.MonkeyPatch) -> None:
    def fail() -> None:
        raise OSError(5, "no answer")

    monkeypatch.setattr(psutil, "sensors_battery", fail)
    facts = SystemHost().facts([])
    assert isinstance(facts.on_mains, Unknown)
    assert "no answer" in facts.on_mains.reason


# --- the fake --------------------------------------------------------------------------------------------------------


def test_the_fake_gives_a_role_the_room_it_is_told() -> None:
    host = SimulatedHost({"records": 1000}, default_free_bytes=9000, on_mains=False, battery_percent=20.0)
    facts = host.facts([("bundle", "/b", 0), ("records", "/r", 5), ("temp", "/t", 7)])
    shared, records = facts.volumes
    assert (shared.roles, shared.needed_bytes, shared.free_bytes) == (
        ("bundle", "temp"),
        7,
        Known(9000, "simulated host"),
    )
    assert (records.roles, records.needed_bytes, records.free_bytes) == (("records",), 5, Known(1000, "simulated host"))
    assert facts.on_mains == Known(False, "simulated host")
    assert facts.battery_percent == Known(20.0, "simulated host")


# --- clocks ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("clock", [SystemClock(), FixedClock(NOON)])
def test_a_clock_tells_aware_utc(clock: Clock) -> None:
    assert clock.now().utcoffset() == timedelta(0)
    assert clock.monotonic() <= clock.monotonic()


def test_a_fixed_clock_stands_still_until_it_is_moved() -> None:
    clock = FixedClock(NOON.astimezone(timezone(timedelta(hours=5))))
    assert (clock.now(), clock.monotonic()) == (NOON, 0.0)
    clock.advance(timedelta(seconds=90))
    assert (clock.now(), clock.monotonic()) == (NOON + timedelta(seconds=90), 90.0)
    clock.advance(timedelta(hours=-1))
    assert clock.now() == NOON + timedelta(seconds=90, hours=-1)
    assert clock.monotonic() == 90.0


def test_a_fixed_clock_wants_a_zone() -> None:
    with pytest.raises(ValueError, match="no zone"):
        FixedClock(datetime(2026, 1, 22))  # noqa: DTZ001 - that is the point
