"""The store: all the records behind one door, and the steps in which several subjects meet."""

from __future__ import annotations

from mediaprep.fitness import fitness_of
from mediaprep.model import Fitness, Load, Receipt, Unit
from mediaprep.records.bundles import BundleRecords
from mediaprep.records.calendar import CalendarRecords
from mediaprep.records.cards import CardRecords, card_id, forget_replaced
from mediaprep.records.database import retried
from mediaprep.records.jobs import JobRecords, end_with_receipt, jobs_of, running_job
from mediaprep.records.library import LibraryRecords
from mediaprep.records.lists import ListRecords
from mediaprep.records.loads import LoadRecords, prepare_loads
from mediaprep.records.logbook import LogbookRecords
from mediaprep.records.panel import PanelRecords
from mediaprep.records.receipts import ReceiptRecords, insert_receipt, receipts_of
from mediaprep.records.reminder_messages import ReminderMessageRecords
from mediaprep.records.reminder_targets import ReminderTargetRecords
from mediaprep.records.reminders import ReminderRecords
from mediaprep.records.transfer import TransferRecords


class Store(
    PanelRecords,
    BundleRecords,
    LibraryRecords,
    CardRecords,
    JobRecords,
    ReceiptRecords,
    LoadRecords,
    LogbookRecords,
    CalendarRecords,
    ListRecords,
    TransferRecords,
    ReminderRecords,
    ReminderTargetRecords,
    ReminderMessageRecords,
):
    """The records of one or more stations. Each method is one transaction, whole or not at all.

    It may be used from several threads, and is never the only one at work in the database. Besides what each method
    names, any of them may raise RecordsUnusable.
    """

    @retried
    def end_job_proven(self, job: int, receipt: Receipt, unit: Unit | None) -> tuple[Load, ...]:
        """Close a job with its receipt; for a unit, with a prepared load of each bundle it takes, in the logbook.

        Raise NotFound, or Interrupted when another program has taken the job for dead.
        """
        with self._database.writing() as connection:
            kind, card = running_job(connection, job)
            insert_receipt(connection, card, receipt)
            end_with_receipt(connection, job, receipt)
            forget_replaced(connection, card, receipt.bundles)
            loads = prepare_loads(connection, kind, receipt, unit, self._worker) if unit is not None else ()
        self._pulse.let_go(job)
        return loads

    def fitness(self, card: str) -> Fitness:
        """Return whether a card may be carried to a unit. Raise NotFound."""
        with self._database.reading() as connection:
            key = card_id(connection, card)
            return fitness_of(jobs_of(connection, key), receipts_of(connection, key))

    def close(self) -> None:
        """Let go of the database; from now on nothing says any more that this station is there."""
        self._pulse.stop()
        self._database.engine.dispose()
