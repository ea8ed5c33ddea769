"""How an archive's faults are put into words: the member is named, and the way out."""

from __future__ import annotations

from mediaprep.errors import BundleUnreadable, BundleUnsafe
from mediaprep.names import printable

LOOK_INSIDE = (
    "Have the archive supplied again; or unpack it with a program you trust, look at what is in it, and take in the "
    "folder."
)
NAMELESS = "A member without a name"
_SUPPLY_AGAIN = "The archive is damaged or not whole: copy or download it again, or have it supplied again."
_NAME_SHOWN_MAX = 300


class Refusals:
    """Errors about one archive, which lies at `location`. `name` is the member's; empty: the archive as a whole."""

    def __init__(self, location: str) -> None:
        self.location = location

    def unsafe(self, name: str, problem: str, remedy: str = LOOK_INSIDE) -> BundleUnsafe:
        """Return the error for what must not be copied, or would be read in two ways by two programs."""
        return BundleUnsafe(self._sentence(name, problem), remedy=remedy)

    def damaged(self, name: str, problem: str) -> BundleUnreadable:
        """Return the error for what is not as any archive of its kind is."""
        return BundleUnreadable(self._sentence(name, problem), remedy=_SUPPLY_AGAIN)

    def unreadable(self, error: OSError) -> BundleUnreadable:
        """Return the error for an archive that the computer cannot read."""
        return BundleUnreadable(f"The bundle {self.location} cannot be read: {error.strerror or error}")

    def _sentence(self, name: str, problem: str) -> str:
        if not name:
            return f"The bundle {self.location} {problem}"
        shown = printable(name)
        if len(shown) > _NAME_SHOWN_MAX:
            shown = f"{shown[:_NAME_SHOWN_MAX]}..."
        return f"{shown} in the bundle {self.location} {problem}"
