"""Is the computer fit for the job: room on each volume it writes to, power, memory."""

from __future__ import annotations

from collections.abc import Mapping

from mediaprep.checks.wording import Check, counted, known_as, unknown_as
from mediaprep.model import Action, Finding, HostVolume, PreflightFacts, Unknown
from mediaprep.quantities import format_bytes

CHECKS: Mapping[str, str] = {
    "host.room": "Each volume of this computer that the job writes to has room, with a margin.",
    "host.inodes": "Each of these volumes can take the number of files.",
    "host.battery": "This computer runs on mains, or its battery will last.",
    "host.memory": "This computer has memory to spare.",
}

# All of these are common practice, no source: enough that the computer itself does not falter for want of room, and
# that a laptop does not fall asleep while a card is half written.
HOST_MARGIN_BYTES = 256 * 2**20
HOST_MARGIN_FILES = 100
LOW_MEMORY_BYTES = 256 * 2**20
BATTERY_WARN_PERCENT = 50.0
BATTERY_REFUSE_PERCENT = 15.0


def check_host(facts: PreflightFacts) -> list[Finding]:
    """Judge this computer: room and files of each volume, then power and memory."""
    findings = []
    for volume in facts.host.volumes:
        findings += [_room(volume), _inodes(volume, facts)]
    return [*findings, _battery(facts), _memory(facts)]


def _volume_words(volume: HostVolume) -> str:
    return f"{volume.path} ({', '.join(volume.roles)})"


def _room(volume: HostVolume) -> Finding:
    check = Check("host.room", _volume_words(volume))
    if volume.needed_bytes == 0:
        return check.passes("The job writes nothing here")
    if isinstance(volume.free_bytes, Unknown):
        return unknown_as(check, "Free room on this volume", volume.free_bytes)
    free = volume.free_bytes.value
    missing = volume.needed_bytes + HOST_MARGIN_BYTES - free
    evidence = (
        f"The job needs {format_bytes(volume.needed_bytes)} here and leaves a margin of "
        f"{format_bytes(HOST_MARGIN_BYTES)}; {known_as(f'free: {format_bytes(free)}', volume.free_bytes)}"
    )
    if missing > 0:
        return check.refuses(
            evidence, f"Free at least {format_bytes(missing)} on the volume that holds {volume.path}, or use another."
        )
    return check.passes(evidence)


def _inodes(volume: HostVolume, facts: PreflightFacts) -> Finding:
    check = Check("host.inodes", _volume_words(volume))
    if volume.needed_bytes == 0:
        return check.passes("The job writes nothing here")
    if isinstance(volume.free_inodes, Unknown):
        return check.warns(
            f"How many more files this volume takes is not known: {volume.free_inodes.reason}",
            volume.free_inodes.remedy or "Make sure that the volume is not crowded with small files.",
        )
    free = volume.free_inodes.value
    if free is None:
        return check.passes(known_as("This volume has no limit on the number of files", volume.free_inodes))
    needed = 0
    if "card folder" in volume.roles:
        needed += sum(item.action is not Action.KEEP for item in facts.plan.files) + len(facts.plan.make_folders)
    if "staging" in volume.roles:
        needed += facts.bundle.file_count
    evidence = (
        f"The job makes {counted(needed, 'file')} here and leaves a margin of {HOST_MARGIN_FILES}; "
        f"{known_as(f'the volume takes {free} more', volume.free_inodes)}"
    )
    if free < needed + HOST_MARGIN_FILES:
        return check.refuses(
            evidence, f"Remove small files that nobody needs from the volume that holds {volume.path}."
        )
    return check.passes(evidence)


def _battery(facts: PreflightFacts) -> Finding:
    check = Check("host.battery", f"computer {facts.host.station}")
    mains, battery = facts.host.on_mains, facts.host.battery_percent
    plug_in = "Plug this computer into the mains."
    if not isinstance(mains, Unknown) and mains.value:
        return check.passes(known_as("On mains", mains))
    if isinstance(battery, Unknown):
        return check.warns(f"The battery's charge is not known: {battery.reason}", battery.remedy or plug_in)
    percent = battery.value
    if percent is None:
        return check.passes(known_as("This computer has no battery", battery))
    charge = known_as(f"battery at {percent:.0f} %", battery)
    if isinstance(mains, Unknown):
        evidence = f"Whether this computer is on mains is not known ({mains.reason}); {charge}"
        if percent < BATTERY_REFUSE_PERCENT:
            return check.cannot_tell("Whether the battery will last", evidence, plug_in)
    else:
        evidence = f"Not on mains; {charge}"
    if percent < BATTERY_REFUSE_PERCENT:
        return check.refuses(f"{evidence}; at least {BATTERY_REFUSE_PERCENT:.0f} % are needed", plug_in)
    if percent < BATTERY_WARN_PERCENT:
        return check.warns(evidence, plug_in)
    return check.passes(evidence)


def _memory(facts: PreflightFacts) -> Finding:
    check = Check("host.memory", f"computer {facts.host.station}")
    memory = facts.host.memory_available_bytes
    if isinstance(memory, Unknown):
        return check.warns(f"The memory available is not known: {memory.reason}", memory.remedy or "Close programs.")
    evidence = known_as(f"Memory available: {format_bytes(memory.value)}", memory)
    if memory.value < LOW_MEMORY_BYTES:
        return check.warns(evidence, "Close programs that are not needed: a computer short of memory may stall.")
    return check.passes(evidence)
