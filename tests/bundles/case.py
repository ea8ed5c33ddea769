"""One archive of the hostile corpus, and what must come of it."""

from __future__ import annotations

from dataclasses import dataclass, field

from mediaprep.errors import MediaPrepError

# What the one good file of most cases holds.
DATA = b"some data of a bundle, long enough to be packed: " * 20


@dataclass(frozen=True)
class Case:
    """`error` None: it is fine, or holds no file at all. `match` is what the message must have in it."""

    title: str
    data: bytes = field(repr=False)
    error: type[MediaPrepError] | None
    match: str
