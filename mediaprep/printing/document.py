"""What can stand on a printout, whatever it is printed as: a document of blocks. Pure."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TypeAlias

TICK_BOX = "\u2610"


@dataclass(frozen=True, slots=True)
class Heading:
    """A line that opens a part."""

    text: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Running text. A `strong` one stands out: cautions, and what must not be missed."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Names and their values, one pair a line."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Table:
    """Columns with their shares of the width, and rows. The head is repeated on every page."""

    columns: tuple[tuple[str, float], ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class SignLines:
    """Empty lines to write on by hand, side by side, each with what belongs there."""

    labels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Tag:
    """A small thing to cut out: a label, or a slip for a card's case. `qr` is what its QR code holds."""

    title: str
    subtitle: str
    lines: tuple[str, ...]
    qr: str
    ticks: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, slots=True)
class Tags:
    """Things to cut out, all of one size, as many on a page as it takes."""

    tags: tuple[Tag, ...]
    width_mm: float
    height_mm: float


Block: TypeAlias = Heading | Paragraph | Facts | Table | SignLines | Tags


@dataclass(frozen=True, slots=True)
class Document:
    """One printout. `foot` stands at the foot of every page, beside its number."""

    title: str
    subtitle: str
    blocks: tuple[Block, ...] = field(default=())
    foot: str = ""
    wide: bool = False
