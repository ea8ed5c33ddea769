"""The panel as the owner describes it: aircraft, units, media rules and data kinds."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from typing import Any, TypeVar

from sqlalchemy import Connection, Select, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from mediaprep.errors import NotFound, RecordExists, Usage
from mediaprep.model import (
    Aircraft,
    CycleRule,
    CycleScheme,
    DataKind,
    Family,
    FileSystem,
    MediaRule,
    PartitionTable,
    Unit,
)
from mediaprep.records import tables as t
from mediaprep.records.database import Subject, insert_rows, upsert, violates_unique

_T = TypeVar("_T")

_UNITS = (
    select(t.units, t.aircraft.c.name.label("aircraft"))
    .join_from(t.units, t.aircraft)
    .order_by(t.aircraft.c.name, t.units.c.position, t.units.c.name)
)


class PanelRecords(Subject):
    """Aircraft, units, media rules and data kinds."""

    def add_aircraft(self, aircraft: Aircraft) -> Aircraft:
        """Take an aircraft into the records. Raise Usage for a name that cannot be used, RecordExists for one known."""
        checked_name("aircraft", aircraft.name)
        try:
            with self._database.writing() as connection:
                insert_aircraft(connection, aircraft)
        except IntegrityError as error:
            raise _exists(error, f"There is an aircraft {aircraft.name} already") from error
        return aircraft

    def aircraft_list(self) -> tuple[Aircraft, ...]:
        """Return all aircraft by name."""
        with self._database.reading() as connection:
            rows = connection.execute(select(t.aircraft).order_by(t.aircraft.c.name))
            return tuple(Aircraft(row.name, row.title) for row in rows)

    def save_rule(self, rule: MediaRule) -> None:
        """Keep a media rule under its name, in place of an earlier one: units that follow it follow the new one."""
        checked_name("media rule", rule.name)
        with self._database.writing() as connection:
            write_rules(connection, [rule])

    def rules(self) -> tuple[MediaRule, ...]:
        """Return all media rules by name."""
        with self._database.reading() as connection:
            return tuple(read_rules(connection).values())

    def rule(self, name: str) -> MediaRule:
        """Return one media rule. Raise NotFound."""
        with self._database.reading() as connection:
            return _found(read_rules(connection), name, "media rule")

    def save_kind(self, kind: DataKind) -> None:
        """Keep a data kind under its name, in place of an earlier one. Bundles taken in keep the dates they have."""
        checked_name("data kind", kind.name)
        with self._database.writing() as connection:
            write_kinds(connection, [kind])

    def kinds(self) -> Mapping[str, DataKind]:
        """Return all data kinds, by name and in the order of their names."""
        with self._database.reading() as connection:
            return read_kinds(connection)

    def add_unit(self, unit: Unit) -> Unit:
        """Take a unit into the records. Its aircraft, its rule and its data kinds must be there: raise NotFound.

        Raise Usage for a name that cannot be used, RecordExists where the aircraft has a unit of that name.
        """
        checked_name("unit", unit.name)
        try:
            with self._database.writing() as connection:
                insert_unit(connection, unit)
                return read_unit(connection, unit.aircraft, unit.name)
        except IntegrityError as error:
            raise _exists(error, f"Aircraft {unit.aircraft} has a unit {unit.name} already") from error

    def update_unit(self, unit: Unit) -> Unit:
        """Give a unit, known by its aircraft and name, everything else that is said here.

        Raise NotFound for the unit, the rule or a data kind.
        """
        with self._database.writing() as connection:
            key = unit_id(connection, unit.aircraft, unit.name)
            connection.execute(update(t.units).where(t.units.c.id == key).values(_unit_columns(connection, unit)))
            for table in (t.slots, t.unit_kinds):
                connection.execute(delete(table).where(table.c.unit_id == key))
            _write_parts(connection, key, unit)
            return read_unit(connection, unit.aircraft, unit.name)

    def units(self, aircraft: str) -> tuple[Unit, ...]:
        """Return an aircraft's units in the order of the panel. Raise NotFound."""
        with self._database.reading() as connection:
            key = aircraft_id(connection, aircraft)
            return _units(connection, _UNITS.where(t.units.c.aircraft_id == key))

    def all_units(self) -> tuple[Unit, ...]:
        """Return the units of all aircraft, by aircraft and in the order of each panel."""
        with self._database.reading() as connection:
            return read_units(connection)

    def unit(self, aircraft: str, name: str) -> Unit:
        """Return one unit. Raise NotFound."""
        with self._database.reading() as connection:
            return read_unit(connection, aircraft, name)

    def find_unit(self, text: str) -> Unit:
        """Return the unit meant by `AIRCRAFT/UNIT`, or by `UNIT` where only one aircraft has such a unit.

        Raise NotFound where there is none, Usage naming the candidates where there are several.
        """
        aircraft, slash, name = text.rpartition("/")
        if slash:
            return self.unit(aircraft, name)
        with self._database.reading() as connection:
            found = _units(connection, _UNITS.where(t.units.c.name == text))
        if not found:
            message = f"There is no unit {text}"
            raise NotFound(message, remedy="See 'mediaprep unit' for the units there are.")
        if len(found) > 1:
            labels = ", ".join(unit.label for unit in found)
            message = f"Unit {text} could be any of {labels}"
            raise Usage(message, remedy=f"Name the aircraft too, as in {found[0].label}.")
        return found[0]


# --- for the other subjects, inside their transactions ---------------------------------------------------------------


def checked_name(what: str, name: str) -> None:
    """Raise Usage for a name that could not be typed again, or that breaks AIRCRAFT/UNIT apart."""
    if not name or name != name.strip() or "/" in name or not name.isprintable():
        message = f"'{name}' cannot be the name of a {what}"
        raise Usage(message, remedy="Use letters, digits and signs, without a '/', and no space at either end.")


def aircraft_id(connection: Connection, name: str) -> int:
    """Return an aircraft's key. Raise NotFound."""
    key = connection.execute(select(t.aircraft.c.id).where(t.aircraft.c.name == name)).scalar()
    if key is None:
        message = f"There is no aircraft {name}"
        raise NotFound(message, remedy="See 'mediaprep aircraft' for those there are.")
    return int(key)


def unit_id(connection: Connection, aircraft: str, name: str) -> int:
    """Return a unit's key. Raise NotFound, for the aircraft too."""
    owner = aircraft_id(connection, aircraft)
    wanted = select(t.units.c.id).where(t.units.c.aircraft_id == owner, t.units.c.name == name)
    key = connection.execute(wanted).scalar()
    if key is None:
        message = f"Aircraft {aircraft} has no unit {name}"
        raise NotFound(message, remedy="See 'mediaprep unit' for the units there are.")
    return int(key)


def insert_aircraft(connection: Connection, aircraft: Aircraft) -> int:
    """Write a new aircraft, whose name was checked, and return its key."""
    row = insert(t.aircraft).values(name=aircraft.name, title=aircraft.title).returning(t.aircraft.c.id)
    return int(connection.execute(row).scalar_one())


def insert_unit(connection: Connection, unit: Unit) -> None:
    """Write a new unit, whose name was checked. Raise NotFound for its aircraft, its rule or a data kind."""
    row = {"aircraft_id": aircraft_id(connection, unit.aircraft), "name": unit.name}
    row |= _unit_columns(connection, unit)
    key = connection.execute(insert(t.units).values(row).returning(t.units.c.id)).scalar_one()
    _write_parts(connection, key, unit)


def read_unit(connection: Connection, aircraft: str, name: str) -> Unit:
    """Return one unit. Raise NotFound."""
    key = unit_id(connection, aircraft, name)
    return _units(connection, _UNITS.where(t.units.c.id == key))[0]


def read_units(connection: Connection) -> tuple[Unit, ...]:
    """Return all units, by aircraft and in the order of each panel."""
    return _units(connection, _UNITS)


def read_kinds(connection: Connection) -> dict[str, DataKind]:
    """Return all data kinds by name."""
    rows = connection.execute(select(t.data_kinds).order_by(t.data_kinds.c.name))
    return {
        row.name: DataKind(
            row.name,
            row.title,
            CycleRule(CycleScheme(row.scheme), row.effective_time_utc, row.interval_days),
            row.is_software,
        )
        for row in rows
    }


def write_kinds(connection: Connection, kinds: Sequence[DataKind]) -> None:
    """Keep data kinds under their names, in place of earlier ones."""
    rows = [
        {
            "name": kind.name,
            "title": kind.title,
            "scheme": kind.cycle_rule.scheme.value,
            "effective_time_utc": kind.cycle_rule.effective_time_utc,
            "interval_days": kind.cycle_rule.interval_days,
            "is_software": kind.is_software,
        }
        for kind in kinds
    ]
    upsert(connection, t.data_kinds, rows)


def write_rules(connection: Connection, rules: Sequence[MediaRule]) -> None:
    """Keep media rules under their names, in place of earlier ones."""
    rows = [
        {
            "name": rule.name,
            "source": rule.source,
            "capacity_bytes_min": rule.capacity_bytes_min,
            "capacity_bytes_max": rule.capacity_bytes_max,
            "families": [family.value for family in rule.families],
            "file_systems": [file_system.value for file_system in rule.file_systems],
            "cluster_bytes": list(rule.cluster_bytes),
            "partition_tables": [table.value for table in rule.partition_tables],
            "foreign_files_allowed": rule.foreign_files_allowed,
            "software_with_data_allowed": rule.software_with_data_allowed,
        }
        for rule in rules
    ]
    upsert(connection, t.media_rules, rows)


# --- rows into values and back ---------------------------------------------------------------------------------------


def read_rules(connection: Connection) -> dict[str, MediaRule]:
    """Return all media rules by name."""
    rows = connection.execute(select(t.media_rules).order_by(t.media_rules.c.name))
    return {
        row.name: MediaRule(
            name=row.name,
            source=row.source,
            capacity_bytes_min=row.capacity_bytes_min,
            capacity_bytes_max=row.capacity_bytes_max,
            families=tuple(map(Family, row.families)),
            file_systems=tuple(map(FileSystem, row.file_systems)),
            cluster_bytes=tuple(row.cluster_bytes),
            partition_tables=tuple(map(PartitionTable, row.partition_tables)),
            foreign_files_allowed=row.foreign_files_allowed,
            software_with_data_allowed=row.software_with_data_allowed,
        )
        for row in rows
    }


def _units(connection: Connection, wanted: Select[Any]) -> tuple[Unit, ...]:
    """Return the units that a query finds, in a number of statements that does not grow with them."""
    rows = connection.execute(wanted).all()
    keys = wanted.with_only_columns(t.units.c.id).order_by(None)
    rules = read_rules(connection)
    slots: defaultdict[int, list[str]] = defaultdict(list)
    kinds: defaultdict[int, list[str]] = defaultdict(list)
    for table, column, parts in ((t.slots, t.slots.c.name, slots), (t.unit_kinds, t.unit_kinds.c.kind, kinds)):
        of_them = select(table.c.unit_id, column).where(table.c.unit_id.in_(keys)).order_by(table.c.position)
        for key, name in connection.execute(of_them):
            parts[key].append(name)
    return tuple(
        Unit(
            name=row.name,
            aircraft=row.aircraft,
            title=row.title,
            slots=tuple(slots[row.id]),
            kinds=tuple(kinds[row.id]),
            rule=rules[row.rule],
            software=row.software,
            position=row.position,
        )
        for row in rows
    )


def _unit_columns(connection: Connection, unit: Unit) -> dict[str, Any]:
    _found(read_rules(connection), unit.rule.name, "media rule")
    return {"title": unit.title, "rule": unit.rule.name, "software": unit.software, "position": unit.position}


def _write_parts(connection: Connection, key: int, unit: Unit) -> None:
    known = read_kinds(connection)
    for kind in unit.kinds:
        _found(known, kind, "data kind")
    insert_rows(connection, t.slots, _numbered(key, "name", unit.slots))
    insert_rows(connection, t.unit_kinds, _numbered(key, "kind", unit.kinds))


def _numbered(key: int, column: str, names: Iterable[str]) -> list[dict[str, Any]]:
    return [{"unit_id": key, column: name, "position": place} for place, name in enumerate(dict.fromkeys(names))]


def _found(known: Mapping[str, _T], name: str, what: str) -> _T:
    try:
        return known[name]
    except KeyError:
        listed = ", ".join(known) or "none"
        message = f"There is no {what} {name}"
        raise NotFound(message, remedy=f"Use one of those there are ({listed}), or add it first.") from None


def _exists(error: IntegrityError, message: str) -> Exception:
    return RecordExists(message) if violates_unique(error) else error
