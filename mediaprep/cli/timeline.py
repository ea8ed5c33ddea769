"""A panel over time as a picture for the terminal: one bar for each kind of each unit, on a common axis."""

from __future__ import annotations

import sys
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

from mediaprep.model import Currency, Doing, KindStatus, NextStep, PanelStatus, Validity, Visit
from mediaprep.quantities import format_days

# (block characters, plain ASCII): in force, the next load ahead, uncovered, the instant asked for, a load by a visit
FULL, NEXT, GAP, NOW, LOAD = ("█", "#"), ("▒", "="), ("·", "."), ("│", "|"), ("◆", "*")


@dataclass(frozen=True, slots=True)
class Scale:
    """The axis: the instant at its left end, and how many columns of how many days each."""

    start: datetime
    columns: int
    column_days: int

    def span(self, column: int) -> tuple[datetime, datetime]:
        """Return the period that a column stands for."""
        start = self.start + timedelta(days=column * self.column_days)
        return start, start + timedelta(days=self.column_days)

    def column_of(self, instant: datetime) -> int:
        """Return the column in which an instant falls; it may lie beyond either end."""
        return (instant - self.start) // timedelta(days=self.column_days)


def around(at: datetime, columns: int = 40) -> Scale:
    """Return the axis of a status: some days back, and about five months ahead, in so many columns."""
    return Scale(at - timedelta(days=16), columns, -(-160 // columns))


def ahead(start: datetime, days: int, columns: int = 61) -> Scale:
    """Return an axis that begins at an instant and holds so many days in no more than so many columns."""
    column_days = -(-days // columns)
    return Scale(start, -(-days // column_days), column_days)


def axis(scale: Scale) -> str:
    """Return the line above the bars: where each month begins, its name; where a year begins, the year."""
    line = [" "] * scale.columns
    previous = scale.start.month
    for column in range(scale.columns):
        _, end = scale.span(column)
        if end.month != previous:
            name = f"{end:%Y}" if end.month == 1 else f"{end:%b}"
            line[column : column + len(name)] = name
            previous = end.month
    return "".join(line[: scale.columns])


def bar(status: KindStatus, scale: Scale, marks: Collection[datetime], *, plain: bool = False) -> str:
    """Return one kind's bar: what is in force, what follows it, where nothing covers it, and where the marks are."""
    marked = {scale.column_of(mark) for mark in marks}
    cells = []
    for column in range(scale.columns):
        start, end = scale.span(column)
        middle = start + (end - start) / 2
        if column in marked:
            cells.append(NOW)
        elif status.load is not None and _covers(status.load.validity, middle):
            cells.append(FULL)
        elif status.next_load is not None and _covers(status.next_load.validity, middle):
            cells.append(NEXT)
        else:
            cells.append(GAP)
    return "".join(cell[int(plain)] for cell in cells)


def load_bar(status: KindStatus, visits: Collection[Visit], scale: Scale, *, plain: bool = False) -> str:
    """Return one kind's bar of a plan: what is loaded now, and each visit that loads a set of it."""
    cells = list(bar(status, scale, (), plain=plain))
    for visit in visits:
        column = column_of_visit(visit, scale)
        if column < scale.columns and any(one.unit == status.unit and one.kind == status.kind for one in visit.windows):
            cells[column] = LOAD[int(plain)]
    return "".join(cells)


def visit_line(visits: Collection[Visit], scale: Scale) -> str:
    """Return the line below the bars of a plan: each visit's number at its last day, where there is room for it."""
    line = [" "] * scale.columns
    for number, visit in enumerate(visits, start=1):
        column, name = column_of_visit(visit, scale), str(number)
        if "".join(line[max(column - 1, 0) : column + len(name)]).strip() == "":
            line[column : column + len(name)] = name
    return "".join(line)


def column_of_visit(visit: Visit, scale: Scale) -> int:
    """Return the column of a visit's last day."""
    return max(scale.column_of(datetime.combine(visit.last_day, time(12), UTC)), 0)


def legend(*, plain: bool = False, mark: str = "now") -> str:
    """Return what the marks mean."""
    pick = int(plain)
    covered = f"{FULL[pick]} loaded and in force  {NEXT[pick]} loaded ahead  {GAP[pick]} nothing covers it"
    return f"{covered}  {NOW[pick]} {mark}"


def plan_legend(*, plain: bool = False) -> str:
    """Return what the marks of a plan mean."""
    pick = int(plain)
    return f"{FULL[pick]} loaded and in force  {NEXT[pick]} loaded ahead  {LOAD[pick]} last day to load the next set"


def draws_blocks() -> bool:
    """Say whether what we print to can show the block characters."""
    try:
        "".join(mark[0] for mark in (FULL, NEXT, GAP, NOW, LOAD)).encode(sys.stdout.encoding or "ascii")
    except UnicodeEncodeError:
        return False
    return True


def describe(status: KindStatus, at: datetime) -> str:
    """Return a kind's status in words, with the days left or gone by."""
    words = str(status.currency.value)
    if status.currency is Currency.UNKNOWN and status.waiting is not None:
        return f"{words}: card {status.waiting.card} was put in, what the unit showed is not logged"
    if status.currency is Currency.NOT_YET and status.load is not None and status.load.validity.effective_at:
        return f"{words}: from {status.load.validity.effective_at:%Y-%m-%d}"
    if status.lapses_at is None:
        return words
    day, distance = f"{status.lapses_at:%Y-%m-%d}", format_days(abs(status.lapses_at - at))
    match status.currency:
        case Currency.LAPSED:
            return f"{words} on {day}, {distance} ago"
        case Currency.LAPSES_SOON:
            return f"{words}: on {day}, {distance} left"
        case _:
            return f"{words} until {day}, {distance} left"


def describe_step(step: NextStep) -> str:
    """Return in words what is to be done next, and until when."""
    when = "at once" if step.last_day is None else f"by {step.last_day:%Y-%m-%d}, the last whole day (UTC)"
    which = f" {step.load.card}" if step.load is not None else ""
    match step.doing:
        case Doing.ANSWER:
            what = f"log what unit {step.unit} showed when card{which} was put in"
        case Doing.CARRY:
            what = f"carry card{which} to unit {step.unit}"
        case Doing.LOAD:
            what = f"write and load the next set for unit {step.unit}"
    return f"{what} ({step.kind}) {when}."


def cycle_of(status: KindStatus) -> str:
    """Return the cycle a unit holds of a kind, or the bundle's name where it has no cycle."""
    if status.load is None:
        return "-"
    return status.load.validity.cycle or status.load.bundle


@dataclass(frozen=True, slots=True)
class Columns:
    """How wide the columns before the bars are."""

    unit: int
    kind: int
    cycle: int

    @classmethod
    def of(cls, panel: PanelStatus) -> Columns:
        """Return the widths that fit a panel."""
        return cls(
            unit=max([len("UNIT"), *(len(one.unit) for one in panel.kinds)]),
            kind=max([len("KIND"), *(len(one.kind) for one in panel.kinds)]),
            cycle=max([len("CYCLE"), *(len(cycle_of(one)) for one in panel.kinds)]),
        )

    @property
    def width(self) -> int:
        """How much of a line goes by before the picture."""
        return len(self.line("", "", "", ""))

    def line(self, unit: str, kind: str, cycle: str, picture: str) -> str:
        """Return a line of the picture."""
        return f"{unit:{self.unit}}  {kind:{self.kind}}  {cycle:{self.cycle}}  {picture}"


def _covers(validity: Validity, instant: datetime) -> bool:
    began = validity.effective_at is None or validity.effective_at <= instant
    return began and (validity.lapses_at is None or instant < validity.lapses_at)
