"""Which bundle and which unit are probably meant for a card: a pure guess, best first, each with its reason.

A guess only saves clicks. Whether a pair may be written is for the checks to say.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from mediaprep.model import Bundle, Currency, Job, KindStatus, PanelStatus, Unit
from service.words import instant_of

_NEEDY = {Currency.LAPSED, Currency.NOTHING_LOADED, Currency.UNKNOWN, Currency.NOT_YET}
_LONG_AGO = timedelta.max


@dataclass(frozen=True, slots=True)
class Pair:
    """A bundle and a unit it may go to. `unit` is AIRCRAFT/UNIT; `why` says what speaks for it, in a sentence."""

    bundle: str
    kind: str
    unit: str
    why: str


def likely_pairs(
    units: Sequence[Unit],
    panels: Iterable[PanelStatus],
    bundles: Sequence[Bundle],
    *,
    last_write: Job | None,
    at: datetime,
) -> tuple[Pair, ...]:
    """Return every pair of a unit and a bundle of a kind that it takes and that was not bought for others.

    `last_write` is the card's latest job that wrote to it. First comes the bundle whose write was not finished, then
    those for the unit that the card was written for, then for the unit that needs a set most; of a unit's bundles the
    one in force where nothing is, else the one that extends what is loaded. What has lapsed comes last.
    """
    written_for = last_write.unit if last_write is not None else None
    unfinished = last_write.bundle if last_write is not None and last_write.receipt is None else None
    stands = {(panel.aircraft, one.unit, one.kind): one for panel in panels for one in panel.kinds}
    ranked = []
    for unit in units:
        own = (unit.aircraft, unit.name)
        for bundle in bundles:
            status = stands.get((*own, bundle.kind.name))
            if status is None or bundle.removed_at is not None or (bundle.units and own not in bundle.units):
                continue
            ours = own == written_for
            goes_on = ours and bundle.name == unfinished
            rank = (not goes_on, _lapsed(bundle, at), _useless(bundle, status), not ours, *_need(status, bundle, at))
            began = "Its write to this card was not finished." if goes_on else "This card was last written for it."
            why = " ".join([began] * ours + _reasons(bundle, status, at))
            ranked.append((rank, Pair(bundle.name, bundle.kind.name, unit.label, why)))
    # Of equals the order of the panel and of taking in stands, for sorting keeps it.
    return tuple(pair for _, pair in sorted(ranked, key=lambda one: one[0]))


def _lapsed(bundle: Bundle, at: datetime) -> bool:
    return bundle.validity.lapses_at is not None and bundle.validity.lapses_at <= at


def _useless(bundle: Bundle, status: KindStatus) -> bool:
    """Say whether a bundle brings the unit nothing that it has not."""
    if status.currency in _NEEDY or status.lapses_at is None:
        return status.currency is Currency.NO_EXPIRY
    return bundle.validity.lapses_at is not None and bundle.validity.lapses_at <= status.lapses_at


def _need(status: KindStatus, bundle: Bundle, at: datetime) -> tuple[bool, timedelta, timedelta]:
    """Return how little a unit needs a bundle: one in force where none is comes first, then what lapses soonest."""
    begins = bundle.validity.effective_at
    waits = max(begins - at, timedelta(0)) if begins is not None else timedelta(0)
    if status.currency in _NEEDY:
        return False, waits, timedelta(0)
    return True, status.lapses_at - at if status.lapses_at is not None else _LONG_AGO, waits


def _reasons(bundle: Bundle, status: KindStatus, at: datetime) -> list[str]:
    kind, begins = bundle.kind.name, bundle.validity.effective_at
    match status.currency:
        case Currency.LAPSED:
            stands = f"Its {kind} has lapsed."
        case Currency.NOTHING_LOADED | Currency.UNKNOWN:
            stands = f"No {kind} is known to be in it."
        case _ if status.lapses_at is not None:
            stands = f"Its {kind} lapses on {instant_of(status.lapses_at)}."
        case _:
            stands = f"Its {kind} does not lapse."
    if _lapsed(bundle, at):
        brings = f"{bundle.name} has lapsed."
    elif _useless(bundle, status):
        brings = f"{bundle.name} brings nothing that it does not have."
    elif begins is not None and begins > at:
        brings = f"{bundle.name} takes effect on {instant_of(begins)}."
    else:
        brings = f"{bundle.name} is in force."
    return [stands, brings]
