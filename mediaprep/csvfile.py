"""A CSV file as rows of text, and its faults told by line and column: what every import from a list stands on. Pure."""

from __future__ import annotations

import csv
import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeVar

from mediaprep.errors import MediaPrepError, Usage
from mediaprep.export import GUARD

T = TypeVar("T")
_MANY = "\n;|"
# As the csv module wants them, with their ends; str.splitlines would also break at signs that may stand in a cell.
_LINES = re.compile(r"[^\r\n]*(?:\r\n|\r|\n)|[^\r\n]+")


@dataclass(frozen=True, slots=True)
class Problem:
    """What keeps a row from being taken. `line` counts from 1, the header's; `column` is empty for a whole row."""

    line: int
    column: str
    text: str
    remedy: str = ""

    @property
    def place(self) -> str:
        """Where it is, for people."""
        return f"line {self.line}" + (f", column {self.column}" if self.column else "")


@dataclass
class Row:
    """One row: its cells by the header's names, blanks at their ends taken off. What is wrong is gathered."""

    line: int
    cells: Mapping[str, str]
    problems: list[Problem] = field(default_factory=list)

    def text(self, column: str, default: str = "") -> str:
        """Return a cell, or the default where it is empty or there is no such column."""
        return self.cells.get(column) or default

    def needed(self, column: str) -> str:
        """Return a cell that must not be empty; where it is, that is a problem."""
        if not self.cells.get(column):
            self.wrong(column, "is empty", "Fill it in.")
        return self.text(column)

    def many(self, column: str) -> tuple[str, ...]:
        """Return the parts of a cell, which `;` or `|` separate."""
        text = self.text(column)
        for sign in _MANY:
            text = text.replace(sign, ";")
        return tuple(dict.fromkeys(part.strip() for part in text.split(";") if part.strip()))

    def read(self, column: str, reader: Callable[[str], T]) -> T | None:
        """Return a cell as a reader understands it, None where it is empty or the reader raised Usage or ValueError."""
        text = self.text(column)
        if not text:
            return None
        try:
            return reader(text)
        except MediaPrepError as error:
            self.wrong(column, str(error), error.remedy)
        except ValueError as error:
            self.wrong(column, str(error))
        return None

    def wrong(self, column: str, text: str, remedy: str = "") -> None:
        """Note a problem with a cell."""
        self.problems.append(Problem(self.line, column, text, remedy))


def read_rows(text: str, *, needed: Sequence[str], known: Iterable[str], name: str) -> list[Row]:
    """Return the rows of a CSV file with a header; `name` is what errors call the file.

    Commas or semicolons separate the cells, whichever the header has; a byte order mark, empty lines and the blanks
    around a cell are passed over, and so is the guard that our own CSV puts before what looks like a formula.

    Raise Usage where the header lacks a column that is needed or has one that is not known, or has one twice. A row
    with too many or too few cells is returned with that problem.
    """
    lines = _LINES.findall(text.removeprefix("\ufeff"))
    header_line = lines[0] if lines else ""
    delimiter = ";" if header_line.count(";") > header_line.count(",") else ","
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=True, strict=True)
    rows: list[Row] = []
    header: list[str] | None = None
    line = 1
    try:
        for cells in reader:
            if not any(cell.strip() for cell in cells):
                pass
            elif header is None:
                header = _checked_header([cell.strip().lower() for cell in cells], needed, set(known), name)
            else:
                rows.append(_row(line, header, cells))
            line = reader.line_num + 1
    except csv.Error as error:
        message = f"{name}, line {reader.line_num}: this is no CSV: {error}"
        raise Usage(message, remedy="Save it again as CSV from the program it comes from.") from None
    if header is None:
        message = f"{name} is empty"
        raise Usage(message, remedy=f"Its first line must name the columns: {', '.join(needed)}.")
    return rows


def _row(line: int, header: Sequence[str], cells: Sequence[str]) -> Row:
    row = Row(line, {column: _unguarded(cell) for column, cell in zip(header, cells, strict=False)})
    if len(cells) != len(header):
        row.wrong("", f"has {len(cells)} cells, and the header has {len(header)}", "Quote cells that hold a separator.")
    return row


def _unguarded(cell: str) -> str:
    return cell.strip().removeprefix(GUARD)


def _checked_header(header: list[str], needed: Sequence[str], known: set[str], name: str) -> list[str]:
    missing = [column for column in needed if column not in header]
    strange = [column for column in header if column not in known]
    twice = sorted({column for column in header if header.count(column) > 1})
    for wrong, what in ((missing, "lacks the column"), (strange, "has the unknown column"), (twice, "has twice")):
        if wrong:
            message = f"{name}, line 1: the header {what} {', '.join(repr(column) for column in wrong)}"
            raise Usage(message, remedy=f"Columns: {', '.join(sorted(known))}; needed: {', '.join(needed)}.")
    return header
