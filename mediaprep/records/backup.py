"""Backups of records in a SQLite file: made while others work, proven before they count, put back without a loss.

Nothing here overwrites or removes records: what gives way is kept beside them under another name.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.engine import URL

from mediaprep.config import Settings
from mediaprep.errors import OutputFailed, RecordsUnusable
from mediaprep.outfile import PART, put_in_place, refuse_existing
from mediaprep.ports import Clock
from mediaprep.records import tables as t
from mediaprep.records.opening import check_form, check_whole, file_of, open_file, refuse_strange_file
from mediaprep.records.processes import worker_of
from mediaprep.records.store import Store

_PAGES_BESIDE = ("-wal", "-journal")
_BESIDE = (*_PAGES_BESIDE, "-shm")


@dataclass(frozen=True, slots=True)
class Proven:
    """What a look through a whole database file found: entries checked, by aircraft."""

    size_bytes: int
    logbooks: tuple[tuple[str, int], ...]


def back_up(settings: Settings, to: Path, *, clock: Clock) -> Proven:
    """Copy the records into a new file while others may be at work in them, and prove the copy.

    Raise OutputFailed where there is such a file or it cannot be written, RecordsUnusable where the copy is not whole
    (it is then removed), LogbookBroken naming the entry, Usage where the records are not in a file.
    """
    source = file_of(settings)
    if not source.exists():
        message = f"There are no records in {source}"
        raise RecordsUnusable(message, remedy="Name the folder that holds them with MEDIAPREP_DATA_DIR.")
    refuse_existing(to)
    part = to.with_name(to.name + PART)
    try:
        _copy(source, part)
        proven = prove(part, settings, clock=clock)
        _sync(part)
        put_in_place(part, to)
    except OSError as error:
        message = f"{to} cannot be written: {error.strerror}"
        raise OutputFailed(message) from error
    finally:
        _remove(part)
    return proven


def prove(file: Path, settings: Settings, *, clock: Clock) -> Proven:
    """Read a whole database file: its pages, its form, and the chain of every logbook.

    Raise RecordsUnusable, RecordsNewer, or LogbookBroken naming the entry.
    """
    database = open_file(URL.create("sqlite", database=str(file)), file, busy_seconds=1.0)
    store = Store(database, worker_of(settings), clock)
    try:
        with database.told_plainly():
            check_whole(database)
            check_form(database)
            with database.reading() as connection:
                aircraft = connection.execute(select(t.aircraft.c.name).order_by(t.aircraft.c.name)).scalars().all()
        counted = tuple((name, store.verify_log(name).entries) for name in aircraft)
    finally:
        store.close()
    return Proven(file.stat().st_size, counted)


def restore(settings: Settings, backup: Path, *, clock: Clock) -> tuple[Proven, Path | None]:
    """Put a backup in the place of the records, after proving it, and return where the old ones are now.

    Raise RecordsUnusable where the backup cannot be read or is not whole, or another program has the records open;
    RecordsNewer, LogbookBroken. The backup itself stays as it is.
    """
    target = file_of(settings)
    if not backup.is_file():
        message = f"There is no backup {backup}"
        raise RecordsUnusable(message, remedy="Name the file that 'mediaprep backup' made.")
    part = target.with_name(target.name + PART)
    try:
        target.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        _remove(part)  # what an earlier restore left that was stopped half-way
        _copy(backup, part)
        proven = prove(part, settings, clock=clock)
        _sync(part)
        aside = move_aside(settings, at=clock.now())
        put_in_place(part, target)
    except OSError as error:
        message = f"The records in {target} cannot be replaced: {error.strerror}"
        raise OutputFailed(message, remedy="Make the folder writable and see that its volume has room.") from error
    finally:
        _remove(part)
    return proven, aside


def move_aside(settings: Settings, *, at: datetime) -> Path | None:
    """Give the records, whole or damaged, another name in their folder, and return it; None where there are none.

    Raise RecordsUnusable while another program has them open.
    """
    target = file_of(settings)
    if not target.exists():
        return None
    aside = target.with_name(f"{target.name}.aside-{at:%Y%m%dT%H%M%SZ}")
    refuse_existing(aside)
    spared = _spare_pages(target, aside)
    try:
        whole = _close_down(target)
    except RecordsUnusable:
        _remove_all(spared)
        raise
    if whole:
        _remove_all(spared)  # they are in the database now
    target.rename(aside)
    # What SQLite left of the old ones must not meet new ones of the same name.
    _remove_all(Path(f"{target}{end}") for end in _BESIDE)
    return aside


def _spare_pages(target: Path, aside: Path) -> list[Path]:
    """Copy the pages that are written beside a database and not in it yet, to where they belong when it is aside.

    SQLite removes them where it finds that the database is none any more: with them perhaps the last that was whole.
    """
    spared = []
    for end in _PAGES_BESIDE:
        beside = Path(f"{target}{end}")
        if beside.exists():
            spared.append(Path(f"{aside}{end}"))
            shutil.copyfile(beside, spared[-1])
    return spared


def _close_down(target: Path) -> bool:
    """Bring all that is written beside a database into it, and say whether that went well; a damaged one cannot.

    Leaving WAL mode is what SQLite does only for the last one that has a database open. Raise RecordsUnusable while
    another program has.
    """
    connection = sqlite3.connect(f"{target.as_uri()}?mode=rw", uri=True, timeout=1.0, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode = DELETE")
        connection.execute("BEGIN EXCLUSIVE")
        connection.execute("ROLLBACK")
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorname.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
            message = f"The records in {target} are in use by another program"
            raise RecordsUnusable(
                message, remedy="Stop 'mediaprep serve' and every other mediaprep on this computer, then try again."
            ) from error
        return False
    finally:
        connection.close()
    return True


def _copy(source: Path, to: Path) -> None:
    """Copy a database page by page through SQLite, which gives one moment of it, whatever others write meanwhile."""
    refuse_strange_file(source)
    _remove(to)
    # The addresses that reminders go to are in it: for its owner's eyes only, from the first byte on.
    os.close(os.open(to, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o600))
    try:
        reader = sqlite3.connect(f"{source.as_uri()}?mode=ro", uri=True, timeout=10.0)
        writer = sqlite3.connect(to)
        try:
            reader.backup(writer)  # all pages in one step: in WAL mode nobody waits for it, and it need not begin anew
            # A copy carries the mark of WAL mode along; a file that is carried about should be one file.
            writer.execute("PRAGMA journal_mode = DELETE")
        finally:
            writer.close()
            reader.close()
    except sqlite3.Error as error:
        message = f"{source} cannot be copied: {error}"
        raise RecordsUnusable(message) from error


def _sync(file: Path) -> None:
    with file.open("rb+") as opened:
        os.fsync(opened.fileno())


def _remove(file: Path) -> None:
    """Remove a database of ours that nobody needs, with what SQLite kept beside it."""
    _remove_all([file, *(Path(f"{file}{end}") for end in _BESIDE)])


def _remove_all(files: Iterable[Path]) -> None:
    for path in files:
        path.unlink(missing_ok=True)
