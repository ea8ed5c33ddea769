"""Bundles as they lie on this computer: each form here is a `ports.BundleSource`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from mediaprep.errors import BundleUnreadable, Usage

if TYPE_CHECKING:
    from mediaprep.ports import BundleSource


def open_bundle(path: Path) -> BundleSource:
    """Return the bundle at a path. Raise BundleUnreadable where there is nothing, Usage where it is no folder."""
    from mediaprep.bundles.folder import FolderBundle

    try:
        if path.is_dir():
            return FolderBundle(path)
        is_something = path.exists()
    except OSError as error:
        message = f"{path} cannot be looked at: {error.strerror}"
        raise BundleUnreadable(message) from error
    if not is_something:
        message = f"There is nothing at {path}"
        raise BundleUnreadable(message)
    message = f"{path} is not a folder, and only a folder can be taken in"
    raise Usage(message, remedy="Unpack it first, then name the folder that holds its files.")
