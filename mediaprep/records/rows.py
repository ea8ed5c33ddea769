"""Rows of any table as plain JSON values and back, by the types of their columns: what a whole aircraft moves in.

Keys that are numbers of this database alone do not travel: where a row refers to another by such a key, the name of
that other stands in its place (`card_id` becomes `card`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, time
from typing import Any, TypeAlias

from sqlalchemy import JSON, Boolean, Column, Connection, Integer, Row, Table, Time, select

from mediaprep.quantities import format_utc, parse_utc
from mediaprep.records import tables as t

Plain: TypeAlias = dict[str, Any]
Names: TypeAlias = Mapping[str, Mapping[int, str]]
"""Names by key, of each table that has names and numbers."""
Keys: TypeAlias = Mapping[str, Mapping[str, int]]
"""The same the other way round."""

# How many values a statement takes at once: databases have limits, of which the lowest in use is 999.
_AT_ONCE = 500
# Beyond this, a whole number has no one form in JSON (RFC 8785 takes numbers as doubles).
_LARGEST_INTEGER = 2**53 - 1


def rows_where(connection: Connection, column: Column[Any], values: Iterable[object]) -> list[Row[Any]]:
    """Return the rows of a column's table in which it has one of these values, in no order."""
    wanted = list(dict.fromkeys(values))
    found: list[Row[Any]] = []
    for start in range(0, len(wanted), _AT_ONCE):
        found += connection.execute(select(column.table).where(column.in_(wanted[start : start + _AT_ONCE]))).all()
    return found


def to_plain(table: Table, row: Row[Any], names: Names) -> Plain:
    """Return a row as it travels."""
    plain: Plain = {}
    for column in table.columns:
        value = getattr(row, column.name)
        named = _named(column)
        if named is not None:
            plain[column.name.removesuffix("_id")] = names[named][value]
        elif column.name != "id":
            plain[column.name] = _outward(value)
    return plain


def from_plain(table: Table, plain: Plain, keys: Keys) -> Plain:
    """Return the columns of a row that has travelled, without its own key where that is a number.

    Raise ValueError, naming the member, where the row is not one of this table.
    """
    row: Plain = {}
    expected: set[str] = set()
    for column in table.columns:
        if column.name == "id":
            continue
        named = _named(column)
        member = column.name.removesuffix("_id") if named else column.name
        expected.add(member)
        if member not in plain:
            message = f"lacks the member '{member}'"
            raise ValueError(message)
        value = plain[member]
        if named is None:
            row[column.name] = _inward(column, member, value)
        elif isinstance(value, str) and value in keys[named]:
            row[column.name] = keys[named][value]
        else:
            message = f"names the {member} {value!r}, which is not in it"
            raise ValueError(message)
    if strange := sorted(set(plain) - expected):
        message = f"has the unknown member '{strange[0]}'"
        raise ValueError(message)
    return row


def in_order(rows: Iterable[Plain], *members: str) -> list[Plain]:
    """Return rows in the order of these members."""
    return sorted(rows, key=lambda row: tuple(row[member] for member in members))


def _named(column: Column[Any]) -> str | None:
    """Return the table that a column refers to by a number, None where it does not."""
    for key in column.foreign_keys:
        if key.column.name == "id":
            return key.column.table.name
    return None


def _outward(value: object) -> object:
    if isinstance(value, datetime):
        return format_utc(value)
    if isinstance(value, time):
        return value.isoformat()
    if isinstance(value, int) and not isinstance(value, bool) and abs(value) > _LARGEST_INTEGER:
        return str(value)
    return value


def _inward(column: Column[Any], member: str, value: object) -> object:
    if value is None:
        if column.nullable:
            return None
        message = f"has nothing in '{member}'"
        raise ValueError(message)
    for kind, right, read in _TYPES:
        if isinstance(column.type, kind):
            if not right(value):
                break
            return read(value)
    message = f"has in '{member}' what cannot stand there: {value!r}"
    raise ValueError(message)


def _is_whole(value: object) -> bool:
    digits = isinstance(value, str) and value.removeprefix("-").isascii() and value.removeprefix("-").isdigit()
    return (isinstance(value, int) and not isinstance(value, bool)) or digits


def _is_text(value: object) -> bool:
    return isinstance(value, str)


# Boolean before Integer and UtcText before the text that it is kept as; the last takes whatever is left.
_TYPES: Sequence[tuple[type, Callable[[Any], bool], Callable[[Any], object]]] = (
    (Boolean, lambda value: isinstance(value, bool), bool),
    (Integer, _is_whole, int),
    (t.UtcText, _is_text, parse_utc),
    (Time, _is_text, time.fromisoformat),
    (JSON, lambda value: isinstance(value, list), list),
    (object, _is_text, str),
)
