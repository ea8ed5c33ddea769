"""QR codes (ISO/IEC 18004) as the dark squares of a grid, for whoever draws them. The one place that knows segno."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

QUIET = 4
"""The modules that must stay light around a code (ISO/IEC 18004, quiet zone)."""


def modules(text: str) -> tuple[tuple[bool, ...], ...]:
    """Return a QR code for a text, row by row, True for dark, without its quiet zone.

    Error correction M, which mends about 15 % of a code: a label on a card's case gets scratched.
    """
    import segno

    code = segno.make(text, error="m", boost_error=False, micro=False)
    return tuple(tuple(bool(module) for module in row) for row in code.matrix)


def runs(code: tuple[tuple[bool, ...], ...]) -> Iterator[tuple[int, int, int]]:
    """Yield dark stretches as (row, first column, length): drawn whole, they leave no seams between modules."""
    for number, row in enumerate(code):
        column = 0
        for dark, stretch in groupby(row):
            length = len(list(stretch))
            if dark:
                yield number, column, length
            column += length
