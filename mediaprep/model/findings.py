"""What is judged before a card is touched, and what a check says about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from mediaprep.model.facts import CardEntry, CardFacts, HostFacts
from mediaprep.model.loads import Load
from mediaprep.model.panel import Bundle, Unit
from mediaprep.model.plan import Plan


class Result(StrEnum):
    """What a check says. REFUSE stops the job; UNKNOWN stops it unless the owner accepts that check by name."""

    PASS = "pass"  # noqa: S105
    WARN = "warn"
    UNKNOWN = "unknown"
    REFUSE = "refuse"


@dataclass(frozen=True, slots=True)
class Finding:
    """What one check says about one subject.

    `check` is a stable dotted name such as `card.capacity`. `subject` names the card, file, unit or volume.
    `evidence` holds the facts judged, with their source; `remedy` the way out, empty for a pass.
    """

    check: str
    result: Result
    subject: str
    evidence: str
    remedy: str = ""


@dataclass(frozen=True, slots=True)
class PreflightFacts:
    """All that the checks judge, gathered beforehand. `card_name` is what the owner calls the card.

    `on_card` are the other bundles that are on the card and stay there; `unit_loads` the unit's whole history of
    loads, oldest first; `changed_paths` the bundle's files that differ from what was taken in (by size and time).
    """

    now: datetime
    host: HostFacts
    card: CardFacts
    card_name: str
    entries: tuple[CardEntry, ...]
    plan: Plan
    bundle: Bundle
    on_card: tuple[Bundle, ...]
    unit: Unit
    unit_loads: tuple[Load, ...]
    changed_paths: tuple[str, ...]
