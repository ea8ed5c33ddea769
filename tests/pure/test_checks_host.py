import pytest

from mediaprep.checks.host import HOST_MARGIN_BYTES
from mediaprep.model import Known, Result
from tests.pure.builders import UNKNOWN, found, known, make_bundle, make_facts, make_host, make_volume


@pytest.mark.parametrize(
    ("needed_bytes", "free_bytes", "result"),
    [
        (10**6, known(10**6 + HOST_MARGIN_BYTES), Result.PASS),
        (10**6, known(10**6 + HOST_MARGIN_BYTES - 1), Result.REFUSE),
        (10**6, UNKNOWN, Result.UNKNOWN),
        (0, known(0), Result.PASS),
        (0, UNKNOWN, Result.PASS),
    ],
)
def test_room(needed_bytes, free_bytes, result) -> None:
    volume = make_volume(needed_bytes=needed_bytes, free_bytes=free_bytes)
    assert found("host.room", make_facts(host=make_host(volume))).result is result


def test_room_says_where_and_how_much() -> None:
    volume = make_volume(path="/home", roles=("staging", "temp"), needed_bytes=2 * 10**9, free_bytes=known(10**9))
    finding = found("host.room", make_facts(host=make_host(volume)))
    assert finding.subject == "/home (staging, temp)"
    assert "needs 2 GB" in finding.evidence
    assert "free: 1 GB (from test)" in finding.evidence
    assert "Free at least 1.27 GB on the volume that holds /home" in finding.remedy


@pytest.mark.parametrize(
    ("roles", "free_inodes", "result"),
    [
        (("records",), known(100), Result.PASS),
        (("records",), known(99), Result.REFUSE),
        (("card folder",), known(101), Result.PASS),
        (("card folder",), known(100), Result.REFUSE),
        (("staging",), known(107), Result.PASS),
        (("staging",), known(106), Result.REFUSE),
        (("records",), known(None), Result.PASS),
        (("records",), UNKNOWN, Result.WARN),
    ],
)
def test_inodes(roles, free_inodes, result) -> None:
    # One file to write, and a bundle of seven files to stage.
    volume = make_volume(roles=roles, free_inodes=free_inodes)
    facts = make_facts(host=make_host(volume), bundle=make_bundle(file_count=7))
    assert found("host.inodes", facts).result is result


def test_inodes_of_a_volume_that_is_only_read() -> None:
    volume = make_volume(needed_bytes=0, free_inodes=known(0))
    assert found("host.inodes", make_facts(host=make_host(volume))).result is Result.PASS


@pytest.mark.parametrize(
    ("on_mains", "battery_percent", "result"),
    [
        (known(True), known(3.0), Result.PASS),
        (known(True), UNKNOWN, Result.PASS),
        (known(False), known(50.0), Result.PASS),
        (known(False), known(49.0), Result.WARN),
        (known(False), known(15.0), Result.WARN),
        (known(False), known(14.9), Result.REFUSE),
        (known(False), UNKNOWN, Result.WARN),
        (known(False), known(None), Result.PASS),
        (UNKNOWN, known(None), Result.PASS),
        (UNKNOWN, known(14.9), Result.UNKNOWN),
        (UNKNOWN, known(20.0), Result.WARN),
        (UNKNOWN, known(90.0), Result.PASS),
    ],
)
def test_battery(on_mains, battery_percent, result) -> None:
    facts = make_facts(host=make_host(on_mains=on_mains, battery_percent=battery_percent))
    finding = found("host.battery", facts)
    assert finding.result is result
    assert finding.subject == "computer bench"


@pytest.mark.parametrize(
    ("memory", "result"),
    [(Known(10**9, "test"), Result.PASS), (Known(10**8, "test"), Result.WARN), (UNKNOWN, Result.WARN)],
)
def test_memory(memory, result) -> None:
    facts = make_facts(host=make_host(memory_available_bytes=memory))
    assert found("host.memory", facts).result is result
