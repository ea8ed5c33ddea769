"""The main job on volumes that the kernel really mounts: ext4 behind a loop device, and memory. Both need root."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

from tests.cli.conftest import Cli
from tests.contract.volumes import loop_volume, memory_volume


def test_a_mounted_volume_is_written_past_memory_remounted_and_verified(panel: Cli, tmp_path: Path) -> None:
    with loop_volume(tmp_path) as volume:
        ran = panel(
            "write", "nav", "--on", volume.mount_point, "--for", "LEFT", "--accept", "card.file-system", "--json"
        )
        assert ran.code == 10, "a volume of 16 MB with ext4 is not what the rule asks for"
        assert panel("unit", "rule", "small", "--source", "invented: asks nothing").code == 0
        ran = panel("write", "nav", "--on", volume.mount_point, "--for", "LEFT", "--json")
        assert ran.code == 0, ran.out + ran.err
        readback = ran.result["receipt"]["readback"]
        assert (readback["data_evidence"], readback["structure_evidence"]) == ("direct", "remounted")
        assert readback["medium_bytes"] >= readback["bytes"], "the kernel's own counter agrees"
        assert ran.result["receipt"]["simulated"] is True, "a volume in a file is no physical card"
        assert panel("verify", volume.mount_point).code == 0

        subprocess.run(["umount", volume.mount_point], check=True)
        ran = panel("verify", volume.mount_point)
        assert ran.code != 0, "an empty folder where the card was is not the card"
        subprocess.run(["mount", volume.device, volume.mount_point], check=True)
        assert panel("verify", volume.mount_point).code == 0


def test_a_byte_altered_on_the_medium_behind_the_kernels_back_is_found(panel: Cli, tmp_path: Path) -> None:
    assert panel("unit", "rule", "small", "--source", "invented: asks nothing").code == 0
    with loop_volume(tmp_path) as volume:
        assert panel("write", "nav", "--on", volume.mount_point, "--for", "LEFT").code == 0
        original = (tmp_path / "nav" / "nav-region-0" / "part-4.bin").read_bytes()
        copy = volume.mount_point / "nav-region-0" / "part-4.bin"
        assert copy.read_bytes() == original, "now it is in memory"
        place = volume.image.read_bytes().find(original[4096:8192])
        assert place > 0
        with volume.image.open("r+b") as image:
            image.seek(place + 100)
            image.write(bytes([original[4196] ^ 0x40]))
            os.fsync(image.fileno())
        assert copy.read_bytes() == original, "a plain read does not notice"
        ran = panel("verify", volume.mount_point)
        assert ran.code == 31
        assert "nav-region-0/part-4.bin" in ran.err


def test_what_lives_in_memory_is_never_called_verified(panel: Cli, tmp_path: Path) -> None:
    assert panel("unit", "rule", "small", "--source", "invented: asks nothing").code == 0
    with memory_volume(tmp_path) as place:
        ran = panel("write", "nav", "--on", place, "--for", "LEFT", "--card", "MEM", "--json")
        assert ran.code == 38, ran.out + ran.err
        assert panel("install", "MEM", "--in", "LEFT").code == 12


def test_a_volume_that_is_too_small_is_refused_before_it_is_touched(panel: Cli, tmp_path: Path) -> None:
    assert panel("unit", "rule", "small", "--source", "invented: asks nothing").code == 0
    with memory_volume(tmp_path, size_bytes=48 * 1024) as place:
        ran = panel("write", "nav", "--on", place, "--for", "LEFT", "--json")
        assert ran.code == 10
        refused = [line["check"] for line in ran.lines if line["type"] == "finding" and line["result"] == "refuse"]
        assert refused == ["card.room"]
        assert not list(place.iterdir())
