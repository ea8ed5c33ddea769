"""Bundles and their manifests, as taken in."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, insert, select
from sqlalchemy.exc import IntegrityError

from mediaprep.errors import BundleUnsafe, NotFound, RecordExists
from mediaprep.model import Algorithm, Bundle, BundleSignature, Manifest, ManifestEntry, PublisherCheck, Validity
from mediaprep.records import tables as t
from mediaprep.records.database import Subject, insert_rows, violates_unique
from mediaprep.records.panel import checked_name, read_kinds, unit_id


class BundleRecords(Subject):
    """Bundles and their manifests."""

    def add_bundle(self, bundle: Bundle, manifest: Manifest) -> None:
        """Take a bundle into the records with its manifest.

        Raise Usage for a name that cannot be used, BundleUnsafe for a file whose name is not text, NotFound for a data
        kind or unit that is not there, RecordExists for a known name.
        """
        checked_name("bundle", bundle.name)
        _require_text(bundle, manifest)
        try:
            with self._database.writing() as connection:
                insert_bundle(connection, bundle, manifest)
        except IntegrityError as error:
            if not violates_unique(error):
                raise
            message = f"There is a bundle {bundle.name} already, or there was one"
            raise RecordExists(message, remedy="Choose another name with --name.") from error

    def bundles(self) -> tuple[Bundle, ...]:
        """Return the bundles in the library in the order they were taken in, without their manifests."""
        with self._database.reading() as connection:
            return read_bundles(connection, in_library().order_by(t.bundles.c.taken_in_at, t.bundles.c.id))

    def bundle(self, name: str) -> Bundle:
        """Return a bundle without its manifest, also one that was removed from the library. Raise NotFound."""
        with self._database.reading() as connection:
            found = read_bundles(connection, select(t.bundles).where(t.bundles.c.name == name))
        if not found:
            raise _no_bundle(name)
        return found[0]

    def manifest(self, bundle: str) -> Manifest:
        """Return a bundle's manifest. Raise NotFound, also where it was forgotten with a removed bundle."""
        with self._database.reading() as connection:
            key = bundle_ids(connection, [bundle])[bundle]
            files = t.bundle_files.c
            columns = select(files.path, files.size_bytes, files.sha256, files.modified_ns)
            rows = connection.execute(columns.where(files.bundle_id == key).order_by(files.position))
            found = Manifest(tuple(ManifestEntry(*row) for row in rows))
            if not found.entries and (removed := _removed_with_files(connection, key)) is not None:
                message = (
                    f"Bundle {bundle} was removed from the library on {removed:%Y-%m-%d}, its list of files with it"
                )
                raise NotFound(message, remedy="Take its files in again under another name.")
            return found


def bundle_ids(connection: Connection, names: Iterable[str]) -> dict[str, int]:
    """Return the keys of bundles by name. Raise NotFound for the first that is not there."""
    wanted = sorted(set(names))
    rows = connection.execute(select(t.bundles.c.name, t.bundles.c.id).where(t.bundles.c.name.in_(wanted)))
    found = {row.name: row.id for row in rows}
    for name in wanted:
        if name not in found:
            raise _no_bundle(name)
    return found


def in_library() -> Select[Any]:
    """Return the selection of bundles that were not removed."""
    return select(t.bundles).where(t.bundles.c.removed_at.is_(None))


def read_bundles(connection: Connection, wanted: Select[Any]) -> tuple[Bundle, ...]:
    """Return the bundles that a selection of rows of their table finds, in its order."""
    rows = connection.execute(wanted).all()
    kinds = read_kinds(connection)
    units = _stated_units(connection, rows)
    checks = _checks(connection, rows)
    return tuple(
        Bundle(
            name=row.name,
            kind=kinds[row.kind],
            validity=Validity(row.cycle, row.effective_at, row.lapses_at),
            source=row.source,
            source_form=row.source_form,
            manifest_sha256=row.manifest_sha256,
            file_count=row.file_count,
            total_bytes=row.total_bytes,
            taken_in_at=row.taken_in_at,
            units=tuple(units[row.id]),
            least_software=row.least_software,
            checks=tuple(checks[row.id]),
            signature=None if row.signing_key is None else BundleSignature(row.signed_file, row.signing_key),
            removed_at=row.removed_at,
        )
        for row in rows
    )


def _checks(connection: Connection, rows: Sequence[Row[Any]]) -> dict[int, list[PublisherCheck]]:
    checks: dict[int, list[PublisherCheck]] = {row.id: [] for row in rows}
    table = t.bundle_checks
    wanted = select(table).where(table.c.bundle_id.in_(checks)).order_by(table.c.position)
    for row in connection.execute(wanted):
        algorithm = Algorithm(row.algorithm)
        checks[row.bundle_id].append(PublisherCheck(row.listed_in, algorithm, row.file_count, algorithm.weak))
    return checks


def _removed_with_files(connection: Connection, key: int) -> datetime | None:
    """Return when a bundle that had files was removed, None where it was not."""
    had_files = (t.bundles.c.id == key) & (t.bundles.c.file_count > 0)
    removed: datetime | None = connection.execute(select(t.bundles.c.removed_at).where(had_files)).scalar()
    return removed


def _stated_units(connection: Connection, rows: Sequence[Row[Any]]) -> dict[int, list[tuple[str, str]]]:
    stated: dict[int, list[tuple[str, str]]] = {row.id: [] for row in rows}
    wanted = (
        select(t.bundle_units.c.bundle_id, t.aircraft.c.name, t.units.c.name)
        .select_from(t.bundle_units.join(t.units).join(t.aircraft))
        .where(t.bundle_units.c.bundle_id.in_(stated))
        .order_by(t.aircraft.c.name, t.units.c.position, t.units.c.name)
    )
    for key, aircraft, unit in connection.execute(wanted):
        stated[key].append((aircraft, unit))
    return stated


def _require_text(bundle: Bundle, manifest: Manifest) -> None:
    """Refuse names that are not Unicode: neither a database nor a card's file system could hold them as they are."""
    for entry in manifest.entries:
        try:
            entry.path.encode()
        except UnicodeEncodeError as error:
            message = f"Bundle {bundle.name} holds a file whose name is not text: {entry.path!a}"
            raise BundleUnsafe(message) from error


def insert_bundle(connection: Connection, bundle: Bundle, manifest: Manifest) -> int:
    """Write a new bundle, whose names were checked, and return its key. Raise NotFound for its kind or a unit."""
    if bundle.kind.name not in read_kinds(connection):
        message = f"There is no data kind {bundle.kind.name}, which bundle {bundle.name} is said to be of"
        raise NotFound(message, remedy="Use one of the data kinds there are, or add it first.")
    row = {
        "name": bundle.name,
        "kind": bundle.kind.name,
        "cycle": bundle.validity.cycle,
        "effective_at": bundle.validity.effective_at,
        "lapses_at": bundle.validity.lapses_at,
        "source": bundle.source,
        "source_form": bundle.source_form,
        "manifest_sha256": bundle.manifest_sha256,
        "file_count": bundle.file_count,
        "total_bytes": bundle.total_bytes,
        "taken_in_at": bundle.taken_in_at,
        "least_software": bundle.least_software,
        "signed_file": bundle.signature.signed if bundle.signature else None,
        "signing_key": bundle.signature.key_fingerprint if bundle.signature else None,
    }
    key = connection.execute(insert(t.bundles).values(row).returning(t.bundles.c.id)).scalar_one()
    files = [
        {
            "bundle_id": key,
            "position": place,
            "path": entry.path,
            "size_bytes": entry.size_bytes,
            "sha256": entry.sha256,
            "modified_ns": entry.modified_ns,
        }
        for place, entry in enumerate(manifest.entries)
    ]
    insert_rows(connection, t.bundle_files, files)
    stated = [{"bundle_id": key, "unit_id": unit_id(connection, *unit)} for unit in dict.fromkeys(bundle.units)]
    insert_rows(connection, t.bundle_units, stated)
    checks = [
        {
            "bundle_id": key,
            "position": place,
            "listed_in": check.listed_in,
            "algorithm": check.algorithm.value,
            "file_count": check.file_count,
        }
        for place, check in enumerate(bundle.checks)
    ]
    insert_rows(connection, t.bundle_checks, checks)
    return int(key)


def _no_bundle(name: str) -> NotFound:
    message = f"There is no bundle {name}"
    return NotFound(message, remedy="See 'mediaprep bundle' for those there are.")
