"""Receipts: written once, as canonical JSON, and never changed."""

from __future__ import annotations

import json
from dataclasses import asdict
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, Select, insert, select, update

from mediaprep.errors import NotFound
from mediaprep.logchain import canonical_json
from mediaprep.model import DataEvidence, ProvenBundle, ReadbackReport, Receipt, StructureEvidence
from mediaprep.quantities import format_utc
from mediaprep.records import tables as t
from mediaprep.records.cards import card_id
from mediaprep.records.database import Subject

_COUNTER = "receipt"


class ReceiptRecords(Subject):
    """What writes and readbacks proved."""

    def next_receipt_number(self) -> str:
        """Return a receipt number that was never given out before, on any station."""
        counter = t.counters.c
        step = update(t.counters).where(counter.name == _COUNTER).values(value=counter.value + 1)
        with self._database.writing() as connection:
            number = connection.execute(step.returning(counter.value)).scalar_one()
        return f"R-{number:06d}"

    def receipt(self, number: str) -> Receipt:
        """Return one receipt. Raise NotFound."""
        with self._database.reading() as connection:
            found = read_receipts(connection, select(t.receipts.c.body).where(t.receipts.c.number == number))
        if not found:
            message = f"There is no receipt {number}"
            raise NotFound(message, remedy="See 'mediaprep cards' for the receipts of each card.")
        return found[0]

    def latest_receipt(self, card: str) -> Receipt | None:
        """Return the receipt of the last job on a card that proved anything, or None. Raise NotFound for the card."""
        with self._database.reading() as connection:
            found = receipts_of(connection, card_id(connection, card))
        return found[-1] if found else None


# --- for the other subjects, inside their transactions ---------------------------------------------------------------


def start_counting(connection: Connection) -> None:
    """Make the counter of receipts in a new database."""
    connection.execute(insert(t.counters).values(name=_COUNTER, value=0))


def raise_receipt_counter(connection: Connection, at_least: int) -> None:
    """Go on counting after a number that was given out elsewhere."""
    behind = (t.counters.c.name == _COUNTER) & (t.counters.c.value < at_least)
    connection.execute(update(t.counters).where(behind).values(value=at_least))


def insert_receipt(connection: Connection, card: int, receipt: Receipt) -> None:
    """Write a receipt, once and for all."""
    row = {
        "number": receipt.number,
        "card_id": card,
        "issued_at": receipt.issued_at,
        "body": canonical_json(receipt_to_json(receipt)),
    }
    connection.execute(insert(t.receipts).values(row))


def receipts_of(connection: Connection, card: int) -> tuple[Receipt, ...]:
    """Return the receipts of a card in the order of the jobs that ended in them."""
    joined = t.receipts.join(t.jobs, t.jobs.c.receipt == t.receipts.c.number)
    wanted = select(t.receipts.c.body).select_from(joined).where(t.receipts.c.card_id == card)
    return read_receipts(connection, wanted.order_by(t.jobs.c.number))


def read_receipts(connection: Connection, bodies: Select[Any]) -> tuple[Receipt, ...]:
    """Return the receipts whose bodies a query finds, in its order."""
    return tuple(receipt_from_json(json.loads(body)) for body in connection.execute(bodies).scalars())


def receipt_to_json(receipt: Receipt) -> dict[str, Any]:
    """Return a receipt as plain values: times as RFC 3339 text, enumerations as their words."""
    plain = asdict(receipt)
    plain["issued_at"] = format_utc(receipt.issued_at)
    for name in ("bundles", "rewritten", "accepted"):
        plain[name] = list(plain[name])
    readback = plain["readback"]
    readback["started_at"] = format_utc(receipt.readback.started_at)
    readback["finished_at"] = format_utc(receipt.readback.finished_at)
    readback["data_evidence"] = receipt.readback.data_evidence.value
    readback["structure_evidence"] = receipt.readback.structure_evidence.value
    del readback["mismatches"]  # a receipt never has any
    return plain


def receipt_from_json(plain: dict[str, Any]) -> Receipt:
    """Return the receipt for plain values as `receipt_to_json` makes them."""
    readback = plain["readback"]
    report = ReadbackReport(
        files=readback["files"],
        bytes=readback["bytes"],
        data_evidence=DataEvidence(readback["data_evidence"]),
        structure_evidence=StructureEvidence(readback["structure_evidence"]),
        medium_bytes=readback["medium_bytes"],
        mismatches=(),
        started_at=datetime.fromisoformat(readback["started_at"]),
        finished_at=datetime.fromisoformat(readback["finished_at"]),
    )
    return Receipt(
        number=plain["number"],
        card=plain["card"],
        card_identity=plain["card_identity"],
        simulated=plain["simulated"],
        bundles=tuple(ProvenBundle(**bundle) for bundle in plain["bundles"]),
        station=plain["station"],
        tool_version=plain["tool_version"],
        written_bytes=plain["written_bytes"],
        rewritten=tuple(plain["rewritten"]),
        readback=report,
        accepted=tuple(plain["accepted"]),
        issued_at=datetime.fromisoformat(plain["issued_at"]),
    )
