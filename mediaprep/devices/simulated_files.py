"""Single files of a simulated card, being written or read back. What goes wrong is the card's to say."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING

from mediaprep.devices.medium import CHUNK_BYTES
from mediaprep.devices.tree_card import TreeWriter
from mediaprep.model import CardEntry, DataEvidence
from mediaprep.ports import CardReading

if TYPE_CHECKING:
    from mediaprep.devices.simulated import SimulatedCard


class SimulatedWriter:
    """One file being written to a simulated card."""

    def __init__(
        self, card: SimulatedCard, writer: TreeWriter, spelled: str, require_present: Callable[[], None]
    ) -> None:
        self._card = card
        self._writer = writer
        self._spelled = spelled
        self._require_present = require_present

    def write(self, chunk: bytes) -> None:
        """Append the whole chunk, or as much as goes before something goes wrong, and raise that."""
        self._card.append(self._writer, self._spelled, chunk)

    def sync(self) -> None:
        """Do nothing but look for the card: what was written lies in the volume's folder already."""
        self._require_present()

    def close(self) -> None:
        """Let the file go."""
        self._writer.close()


class SimulatedView:
    """A simulated card as its raw device would show it: what is in its folder, as its medium gives it."""

    problems: Mapping[str, str] = {}

    def __init__(self, card: SimulatedCard) -> None:
        self._card = card

    def entries(self) -> Iterator[CardEntry]:
        """Yield every file and folder on the card, each once, folders before what is in them."""
        return self._card.entries()

    def read(self, path: str) -> CardReading:
        """Open a file for reading from the medium."""
        return self._card.read_by(path, DataEvidence.DIRECT)

    def close(self) -> None:
        """Do nothing: nothing is held."""


class SimulatedReading:
    """One file being read back from a simulated card."""

    def __init__(
        self, card: SimulatedCard, opened: int, spelled: str, evidence: DataEvidence, *, from_memory: bool
    ) -> None:
        self.evidence = evidence
        self._card = card
        self._opened: int | None = opened
        self._spelled = spelled
        self._from_memory = from_memory

    def __iter__(self) -> Iterator[bytes]:
        """Yield chunks until the end of the file, or what the medium gives for it. Raise CardGone."""
        if self._opened is None:
            message = f"{self._spelled} was let go before"
            raise ValueError(message)
        size_bytes = os.fstat(self._opened).st_size
        end = size_bytes if self._from_memory else self._card.end_on_medium(self._spelled, size_bytes)
        offset = 0
        while chunk := os.read(self._opened, min(CHUNK_BYTES, end - offset)):
            yield chunk if self._from_memory else self._card.from_medium(chunk, offset, self._spelled)
            offset += len(chunk)

    def close(self) -> None:
        """Let the file go."""
        if self._opened is not None:
            os.close(self._opened)
            self._opened = None
