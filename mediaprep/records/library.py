"""The library of bundles: which have the same content, where each is, and how one leaves without breaking a record."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import Connection, delete, exists, select, update

from mediaprep.model import Bundle, JobState
from mediaprep.records import tables as t
from mediaprep.records.bundles import bundle_ids, in_library, read_bundles
from mediaprep.records.database import Subject, retried


class LibraryRecords(Subject):
    """Bundles as a library. Only records are ever removed: the owner's files are not touched."""

    def bundles_of_content(self, manifest_sha256: str) -> tuple[Bundle, ...]:
        """Return the bundles in the library that hold just these files, by the digest of their manifest."""
        same = in_library().where(t.bundles.c.manifest_sha256 == manifest_sha256).order_by(t.bundles.c.id)
        with self._database.reading() as connection:
            return read_bundles(connection, same)

    def cards_of_bundles(self) -> dict[str, tuple[str, ...]]:
        """Return the names of the cards in service that hold files of each bundle, whole or not, by its name."""
        held = (
            select(t.bundles.c.name.label("bundle"), t.cards.c.name.label("card"))
            .select_from(t.card_files.join(t.bundles).join(t.cards))
            .where(t.cards.c.retired_at.is_(None))
            .distinct()
            .order_by(t.cards.c.name)
        )
        found: defaultdict[str, list[str]] = defaultdict(list)
        with self._database.reading() as connection:
            for row in connection.execute(held):
                found[row.bundle].append(row.card)
        return {bundle: tuple(cards) for bundle, cards in found.items()}

    @retried
    def remove_bundles(self, names: Sequence[str], *, at: datetime) -> None:
        """Take bundles out of the library; the first removal counts. Raise NotFound.

        One that no card, job or load ever had is forgotten whole, and its name is free again. Any other stays known by
        name; its list of files goes too as soon as no card in service holds any of them, which is looked to here.
        """
        with self._database.writing() as connection:
            for key in bundle_ids(connection, names).values():
                if _was_used(connection, key):
                    there = (t.bundles.c.id == key) & t.bundles.c.removed_at.is_(None)
                    connection.execute(update(t.bundles).where(there).values(removed_at=at))
                else:
                    _forget(connection, key)
            _forget_files(connection)


def _was_used(connection: Connection, key: int) -> bool:
    return any(
        connection.execute(select(exists().where(table.c.bundle_id == key))).scalar_one()
        for table in (t.card_files, t.jobs, t.loads)
    )


def _forget(connection: Connection, key: int) -> None:
    for table in (t.bundle_files, t.bundle_units, t.bundle_checks):
        connection.execute(delete(table).where(table.c.bundle_id == key))
    connection.execute(delete(t.bundles).where(t.bundles.c.id == key))


def _forget_files(connection: Connection) -> None:
    """Drop the lists of files of removed bundles that are on no card in service and on their way to none."""
    removed = select(t.bundles.c.id).where(t.bundles.c.removed_at.is_not(None))
    held = select(t.card_files.c.bundle_id).join_from(t.card_files, t.cards).where(t.cards.c.retired_at.is_(None))
    coming = select(t.jobs.c.bundle_id).where(t.jobs.c.state == JobState.RUNNING.value, t.jobs.c.bundle_id.is_not(None))
    files = t.bundle_files.c.bundle_id
    loose = files.in_(removed) & files.not_in(held) & files.not_in(coming)
    connection.execute(delete(t.bundle_files).where(loose))
