"""Bundles as they lie on this computer or in a store: each form here is a `ports.BundleSource`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from mediaprep.bundles.place import StoreUrl, find_place
from mediaprep.errors import BundleUnreadable, Usage

if TYPE_CHECKING:
    from mediaprep.ports import BundleSource


def open_recorded(source: str, *, lenient: bool = False) -> BundleSource:
    """Return the bundle whose source the records hold, a path or a URL. Raise what open_bundle and find_place raise."""
    return open_bundle(find_place(source), lenient=lenient)


def open_bundle(path: Path | StoreUrl, *, lenient: bool = False) -> BundleSource:
    """Return the bundle at a path, by what it is and not by how it is called: a folder, a bag, a zip or a tar archive.

    Of a store's URL, the prefix: it is not asked yet whether anything is there. `lenient`: a bag may have faults of
    form. Raise BundleUnreadable where there is nothing or it cannot be read, BundleUnsafe, Usage where it is something
    else.
    """
    if isinstance(path, StoreUrl):
        from mediaprep.bundles.store import StoreBundle

        return StoreBundle(path)
    from mediaprep.bundles.bag import BagBundle, is_bag
    from mediaprep.bundles.folder import FolderBundle

    try:
        if path.is_dir():
            return BagBundle(path, lenient=lenient) if is_bag(path) else FolderBundle(path)
        if path.is_file():
            return _open_file(path)
        is_something = path.exists()
    except OSError as error:
        message = f"{path} cannot be looked at: {error.strerror}"
        raise BundleUnreadable(message) from error
    if not is_something:
        message = f"There is nothing at {path}"
        raise BundleUnreadable(message)
    message = f"{path} is neither a folder nor a file, and only these can be taken in"
    raise Usage(message, remedy="Name the folder or the archive that holds the files.")


def _open_file(path: Path) -> BundleSource:
    """Return the archive that a file is. Raise Usage where it is none that can be read here, BundleUnsafe, OSError."""
    from mediaprep.bundles.recognise import disk_image, is_tar, is_zip, other_archive
    from mediaprep.bundles.tar import TarBundle
    from mediaprep.bundles.zip import ZipBundle

    # A disk that starts with an archive is nothing to guess about, so archives are asked first and images last.
    if is_zip(path):
        return ZipBundle(path)
    if is_tar(path):
        return TarBundle(path)
    archive = other_archive(path)
    if archive is not None:
        message = f"{path} is {archive}, which cannot be read here: only folders, zip and tar archives can be taken in"
        raise Usage(message, remedy="Unpack it, then name the folder that holds its files.")
    image = disk_image(path)
    if image is not None:
        message = f"{path} is a disk image ({image}), not a set of files: it cannot be taken in as it is"
        raise Usage(message, remedy="Mount it for reading only, then name the folder that holds its files.")
    message = f"{path} is neither a folder nor a zip or tar archive, and only these can be taken in"
    raise Usage(message, remedy="Name the folder or the archive that holds the files.")
