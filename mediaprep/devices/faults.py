"""What the system's error numbers mean on a card, in one place."""

from __future__ import annotations

import errno
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from mediaprep.errors import (
    CardFull,
    CardGone,
    CardReadOnly,
    CardRefusesName,
    MediaPrepError,
    ReadbackFailed,
    WriteFailed,
)

_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})
_READ_ONLY = frozenset({errno.EROFS, errno.EPERM, errno.EACCES})
# FAT and exFAT answer a forbidden character with EINVAL, a long name with ENAMETOOLONG, a large file with EFBIG.
_REFUSED = frozenset({errno.EFBIG, errno.EINVAL, errno.ENAMETOOLONG, errno.EILSEQ})


class CardFaults:
    """Turns OSError into the errors of mediaprep, for one card.

    `card` is what messages call it. `present` says whether the card is still there. It is asked before the error
    number is looked at: a card that was pulled out shows itself as EIO, ENODEV, ENXIO, ENOMEDIUM, ENOLINK, ETIMEDOUT,
    ENODATA, EREMOTEIO, or as EROFS where the file system gives up, and a bad card shows itself as most of these too.
    """

    def __init__(self, card: str, present: Callable[[], bool]) -> None:
        self._card = card
        self._present = present

    @contextmanager
    def writing(self, path: str) -> Iterator[None]:
        """Raise what an OSError within means to a write of `path`."""
        try:
            yield
        except OSError as error:
            raise self.of_write(error, path) from error

    @contextmanager
    def reading(self, path: str) -> Iterator[None]:
        """Raise what an OSError within means to a read of `path`."""
        try:
            yield
        except OSError as error:
            raise self.of_read(error, path) from error

    def of_write(self, error: OSError, path: str) -> MediaPrepError:
        """Return the error that a failed write of `path` means."""
        if not self._present():
            return self.gone(f"while {path} was being written")
        if error.errno in _FULL:
            return CardFull(f"{self._card} has no room for {path}")
        if error.errno in _READ_ONLY:
            return CardReadOnly(f"{self._card} refuses to write {path}: {error.strerror}")
        if error.errno in _REFUSED:
            return CardRefusesName(f"{self._card} refuses the name or the size of {path}: {error.strerror}")
        return WriteFailed(f"{self._card} failed to write {path}: {error.strerror}")

    def of_read(self, error: OSError, path: str) -> MediaPrepError:
        """Return the error that a failed read of `path` means."""
        if not self._present():
            return self.gone(f"while {path} was being read")
        return ReadbackFailed(f"{self._card} failed to read {path}: {error.strerror}")

    def require_present(self, during: str) -> None:
        """Raise CardGone when the card is not there. A folder that lists is no proof: a lost card lists as empty."""
        if not self._present():
            raise self.gone(during)

    def gone(self, during: str) -> CardGone:
        """Return the error for a card that vanished."""
        return CardGone(f"{self._card} vanished {during}")
