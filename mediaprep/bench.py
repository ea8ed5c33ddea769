"""What a job works with: everything that touches the world in one place, and what the owner asks for."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from mediaprep.model import (
    Bundle,
    Card,
    Finding,
    Job,
    Unit,
)
from mediaprep.ports import BundleSource, Cancelled, CardAccess, Clock, HostAccess, ProgressSink, Records


@dataclass(frozen=True)
class Bench:
    """Everything a job touches: one card, the computer, the records, the clock, and who listens.

    `places` are (role, path) of the host's folders that the job uses: `records`, `temp`, `staging`. `on_job` hears of
    the job as soon as the records hold it, `on_findings` all findings of the preflight before anything else happens.
    """

    card: CardAccess
    host: HostAccess
    records: Records
    clock: Clock
    places: tuple[tuple[str, str], ...]
    progress: ProgressSink = lambda _: None
    on_job: Callable[[Job], None] = lambda _: None
    on_findings: Callable[[Sequence[Finding]], None] = lambda _: None
    cancelled: Cancelled = lambda: False


@dataclass(frozen=True)
class Wish:
    """What the owner asks for: this bundle, on this card, for this unit.

    `accept` names checks whose unknown findings the owner goes on with.
    """

    bundle: Bundle
    source: BundleSource
    unit: Unit
    card: Card
    accept: frozenset[str] = field(default_factory=frozenset)
