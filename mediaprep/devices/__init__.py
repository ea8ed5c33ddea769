"""Cards, and what plays them: the doors to media. Each class here is a `ports.CardAccess`."""

from __future__ import annotations

import platform
from pathlib import Path
from typing import TYPE_CHECKING

from mediaprep.errors import CardGone, NotFound
from mediaprep.model import Known

if TYPE_CHECKING:
    from mediaprep.ports import CardAccess


def open_card(path: Path) -> CardAccess:
    """Return the card at a path: a described simulated card, a mounted volume, or else a folder that plays one.

    Raise NotFound where there is no folder, Usage where a simulated card's description cannot be read.
    """
    from mediaprep.devices.folder import FolderCard
    from mediaprep.devices.mounted import MountedCard
    from mediaprep.devices.simulated import SimulatedCard, is_simulated_card

    try:
        is_folder = path.is_dir()
    except OSError:  # a folder above it is closed to us
        is_folder = False
    if not is_folder:
        message = f"{path} is no folder"
        raise NotFound(message, remedy="Name the folder where the card is mounted, or make a folder to play a card.")
    if is_simulated_card(path):
        return SimulatedCard.open(path)
    if path.resolve() in _mount_points():
        return MountedCard(path)
    return FolderCard(path)


def list_cards() -> list[CardAccess]:
    """Return the cards that are mounted now: removable media that hold nothing of the running system."""
    from mediaprep.devices.mounted import MountedCard

    found: list[CardAccess] = []
    for place in sorted(_mount_points(on_devices_only=True)):
        try:
            card = MountedCard(place)
            facts = card.facts()
        except (CardGone, OSError):
            # Unmounted this instant, or not for this user's eyes.
            continue
        removable = isinstance(facts.removable, Known) and facts.removable.value
        if removable and isinstance(facts.system_use, Known) and not facts.system_use.value:
            found.append(card)
    return found


def _mount_points(*, on_devices_only: bool = False) -> set[Path]:
    """Return where volumes are mounted, where asked those alone that lie on a device: a network volume may not answer.

    psutil misses what is mounted from a folder, so Linux is asked itself.
    """
    if platform.system() == "Linux":
        from mediaprep.devices.mounts import device_number, read_mounts

        return {
            Path(mount.mount_point)
            for mount in read_mounts()
            if not on_devices_only or device_number(mount) is not None
        }
    import psutil

    return {Path(part.mountpoint) for part in psutil.disk_partitions(all=not on_devices_only)}
