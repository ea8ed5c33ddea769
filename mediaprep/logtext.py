"""What a logbook entry says, for people and for tables: a pure reading of its body.

A body may hold members that this version does not know, written by another: they are passed over here, and stay in
the entry itself.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from mediaprep.model import LogEntry

FACTS = {
    "unit": "Unit",
    "slot": "Slot",
    "card": "Card",
    "bundle": "Bundle",
    "data_kind": "Kind of data",
    "cycle": "Cycle",
    "effective_at": "Effective (UTC)",
    "lapses_at": "Lapses (UTC)",
    "load": "Load",
    "accepted_at": "Accepted (UTC)",
    "receipt": "Receipt",
    "verdict": "Proof",
    "shown_until": "Unit showed: good until",
    "aircraft_hours": "Aircraft hours",
    "corrects": "Corrects entry",
    "reason": "Remark",
    "simulated": "Simulated card",
    "operator": "By",
    "station": "Station",
    "tool_version": "mediaprep",
}
"""The members that entries may have beside aircraft, kind and time, in the order of a table, with their titles."""

_MINUTE = re.compile(r"(\d{4}-\d\d-\d\d)T(\d\d:\d\d):00Z")
_ONE_BUNDLE = ("bundle", "data_kind", "cycle", "effective_at", "lapses_at")


def facts_of(entry: LogEntry) -> dict[str, str]:
    """Return an entry's facts as text by the names in `FACTS`, empty ones left out.

    Of an entry about several bundles, those of each are joined by `; ` in one order. Times are in UTC, to the
    minute where they are whole ones, and to the date where they are 00:00.
    """
    body = json.loads(entry.body)
    held: list[Mapping[str, Any]] = body.get("bundles", [body])
    found: dict[str, str] = {}
    for name in FACTS:
        values = [one.get(name) for one in held] if name in _ONE_BUNDLE else [body.get(name)]
        if any(value not in {None, ""} for value in values):
            found[name] = "; ".join(_plain(value) for value in values)
    return found


def kind_of(entry: LogEntry) -> str:
    """Return what has happened, in words: `card written`."""
    return str(json.loads(entry.body)["kind"]).replace("-", " ")


def describe(entry: LogEntry) -> str:
    """Return an entry as one line."""
    facts = facts_of(entry)
    parts = []
    if "corrects" in facts:
        parts.append(f"entry {facts['corrects']}")
    if "bundle" in facts:
        parts.append(facts["bundle"])
    if "card" in facts:
        parts.append(f"on card {facts['card']}" if "bundle" in facts else f"card {facts['card']}")
    if "unit" in facts:
        parts.append(f"for unit {facts['unit']}")
    details = [f"receipt {facts['receipt']}"] if "receipt" in facts else []
    details += [facts[name] for name in ("slot", "verdict", "reason") if name in facts]
    details += [f"unit showed {facts['shown_until']}"] if "shown_until" in facts else []
    details += [f"{facts['aircraft_hours']} h"] if "aircraft_hours" in facts else []
    details += ["simulated"] if facts.get("simulated") == "yes" else []
    said = f"{kind_of(entry)}: {' '.join(parts)}".rstrip(": ")
    return f"{said} ({'; '.join(details)})" if details else said


def _plain(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if value is None:
        return "-"
    return _MINUTE.sub(r"\1 \2", str(value).removesuffix("T00:00:00Z"))
