"""A panel's status as a picture for the terminal: one bar for each kind of each unit, on a common time axis."""

from __future__ import annotations

from datetime import datetime, timedelta

from mediaprep.model import Currency, KindStatus, PanelStatus, Validity

COLUMN_DAYS = 4
COLUMNS_BEFORE = 4
COLUMNS = 40

# (block characters, plain ASCII): in force, the next load ahead, uncovered, now
FULL, NEXT, GAP, NOW = ("█", "#"), ("▒", "="), ("·", "."), ("│", "|")


def axis(at: datetime) -> str:
    """Return the line above the bars: where each month begins, its name; where a year begins, the year."""
    line = [" "] * COLUMNS
    previous = _span(at, 0)[0].month
    for column in range(COLUMNS):
        _, end = _span(at, column)
        if end.month != previous:
            name = f"{end:%Y}" if end.month == 1 else f"{end:%b}"
            line[column : column + len(name)] = name
            previous = end.month
    return "".join(line[:COLUMNS])


def bar(status: KindStatus, at: datetime, *, plain: bool = False) -> str:
    """Return one kind's bar: what is in force, what follows it, where nothing covers it, and where now is."""
    pick = 1 if plain else 0
    cells = []
    for column in range(COLUMNS):
        start, end = _span(at, column)
        middle = start + (end - start) / 2
        if column == COLUMNS_BEFORE:
            cells.append(NOW[pick])
        elif status.load is not None and _covers(status.load.validity, middle):
            cells.append(FULL[pick])
        elif status.next_load is not None and _covers(status.next_load.validity, middle):
            cells.append(NEXT[pick])
        else:
            cells.append(GAP[pick])
    return "".join(cells)


def legend(*, plain: bool = False) -> str:
    """Return what the marks mean."""
    pick = 1 if plain else 0
    return (
        f"{FULL[pick]} loaded and in force  {NEXT[pick]} loaded ahead  {GAP[pick]} nothing covers it  {NOW[pick]} now"
    )


def describe(status: KindStatus, at: datetime) -> str:
    """Return a kind's status in words, with the days left or gone by."""
    words = str(status.currency.value)
    if status.currency is Currency.NOT_YET and status.load is not None and status.load.validity.effective_at:
        return f"{words}: from {status.load.validity.effective_at:%Y-%m-%d}"
    if status.lapses_at is None:
        return words
    day, distance = f"{status.lapses_at:%Y-%m-%d}", _days(abs(status.lapses_at - at))
    match status.currency:
        case Currency.LAPSED:
            return f"{words} on {day}, {distance} ago"
        case Currency.LAPSES_SOON:
            return f"{words}: on {day}, {distance} left"
        case _:
            return f"{words} until {day}, {distance} left"


def cycle_of(status: KindStatus) -> str:
    """Return the cycle a unit holds of a kind, or the bundle's name where it has no cycle."""
    if status.load is None:
        return "-"
    return status.load.validity.cycle or status.load.bundle


def unit_width(panel: PanelStatus) -> int:
    """Return how wide the column of unit names must be."""
    return max([len("UNIT"), *(len(status.unit) for status in panel.kinds)])


def _days(distance: timedelta) -> str:
    days = distance // timedelta(days=1)
    return "less than a day" if days == 0 else "1 day" if days == 1 else f"{days} days"


def _span(at: datetime, column: int) -> tuple[datetime, datetime]:
    start = at + timedelta(days=(column - COLUMNS_BEFORE) * COLUMN_DAYS)
    return start, start + timedelta(days=COLUMN_DAYS)


def _covers(validity: Validity, instant: datetime) -> bool:
    began = validity.effective_at is None or validity.effective_at <= instant
    return began and (validity.lapses_at is None or instant < validity.lapses_at)
