"""A whole aircraft out of the records and into others: its panel, loads and logbook, and all that these stand on.

What a card's jobs were stays behind: in other records a card counts as carried nowhere until it is read back there.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Sequence
from typing import Any, cast

from sqlalchemy import Connection, Row, Table, func, insert, select, text, update

from mediaprep import logchain
from mediaprep.errors import ImportInvalid, LogbookBroken, Usage
from mediaprep.model import Aircraft, LogEntry
from mediaprep.quantities import parse_utc
from mediaprep.records import tables as t
from mediaprep.records.bundles import read_bundles
from mediaprep.records.database import Subject, insert_rows
from mediaprep.records.defaults import DATA_KINDS, MEDIA_RULES
from mediaprep.records.loads import read_load
from mediaprep.records.panel import aircraft_id, checked_name, read_kinds, read_rules, read_unit
from mediaprep.records.receipts import raise_receipt_counter, read_receipts
from mediaprep.records.rows import Keys, Names, Plain, from_plain, in_order, rows_where, to_plain

# In the order in which they can be put in, each with the members that put its rows in order.
TABLES: dict[str, tuple[str, ...]] = {
    "aircraft": ("name",),
    "data_kinds": ("name",),
    "media_rules": ("name",),
    "units": ("position", "name"),
    "slots": ("unit", "position"),
    "unit_kinds": ("unit", "position"),
    "bundles": ("name",),
    "bundle_files": ("bundle", "position"),
    "bundle_checks": ("bundle", "position"),
    "bundle_units": ("bundle", "unit"),
    "cards": ("name",),
    "card_files": ("card", "path", "kind"),
    "receipts": ("number",),
    "loads": ("number",),
    "load_events": ("load", "position"),
    "logbook": ("sequence",),
}
_NUMBER = re.compile(r"R-(\d+)")


class TransferRecords(Subject):
    """Whole aircraft, out and in."""

    def export_aircraft(self, aircraft: str) -> dict[str, list[Plain]]:
        """Return all the records of one aircraft, by table. Raise NotFound, or LogbookBroken naming an entry.

        A bundle that was bought for units of other aircraft alone stays behind, and so does what it has on a card.
        """
        with self._database.reading() as connection:
            found = _gather(connection, aircraft_id(connection, aircraft))
        _verify(found["logbook"])
        return found

    def import_aircraft(self, rows: dict[str, list[Plain]], name: str) -> Aircraft:
        """Take all the records of an aircraft in, as `export_aircraft` gave them; `name` is what errors call them.

        What is there already, and the same, is shared. Raise ImportInvalid where anything is there under the same name
        or number and differs, or the rows do not fit together; LogbookBroken where its chain does not hold.
        """
        _verify(rows["logbook"])
        try:
            with self._database.writing() as connection:
                return _Arrival(connection, rows).take_in()
        except (ValueError, KeyError, Usage) as error:
            # What the digests cannot show: rows that were wrong when they were written, such as a word nobody knows.
            message = f"{name}: {'a row lacks ' if isinstance(error, KeyError) else ''}{error}"
            raise ImportInvalid(message) from error


# --- out -------------------------------------------------------------------------------------------------------------


def _gather(connection: Connection, aircraft: int) -> dict[str, list[Plain]]:
    units = rows_where(connection, t.units.c.aircraft_id, [aircraft])
    unit_keys = [row.id for row in units]
    loads = rows_where(connection, t.loads.c.unit_id, unit_keys)
    logbook = rows_where(connection, t.logbook.c.aircraft_id, [aircraft])
    numbers = {load.receipt for load in loads} | {json.loads(row.body).get("receipt") for row in logbook}
    receipts = rows_where(connection, t.receipts.c.number, sorted(numbers - {None}))
    card_keys = {load.card_id for load in loads} | {receipt.card_id for receipt in receipts}
    card_files = rows_where(connection, t.card_files.c.card_id, card_keys)
    carried = {load.bundle_id for load in loads}
    bundles = _bundles(connection, carried, {row.bundle_id for row in card_files}, receipts, set(unit_keys))
    bundle_keys = [row.id for row in bundles]
    unit_kinds = rows_where(connection, t.unit_kinds.c.unit_id, unit_keys)
    stated = rows_where(connection, t.bundle_units.c.bundle_id, bundle_keys)
    card_files = [row for row in card_files if row.bundle_id in set(bundle_keys)]
    kinds = {row.kind for row in [*unit_kinds, *bundles, *card_files]}
    cards = rows_where(connection, t.cards.c.id, card_keys)
    found: dict[str, Sequence[Row[Any]]] = {
        "aircraft": rows_where(connection, t.aircraft.c.id, [aircraft]),
        "data_kinds": rows_where(connection, t.data_kinds.c.name, kinds),
        "media_rules": rows_where(connection, t.media_rules.c.name, [row.rule for row in units]),
        "units": units,
        "slots": rows_where(connection, t.slots.c.unit_id, unit_keys),
        "unit_kinds": unit_kinds,
        "bundles": bundles,
        "bundle_files": rows_where(connection, t.bundle_files.c.bundle_id, bundle_keys),
        "bundle_checks": rows_where(connection, t.bundle_checks.c.bundle_id, bundle_keys),
        "bundle_units": [row for row in stated if row.unit_id in set(unit_keys)],
        "cards": cards,
        "card_files": card_files,
        "receipts": receipts,
        "loads": loads,
        "load_events": rows_where(connection, t.load_events.c.load, [load.number for load in loads]),
        "logbook": logbook,
    }
    names: Names = {
        table: {row.id: row.name for row in found[table]} for table in ("aircraft", "units", "bundles", "cards")
    }
    return {
        table: in_order((to_plain(t.metadata.tables[table], row, names) for row in found[table]), *members)
        for table, members in TABLES.items()
    }


def _bundles(
    connection: Connection, carried: set[int], on_cards: set[int], receipts: Sequence[Row[Any]], units: set[int]
) -> list[Row[Any]]:
    """Return the bundles that an aircraft's loads, cards and receipts name, but not those of other aircraft alone."""
    proven = {bundle["name"] for receipt in receipts for bundle in json.loads(receipt.body)["bundles"]}
    rows = {row.id: row for row in rows_where(connection, t.bundles.c.id, carried | on_cards)}
    rows |= {row.id: row for row in rows_where(connection, t.bundles.c.name, proven)}
    stated: dict[int, set[int]] = {}
    for row in rows_where(connection, t.bundle_units.c.bundle_id, rows):
        stated.setdefault(row.bundle_id, set()).add(row.unit_id)
    return [row for key, row in rows.items() if key in carried or key not in stated or stated[key] & units]


def _verify(logbook: Sequence[Plain]) -> None:
    """Raise LogbookBroken where the chain of a logbook does not hold, ImportInvalid where a row is none of one."""
    try:
        entries = [
            LogEntry(
                row["aircraft"],
                row["sequence"],
                parse_utc(row["at"]),
                row["body"],
                row["previous_sha256"],
                row["sha256"],
            )
            for row in logbook
        ]
        logchain.verify(entries)
    except (KeyError, TypeError, AttributeError, Usage) as error:
        message = f"A row of the logbook is not an entry: {error}"
        raise LogbookBroken(message) from error


# --- in --------------------------------------------------------------------------------------------------------------


class _Arrival:
    """One aircraft being taken in, table by table."""

    def __init__(self, connection: Connection, rows: dict[str, list[Plain]]) -> None:
        self._connection = connection
        self._rows = rows
        self._keys: dict[str, dict[str, int]] = {"aircraft": {}, "units": {}, "bundles": {}, "cards": {}}

    def take_in(self) -> Aircraft:
        (one,) = self._rows["aircraft"]
        for table, what in (("aircraft", "aircraft"), ("units", "unit"), ("bundles", "bundle"), ("cards", "card")):
            for row in self._rows[table]:
                checked_name(what, row["name"])
        self._refuse_known("aircraft", t.aircraft.c.name)
        self._refuse_known("loads", t.loads.c.number)
        self._share_words(
            t.data_kinds, {kind.name for kind in DATA_KINDS if read_kinds(self._connection).get(kind.name) == kind}
        )
        self._share_words(
            t.media_rules, {rule.name for rule in MEDIA_RULES if read_rules(self._connection).get(rule.name) == rule}
        )
        self._insert("aircraft")
        self._insert("units")
        for table in ("slots", "unit_kinds"):
            self._insert(table)
        self._share_bundles()
        self._share_cards()
        self._share_receipts()
        for table in ("loads", "load_events", "logbook"):
            self._insert(table)
        self._go_on_counting()
        self._read_back(one["name"])
        return Aircraft(one["name"], one["title"])

    def _insert(self, table: str, rows: Iterable[Plain] | None = None) -> None:
        """Put rows in, all of a table where none are named, and learn the keys of those that have names."""
        into = t.metadata.tables[table]
        columns = [
            self._columns(into, number, row)
            for number, row in enumerate(self._rows[table] if rows is None else rows, 1)
        ]
        if table not in self._keys:
            insert_rows(self._connection, into, columns)
            return
        for row in columns:
            key = self._connection.execute(insert(into).values(row).returning(into.c.id)).scalar_one()
            self._keys[table][row["name"]] = key

    def _columns(self, table: Table, number: int, row: Plain) -> Plain:
        try:
            return from_plain(table, row, cast("Keys", self._keys))
        except ValueError as error:
            message = f"data/{table.name}.jsonl, row {number} {error}"
            raise ValueError(message) from error

    def _refuse_known(self, table: str, column: Any) -> None:
        known = rows_where(self._connection, column, [row[column.name] for row in self._rows[table]])
        for row in known:
            what = table.removesuffix("s")
            message = f"These records have {_article(what)} {getattr(row, column.name)} already"
            raise ImportInvalid(
                message,
                remedy="Take the aircraft into records of their own: name a new folder with MEDIAPREP_DATA_DIR.",
            )

    def _share_words(self, table: Table, untouched: set[str]) -> None:
        """Put data kinds or media rules in; one that is there must be the same, or an example nobody has changed."""
        there = {row.name: to_plain(table, row, {}) for row in self._connection.execute(select(table))}
        for number, row in enumerate(self._rows[table.name], 1):
            known = there.get(row["name"])
            columns = self._columns(table, number, row)
            if known is None:
                self._connection.execute(insert(table).values(columns))
            elif known != row and row["name"] in untouched:
                self._connection.execute(update(table).where(table.c.name == row["name"]).values(columns))
            elif known != row:
                raise _differs(table.name.replace("_", " ").removesuffix("s"), row["name"])

    def _share_bundles(self) -> None:
        # The files are the same, wherever each of the two records had them from and whatever was checked of them there.
        own = ("source", "taken_in_at", "removed_at", "signed_file", "signing_key")
        new = self._new_rows("bundles", "bundle", own)
        self._insert("bundles", new)
        names = {row["name"] for row in new}
        for table in ("bundle_files", "bundle_checks", "bundle_units"):
            self._insert(table, [row for row in self._rows[table] if row["bundle"] in names])

    def _share_cards(self) -> None:
        new = self._new_rows("cards", "card", ("written_insertion", "first_seen_at", "retired_at", "capacity_bytes"))
        in_service = [row["identity"] for row in new if row["retired_at"] is None]
        for row in rows_where(self._connection, t.cards.c.identity, in_service):
            if row.retired_at is None:
                raise _differs("card", row.name)
        self._insert("cards", new)
        names = {row["name"] for row in new}
        self._insert("card_files", [row for row in self._rows["card_files"] if row["card"] in names])

    def _share_receipts(self) -> None:
        numbers = [row["number"] for row in self._rows["receipts"]]
        there = {row.number: row.body for row in rows_where(self._connection, t.receipts.c.number, numbers)}
        for row in self._rows["receipts"]:
            if there.get(row["number"], row["body"]) != row["body"]:
                raise _differs("receipt", row["number"])
        self._insert("receipts", [row for row in self._rows["receipts"] if row["number"] not in there])

    def _new_rows(self, table: str, what: str, may_differ: tuple[str, ...]) -> list[Plain]:
        """Return the rows whose names are not there yet, and learn the keys of the others, which must be the same."""
        into = t.metadata.tables[table]
        names = [row["name"] for row in self._rows[table]]
        there = {row.name: row for row in rows_where(self._connection, into.c.name, names)}
        self._keys[table] |= {name: row.id for name, row in there.items()}
        for row in self._rows[table]:
            if row["name"] in there:
                known = to_plain(into, there[row["name"]], {})
                if any(known[member] != row.get(member) for member in known if member not in may_differ):
                    raise _differs(what, row["name"])
        return [row for row in self._rows[table] if row["name"] not in there]

    def _go_on_counting(self) -> None:
        numbers = [int(match[1]) for row in self._rows["receipts"] if (match := _NUMBER.fullmatch(row["number"]))]
        raise_receipt_counter(self._connection, max(numbers, default=0))
        if self._connection.dialect.name == "postgresql":
            # Numbers that were given by hand do not move the server's own counter.
            highest = select(func.max(t.loads.c.number)).scalar_subquery()
            self._connection.execute(select(func.setval(text("pg_get_serial_sequence('loads', 'number')"), highest)))

    def _read_back(self, aircraft: str) -> None:
        """Read everything as the program will: a word that no version knows raises ValueError here, and not later."""
        for unit in self._rows["units"]:
            read_unit(self._connection, aircraft, unit["name"])
        read_kinds(self._connection)
        for bundle in self._rows["bundles"]:
            read_bundles(self._connection, select(t.bundles).where(t.bundles.c.name == bundle["name"]))
        for receipt in self._rows["receipts"]:
            read_receipts(self._connection, select(t.receipts.c.body).where(t.receipts.c.number == receipt["number"]))
        for load in self._rows["loads"]:
            read_load(self._connection, load["number"])


def _article(what: str) -> str:
    return f"an {what}" if what[0] in "aeiou" else f"a {what}"


def _differs(what: str, name: str) -> ImportInvalid:
    message = f"These records have {_article(what)} {name} that is another"
    remedy = "Rename one of the two, or take the aircraft into records of their own (MEDIAPREP_DATA_DIR)."
    return ImportInvalid(message, remedy=remedy)
