"""Whether a read-back really comes from the medium: a byte is changed on the medium, behind the computer's memory."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from mediaprep.devices import open_card
from mediaprep.errors import CardGone, CardReadOnly
from mediaprep.model import DataEvidence, StructureEvidence
from mediaprep.ports import CardAccess
from tests.contract.volumes import MIB, LoopVolume, loop_volume
from tests.tools import need, run

CONTENT = b"".join(b"this very line stands on the medium once: %12d\n" % number for number in range(2000))
MARK = b"%12d" % 1500


def put_flushed(card: CardAccess, path: str) -> None:
    writer = card.create(path)
    writer.write(CONTENT)
    writer.sync()
    writer.close()
    card.flush()


def tamper(volume: LoopVolume) -> bytes:
    """Change one byte of the file on the medium, and return what the file should now read as."""
    image = volume.image.read_bytes()
    assert image.count(MARK) == 1
    with volume.image.open("r+b") as file:
        file.seek(image.index(MARK) + len(MARK) - 1)
        file.write(b"X")
        file.flush()
        os.fsync(file.fileno())
    return CONTENT.replace(MARK, MARK[:-1] + b"X")


def get(card: CardAccess, path: str) -> tuple[bytes, DataEvidence]:
    reading = card.read(path)
    content = b"".join(reading)
    reading.close()
    return content, reading.evidence


def test_a_plain_read_sees_memory_and_ours_sees_the_medium(tmp_path: Path) -> None:
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        put_flushed(card, "some.dat")
        tampered = tamper(volume)
        # Were this not so, the test would prove nothing.
        assert (volume.mount_point / "some.dat").read_bytes() == CONTENT
        assert get(card, "some.dat") == (tampered, DataEvidence.DIRECT)


def test_after_a_remount_everything_comes_from_the_medium(tmp_path: Path) -> None:
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        put_flushed(card, "some.dat")
        tampered = tamper(volume)
        assert card.remount() is StructureEvidence.REMOUNTED
        assert (volume.mount_point / "some.dat").read_bytes() == tampered


def test_without_direct_reads_the_file_is_dropped_from_memory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mediaprep.devices.medium._DIRECT", 0)
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        put_flushed(card, "some.dat")
        tampered = tamper(volume)
        assert get(card, "some.dat") == (tampered, DataEvidence.EVICTED)


def test_without_any_means_a_read_is_called_cached(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("mediaprep.devices.medium._DIRECT", 0)
    monkeypatch.delattr(os, "posix_fadvise")
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        put_flushed(card, "some.dat")
        tamper(volume)
        assert get(card, "some.dat") == (CONTENT, DataEvidence.CACHED)


def test_the_counter_tells_a_read_from_memory(tmp_path: Path) -> None:
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        put_flushed(card, "some.dat")
        before = card.medium_bytes_read()
        assert before is not None
        assert (volume.mount_point / "some.dat").read_bytes() == CONTENT
        between = card.medium_bytes_read()
        assert between is not None
        get(card, "some.dat")
        after = card.medium_bytes_read()
        assert after is not None
        assert between - before < len(CONTENT) <= after - between


def test_a_busy_card_is_not_remounted(tmp_path: Path) -> None:
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        put_flushed(card, "some.dat")
        with (volume.mount_point / "some.dat").open("rb") as held:
            assert card.remount() is StructureEvidence.ASSUMED
            assert held.read() == CONTENT


def test_a_card_that_is_mounted_twice_is_not_remounted(tmp_path: Path) -> None:
    second = tmp_path / "second"
    second.mkdir()
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        run("mount", volume.device, second)
        try:
            assert card.remount() is StructureEvidence.ASSUMED
        finally:
            run("umount", second)
        assert card.remount() is StructureEvidence.REMOUNTED


def test_a_card_that_another_program_sees_mounted_is_not_called_remounted(tmp_path: Path) -> None:
    need("unshare")
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        put_flushed(card, "some.dat")
        # A mount namespace of its own, as services have: its copy of the mount stays when ours goes.
        other = subprocess.Popen(
            ["unshare", "--mount", "sh", "-c", "echo ready; exec sleep 600"], stdout=subprocess.PIPE, text=True
        )
        assert other.stdout is not None
        try:
            assert other.stdout.readline() == "ready\n"
            assert card.remount() is StructureEvidence.ASSUMED
            assert get(card, "some.dat")[0] == CONTENT
        finally:
            other.kill()
            other.wait()
            other.stdout.close()


def test_an_ordinary_user_does_not_remount(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        monkeypatch.setattr(os, "geteuid", lambda: 1000)
        assert card.remount() is StructureEvidence.ASSUMED


def test_a_remount_keeps_the_options(tmp_path: Path) -> None:
    with loop_volume(tmp_path) as volume:
        run("mount", "-o", "remount,nosuid,noexec,noatime", volume.mount_point)
        card = open_card(volume.mount_point)
        before = card.facts().mount_options
        assert card.remount() is StructureEvidence.REMOUNTED
        assert card.facts().mount_options == before


def test_a_card_that_cannot_be_mounted_again_is_gone_with_what_to_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    tools = tmp_path / "tools"
    tools.mkdir()
    (tools / "mount").write_text("#!/bin/sh\necho 'bad superblock' >&2\nexit 32\n")
    (tools / "mount").chmod(0o755)
    with loop_volume(tmp_path) as volume:
        card = open_card(volume.mount_point)
        monkeypatch.setenv("PATH", f"{tools}:{os.environ['PATH']}")
        with pytest.raises(CardGone, match="bad superblock") as caught:
            card.remount()
        assert f"mount {volume.device}" in caught.value.remedy
        assert not volume.mount_point.is_mount()


def test_a_read_only_volume_says_so(tmp_path: Path) -> None:
    with loop_volume(tmp_path, 4 * MIB) as volume:
        run("mount", "-o", "remount,ro", volume.mount_point)
        card = open_card(volume.mount_point)
        fact = card.facts().read_only
        assert getattr(fact, "value", None) is True
        with pytest.raises(CardReadOnly, match=r"refuses to write some\.dat"):
            card.create("some.dat")
