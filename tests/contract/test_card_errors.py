"""What error numbers mean on a card, and that a card which is gone never passes for one that is empty."""

from __future__ import annotations

import errno
import os
from pathlib import Path

import pytest

from mediaprep.devices import open_card
from mediaprep.devices.block import BlockDevice
from mediaprep.devices.faults import CardFaults
from mediaprep.devices.mounted import MountedCard
from mediaprep.errors import (
    CardFull,
    CardGone,
    CardReadOnly,
    CardRefusesName,
    MediaPrepError,
    ReadbackFailed,
    WriteFailed,
)
from tests.contract.test_card_contract import get, put
from tests.contract.volumes import loop_volume

# What the block layer reports of a device that fails or is gone (Linux block/blk-core.c), and ENXIO and ENOMEDIUM on
# opening one.
TROUBLE = (
    errno.EIO, errno.ENODEV, errno.ENOLINK, errno.ETIMEDOUT, errno.ENODATA, errno.ENXIO, errno.ENOMEDIUM,
    errno.EREMOTEIO,
)  # fmt: skip
OTHERS = [
    (errno.ENOSPC, CardFull),
    (errno.EDQUOT, CardFull),
    (errno.EROFS, CardReadOnly),
    (errno.EPERM, CardReadOnly),
    (errno.EACCES, CardReadOnly),
    (errno.EFBIG, CardRefusesName),
    (errno.EINVAL, CardRefusesName),
    (errno.ENAMETOOLONG, CardRefusesName),
    (errno.EILSEQ, CardRefusesName),
    (errno.ENOENT, WriteFailed),
]


@pytest.mark.parametrize(("number", "meaning"), [*((number, WriteFailed) for number in TROUBLE), *OTHERS])
def test_a_failed_write_means(number: int, meaning: type[MediaPrepError]) -> None:
    faults = CardFaults("The card at /x", lambda: True)
    with pytest.raises(meaning, match=r"The card at /x .*nav/some\.dat"), faults.writing("nav/some.dat"):
        raise OSError(number, os.strerror(number))


@pytest.mark.parametrize("number", [*TROUBLE, errno.ENOENT, errno.EINVAL])
def test_a_failed_read_means(number: int) -> None:
    faults = CardFaults("The card at /x", lambda: True)
    with pytest.raises(ReadbackFailed, match=r"The card at /x .*nav/some\.dat"), faults.reading("nav/some.dat"):
        raise OSError(number, os.strerror(number))


@pytest.mark.parametrize("number", [*TROUBLE, errno.EROFS, errno.ENOENT, errno.ENOSPC])
def test_whatever_fails_on_a_card_that_is_gone_means_gone(number: int) -> None:
    faults = CardFaults("The card at /x", lambda: False)
    with pytest.raises(CardGone), faults.writing("some.dat"):
        raise OSError(number, os.strerror(number))
    with pytest.raises(CardGone), faults.reading("some.dat"):
        raise OSError(number, os.strerror(number))


def test_errors_of_our_own_pass_through() -> None:
    faults = CardFaults("The card at /x", lambda: False)
    with pytest.raises(WriteFailed, match="as it was"), faults.writing("some.dat"):
        raise WriteFailed("as it was")


# --- a device that is gone, while its folder still lists and its files still read from memory -----------------------


@pytest.fixture
def pulled(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> object:
    """A mounted card whose device the kernel has taken away; as on a real one, everything cached still answers."""
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        assert isinstance(card, MountedCard)
        put(card, "some.dat", b"x")
        card.flush()
        monkeypatch.setattr(BlockDevice, "is_there", lambda *_: False)
        yield card
        monkeypatch.undo()


def test_a_card_that_is_gone_does_not_list_as_empty(pulled: MountedCard) -> None:
    with pytest.raises(CardGone):
        list(pulled.entries())


def test_a_card_that_is_gone_has_no_facts_and_cannot_be_flushed_or_remounted(pulled: MountedCard) -> None:
    for attempt in (pulled.facts, pulled.flush, pulled.remount):
        with pytest.raises(CardGone):
            attempt()


def test_a_device_that_ends_too_early_is_gone(pulled: MountedCard, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "preadv", lambda *_: 0)
    with pytest.raises(CardGone):
        get(pulled, "some.dat")


def test_a_file_that_ends_too_early_on_a_card_that_is_there_failed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "some.dat").write_bytes(b"12345")
    card = open_card(tmp_path)
    reading = card.read("some.dat")
    os.truncate(tmp_path / "some.dat", 0)
    monkeypatch.setattr(os, "preadv", lambda *_: 0)
    monkeypatch.setattr(os, "read", lambda *_: b"")
    monkeypatch.setattr(reading, "_ahead", b"")
    with pytest.raises(ReadbackFailed, match="ends after 0 of 5 bytes"):
        list(reading)
    reading.close()


def test_a_volume_whose_size_cannot_be_asked_is_gone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(_: object) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        monkeypatch.setattr(os, "statvfs", fail)
        with pytest.raises(CardGone):
            card.facts()
        monkeypatch.undo()
