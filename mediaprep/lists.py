"""Units, cards and past loads from lists that an owner kept elsewhere: rows of CSV into values, all faults told. Pure.

Nothing is judged twice: what a list leaves out is asked for here, and what a name means is looked up in what the
records know.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Generic, TypeVar

from mediaprep.csvfile import Problem, Row, read_rows
from mediaprep.cycles import validity_for
from mediaprep.errors import MediaPrepError
from mediaprep.model import DataKind, MediaRule, Unit, Validity
from mediaprep.quantities import parse_bytes, parse_date_or_utc, parse_utc

T = TypeVar("T")
K = TypeVar("K")

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9._-]{0,39}")
_HOURS = re.compile(r"[0-9]{1,6}(?:\.[0-9]{1,2})?")

UNIT_COLUMNS = {
    "needed": ("aircraft", "unit", "kinds", "rule"),
    "optional": ("title", "slots", "software"),
}
CARD_COLUMNS = {"needed": ("card",), "optional": ("capacity", "first_seen")}
LOAD_COLUMNS = {
    "needed": ("aircraft", "unit", "card", "kind", "accepted"),
    "optional": ("cycle", "effective", "lapses", "bundle", "slot", "shown_until", "hours", "note"),
}


@dataclass(frozen=True, slots=True)
class Known:
    """What the records know, for rows to refer to. Units are by (aircraft, unit), bundles by name."""

    units: Mapping[tuple[str, str], Unit] = field(default_factory=dict)
    kinds: Mapping[str, DataKind] = field(default_factory=dict)
    rules: Mapping[str, MediaRule] = field(default_factory=dict)
    cards: frozenset[str] = frozenset()
    bundles: Mapping[str, tuple[str, Validity]] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class ListedCard:
    """A card that an owner has, from a list: no reader has seen it yet."""

    name: str
    capacity_bytes: int | None
    first_seen_at: datetime | None


@dataclass(frozen=True, slots=True)
class PastLoad:
    """A load that a unit accepted before these records knew of it. `bundle` is the name its set goes by here."""

    aircraft: str
    unit: str
    slot: str | None
    card: str
    bundle: str
    kind: str
    validity: Validity
    accepted_at: datetime
    shown_until: date | None
    aircraft_hours: str | None
    note: str


@dataclass(frozen=True, slots=True)
class Sheet(Generic[T]):
    """What a list holds: its good rows, and the problems of the others."""

    values: tuple[T, ...]
    problems: tuple[Problem, ...]


def read_units(text: str, known: Known, name: str) -> Sheet[Unit]:
    """Return the units of a list. Their aircraft may be new; their rule and kinds must be known.

    Raise Usage where the file is no list of units at all.
    """
    positions: dict[str, int] = {}
    for aircraft, _ in known.units:
        positions[aircraft] = positions.get(aircraft, 0) + 1

    def read(row: Row) -> Unit | None:
        aircraft, unit = _name(row, "aircraft"), _name(row, "unit")
        rule = _lookup(row, "rule", row.needed("rule"), known.rules)
        row.needed("kinds")
        for kind in row.many("kinds"):
            _lookup(row, "kinds", kind, known.kinds)
        if (aircraft, unit) in known.units:
            row.wrong("unit", f"{aircraft}/{unit} is in the records already", "Leave the row out.")
        if rule is None or row.problems:
            return None
        position = positions.get(aircraft, 0)
        positions[aircraft] = position + 1
        slots, kinds = row.many("slots"), row.many("kinds")
        return Unit(unit, aircraft, row.text("title"), slots, kinds, rule, row.text("software") or None, position)

    return _read(text, UNIT_COLUMNS, name, read, key=lambda unit: unit.label, called="unit")


def read_cards(text: str, known: Known, name: str) -> Sheet[ListedCard]:
    """Return the cards of a list. Raise Usage where the file is no list of cards at all."""

    def read(row: Row) -> ListedCard:
        card = _name(row, "card")
        if card in known.cards:
            row.wrong("card", f"{card} is in the records already", "Leave the row out.")
        return ListedCard(card, row.read("capacity", parse_bytes), row.read("first_seen", parse_utc))

    return _read(text, CARD_COLUMNS, name, read, key=lambda card: card.name, called="card")


def read_loads(text: str, known: Known, name: str, *, now: datetime) -> Sheet[PastLoad]:
    """Return the past loads of a list, whose units, cards and kinds must be known, in the order of their acceptance.

    Raise Usage where the file is no list of loads at all.
    """
    named: dict[str, tuple[str, Validity]] = dict(known.bundles)

    def read(row: Row) -> PastLoad | None:
        unit = _lookup(row, "unit", (row.needed("aircraft"), row.needed("unit")), known.units)
        kind = _lookup(row, "kind", row.needed("kind"), known.kinds)
        card = row.needed("card")
        if card and card not in known.cards:
            row.wrong("card", f"there is no card {card}", "Import the cards first.")
        row.needed("accepted")
        accepted_at = row.read("accepted", parse_utc)
        if accepted_at is not None and accepted_at > now:
            row.wrong("accepted", f"{row.text('accepted')} is still to come", "Enter it when it has happened.")
        slot = row.text("slot") or None
        if unit is not None:
            if slot is not None and slot not in unit.slots:
                row.wrong("slot", f"unit {unit.label} has no slot {slot}", _listed(unit.slots))
            if kind is not None and kind.name not in unit.kinds:
                row.wrong("kind", f"unit {unit.label} does not take {kind.name}", _listed(unit.kinds))
        validity = _validity(row, kind) if kind is not None else None
        shown, hours = row.read("shown_until", date.fromisoformat), row.read("hours", parse_hours)
        if unit is None or kind is None or validity is None or accepted_at is None:
            return None
        bundle = row.text("bundle") or _bundle_name(kind, validity)
        if named.setdefault(bundle, (kind.name, validity)) != (kind.name, validity):
            row.wrong("bundle", f"bundle {bundle} is of another kind or has other dates", "Give it another name.")
        note = row.text("note")
        load = PastLoad(
            unit.aircraft, unit.name, slot, card, bundle, kind.name, validity, accepted_at, shown, hours, note
        )
        return None if row.problems else load

    sheet = _read(
        text,
        LOAD_COLUMNS,
        name,
        read,
        key=lambda load: (load.aircraft, load.unit, load.card, load.bundle, load.accepted_at),
        called="load",
    )
    return replace(sheet, values=tuple(sorted(sheet.values, key=lambda load: load.accepted_at)))


def parse_hours(text: str) -> str:
    """Return a reading of an hour meter in decimal hours, as written. Raise ValueError where it is none."""
    if not _HOURS.fullmatch(text):
        message = f"'{text}' is not a number of hours such as 1234.5"
        raise ValueError(message)
    return text


def _read(
    text: str,
    columns: Mapping[str, tuple[str, ...]],
    name: str,
    read: Callable[[Row], T | None],
    *,
    key: Callable[[T], object],
    called: str,
) -> Sheet[T]:
    """Read every row, and refuse one that says the same as an earlier one by its key."""
    rows = read_rows(text, needed=columns["needed"], known=[*columns["needed"], *columns["optional"]], name=name)
    lines: dict[object, int] = {}
    values: list[T] = []
    for row in rows:
        value = read(row)
        if value is None or row.problems:
            continue
        first = lines.setdefault(key(value), row.line)
        if first != row.line:
            row.wrong("", f"the same {called} stands in line {first}", "Leave one of them out.")
        else:
            values.append(value)
    return Sheet(tuple(values), tuple(problem for row in rows for problem in row.problems))


def _name(row: Row, column: str) -> str:
    text = row.needed(column)
    if text and not _NAME.fullmatch(text):
        remedy = "Use up to 40 letters, digits, dots, hyphens and underscores, no blanks."
        row.wrong(column, f"'{text}' cannot be a name", remedy)
    return text


def _lookup(row: Row, column: str, wanted: K, known: Mapping[K, T]) -> T | None:
    """Return what a cell names. Where there is no such thing that is a problem; an empty cell was one before."""
    parts = wanted if isinstance(wanted, tuple) else (wanted,)
    found = known.get(wanted)
    if found is None and all(parts):
        there = ", ".join("/".join(key) if isinstance(key, tuple) else str(key) for key in known)
        what = f"there is no {column.removesuffix('s')} {'/'.join(map(str, parts))}"
        row.wrong(column, what, f"There are {there or 'none'}.")
    return found


def _validity(row: Row, kind: DataKind) -> Validity | None:
    effective = row.read("effective", parse_date_or_utc)
    lapses = row.read("lapses", parse_date_or_utc)
    try:
        return validity_for(kind.cycle_rule, cycle=row.text("cycle") or None, effective_on=effective, lapses_on=lapses)
    except MediaPrepError as error:
        row.wrong("cycle", str(error), error.remedy)
        return None


def _bundle_name(kind: DataKind, validity: Validity) -> str:
    """Return a name for a set whose files were never here, unlike any that `bundle add` makes up."""
    period = validity.cycle or (f"{validity.effective_at:%Y-%m-%d}" if validity.effective_at else None)
    return "-".join(part for part in (kind.name, period, "past") if part)


def _listed(names: tuple[str, ...]) -> str:
    return f"There are {', '.join(names) or 'none'}."
