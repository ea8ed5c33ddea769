"""Invented things to print."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from mediaprep.logchain import GENESIS, canonical_json, entry_digest
from mediaprep.model import Aircraft, LogEntry, LogHead, Validity
from mediaprep.printing.content import CarriedCard
from mediaprep.quantities import format_utc
from tests.records.builders import bundle

NOON = datetime(2026, 7, 1, 12, 0, tzinfo=UTC)
AIRCRAFT = Aircraft("D-TEST", "Our test aircraft")
ENDLESS = Validity(None, None, None)


def entries(*bodies: dict[str, object]) -> tuple[LogEntry, ...]:
    """Return a logbook of these bodies, a minute apart."""
    book: list[LogEntry] = []
    for sequence, facts in enumerate(bodies, start=1):
        at = NOON + timedelta(minutes=sequence)
        whole = {"aircraft": AIRCRAFT.name, "at": format_utc(at), "operator": "Robin", "station": "bench-1", **facts}
        body = canonical_json(whole)
        previous = book[-1].sha256 if book else GENESIS
        sha256 = entry_digest(previous, sequence, body)
        book.append(LogEntry(AIRCRAFT.name, sequence, at, body, previous, sha256))
    return tuple(book)


def accepted(**changes: object) -> dict[str, object]:
    """Return the body of an entry about an accepted load."""
    return {
        "kind": "accepted",
        "unit": "NAV-1",
        "slot": "left",
        "card": "C-001",
        "load": 7,
        "receipt": "R-000012",
        "reason": "",
        "simulated": False,
        "bundle": "nav-2607",
        "data_kind": "navigation",
        "cycle": "2607",
        "effective_at": "2026-07-09T00:00:00Z",
        "lapses_at": "2026-08-06T09:01:00Z",
        **changes,
    }


def head(book: tuple[LogEntry, ...]) -> LogHead:
    return LogHead(len(book), book[-1].sha256) if book else LogHead(0, GENESIS)


def card(name: str = "C-001", **changes: object) -> CarriedCard:
    """Return a card that may be carried, with one navigation set."""
    made = {
        "name": name,
        "unit": "D-TEST/NAV-1",
        "bundles": (bundle(),),
        "receipt": "R-000012",
        "simulated": False,
        "opens": None,
        **changes,
    }
    return CarriedCard(**made)  # type: ignore[arg-type]
