"""The library of bundles: where each is now, and which old ones may go."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from mediaprep.errors import NotFound
from mediaprep.model import Bundle, DataKind, Load, LoadState, Unit, Whereabouts
from mediaprep.status import panel_status


@dataclass(frozen=True, slots=True)
class TidyPlan:
    """What tidying would remove, and what it would have removed were it not in use; oldest first."""

    remove: tuple[Bundle, ...]
    kept_in_use: tuple[Bundle, ...]


def whereabouts(
    bundles: Iterable[Bundle],
    *,
    on_cards: Mapping[str, Collection[str]],
    units: Sequence[Unit],
    kinds: Mapping[str, DataKind],
    loads: Sequence[Load],
    at: datetime,
) -> tuple[Whereabouts, ...]:
    """Return where each bundle is at an aware instant.

    `on_cards` names the cards in service that hold files of a bundle, by bundle; `loads` is the whole history of all
    the aircraft whose units these are.
    """
    held: defaultdict[str, set[tuple[str, str]]] = defaultdict(set)
    for aircraft in sorted({unit.aircraft for unit in units}):
        for status in panel_status(aircraft, units, kinds, loads, at).kinds:
            if status.load is not None:
                held[status.load.bundle].add((aircraft, status.unit))
    for load in loads:
        starts = load.validity.effective_at
        waits = load.state is LoadState.ACCEPTED and starts is not None and starts > at
        if waits or load.state is LoadState.INSTALLED:
            held[load.bundle].add((load.aircraft, load.unit))
    return tuple(
        Whereabouts(bundle.name, tuple(sorted(on_cards.get(bundle.name, ()))), tuple(sorted(held[bundle.name])))
        for bundle in bundles
    )


def plan_tidy(
    bundles: Iterable[Bundle], places: Iterable[Whereabouts], *, keep: int, even_in_use: bool = False
) -> TidyPlan:
    """Say which bundles may leave the library: all but the newest `keep` of each kind.

    Bundles that were bought for different units are counted apart: a new set for one unit does not push out that of
    another. Newest is what takes effect last, then what was taken in last. What is in use stays unless `even_in_use`.
    """
    if keep < 1:
        message = f"At least one bundle of each kind is kept, not {keep}"
        raise ValueError(message)
    in_use = {place.bundle for place in places if place.in_use}
    shelves: defaultdict[tuple[str, tuple[tuple[str, str], ...]], list[Bundle]] = defaultdict(list)
    for bundle in bundles:
        shelves[bundle.kind.name, tuple(sorted(bundle.units))].append(bundle)
    surplus = [bundle for shelf in shelves.values() for bundle in sorted(shelf, key=_age)[:-keep]]
    surplus.sort(key=_age)
    staying = set() if even_in_use else in_use
    return TidyPlan(
        remove=tuple(bundle for bundle in surplus if bundle.name not in staying),
        kept_in_use=tuple(bundle for bundle in surplus if bundle.name in staying),
    )


def _age(bundle: Bundle) -> tuple[datetime, datetime]:
    return bundle.validity.effective_at or bundle.taken_in_at, bundle.taken_in_at


def require_in_library(bundle: Bundle) -> Bundle:
    """Return a bundle. Raise NotFound where it was removed."""
    if bundle.removed_at is not None:
        message = f"Bundle {bundle.name} was removed from the library on {bundle.removed_at:%Y-%m-%d}"
        raise NotFound(message, remedy="Take its files in again under another name: 'mediaprep bundle add'.")
    return bundle
