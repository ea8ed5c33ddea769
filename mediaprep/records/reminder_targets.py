"""Where reminders go. A target's address is a secret: it is kept apart, and leaves only for the sending."""

from __future__ import annotations

import os
import stat
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Row, delete, insert, select, update
from sqlalchemy.exc import IntegrityError

from mediaprep.errors import NotFound, RecordExists, RecordsUnusable
from mediaprep.model import MessageState, QuietHours, ReminderTarget
from mediaprep.records import reminder_tables as r
from mediaprep.records.database import Database, Subject, violates_unique
from mediaprep.records.panel import checked_name

_OWNER_ONLY = 0o600


class ReminderTargetRecords(Subject):
    """Targets of reminders."""

    def add_reminder_target(self, target: ReminderTarget, url: str | None) -> ReminderTarget:
        """Take a target into the records, and its address where it is not in a keyring (`url` None).

        A file of records that others could read is closed to them first. Raise Usage for a name that cannot be used,
        RecordExists, RecordsUnusable where the file cannot be closed.
        """
        checked_name("reminder target", target.name)
        if url is not None:
            _close_to_others(self._database)
        try:
            with self._database.writing() as connection:
                quiet = target.quiet
                row = {
                    "name": target.name,
                    "address": target.address,
                    "keyring_name": target.keyring_name,
                    "zone": target.zone,
                    "quiet_start": quiet.start if quiet else None,
                    "quiet_end": quiet.end if quiet else None,
                    "allow_local": target.allow_local,
                    "added_at": target.added_at,
                }
                key = connection.execute(insert(r.targets).values(row).returning(r.targets.c.id)).scalar_one()
                if url is not None:
                    connection.execute(insert(r.secrets).values(target_id=key, url=url))
        except IntegrityError as error:
            if not violates_unique(error):
                raise
            message = f"There is a reminder target {target.name} already"
            raise RecordExists(message, remedy="Remove it first, or choose another name.") from None
        return target

    def remove_reminder_target(self, name: str, *, at: datetime) -> ReminderTarget:
        """Let go of a target and its address; what went to it stays in the history. Raise NotFound."""
        with self._database.writing() as connection:
            row = target_row(connection, name, lock=True)
            connection.execute(delete(r.secrets).where(r.secrets.c.target_id == row.id))
            connection.execute(update(r.targets).where(r.targets.c.id == row.id).values(removed_at=at))
            still_open = (r.messages.c.target_id == row.id) & r.messages.c.ended_at.is_(None)
            connection.execute(
                update(r.messages)
                .where(still_open)
                .values(state=MessageState.WITHDRAWN.value, ended_at=at, next_attempt_at=None, lease_until=None)
            )
            return _target(row)

    def reminder_targets(self) -> tuple[ReminderTarget, ...]:
        """Return all targets in use, by name."""
        with self._database.reading() as connection:
            wanted = select(r.targets).where(r.targets.c.removed_at.is_(None)).order_by(r.targets.c.name)
            return tuple(_target(row) for row in connection.execute(wanted))

    def reminder_target(self, name: str) -> ReminderTarget:
        """Return one target. Raise NotFound."""
        with self._database.reading() as connection:
            return _target(target_row(connection, name))

    def reminder_secret(self, name: str) -> str | None:
        """Return a target's address, None where the records do not hold it. For the sending alone. Raise NotFound."""
        with self._database.reading() as connection:
            row = target_row(connection, name)
            url = connection.execute(select(r.secrets.c.url).where(r.secrets.c.target_id == row.id)).scalar()
            return None if url is None else str(url)


# --- for the other subjects, inside their transactions ---------------------------------------------------------------


def target_row(connection: Connection, name: str, *, lock: bool = False) -> Row[Any]:
    """Return the row of a target in use, and lock it for this transaction where rows can be. Raise NotFound."""
    wanted = select(r.targets).where(r.targets.c.name == name, r.targets.c.removed_at.is_(None))
    row = connection.execute(wanted.with_for_update() if lock else wanted).one_or_none()
    if row is None:
        message = f"There is no reminder target {name}"
        raise NotFound(message, remedy="See 'mediaprep remind target list' for those there are.")
    return row


def _target(row: Row[Any]) -> ReminderTarget:
    quiet = QuietHours(row.quiet_start, row.quiet_end) if row.quiet_start is not None else None
    return ReminderTarget(row.name, row.address, row.zone, quiet, row.allow_local, row.added_at, row.keyring_name)


def _close_to_others(database: Database) -> None:
    """Take all rights of others from a SQLite file and what SQLite keeps beside it. Without modes: do nothing."""
    path = database.engine.url.database
    if database.engine.dialect.name != "sqlite" or path is None or os.name != "posix":
        return
    for file in (Path(path), Path(f"{path}-wal"), Path(f"{path}-shm")):
        try:
            if stat.S_IMODE(file.stat().st_mode) & 0o077:
                file.chmod(_OWNER_ONLY)
        except FileNotFoundError:
            continue
        except OSError as error:
            message = f"The records in {file} can be read by others, and that cannot be changed: {error.strerror}"
            raise RecordsUnusable(message, remedy=f"Run: chmod 600 {file}") from error
