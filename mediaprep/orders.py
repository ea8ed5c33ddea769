"""From what an owner asks for, in names and paths, to what the session is called with: for all shells alike."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from mediaprep.bench import Wish
from mediaprep.bundles import open_recorded
from mediaprep.bundles.place import is_url
from mediaprep.checks import CHECKS
from mediaprep.errors import BundleUnreadable, CardNotReady, Usage
from mediaprep.gate import refuse_unsafe
from mediaprep.library import require_in_library
from mediaprep.model import Bundle, Card, CardFacts, Known, Unit, value_or_none
from mediaprep.ports import BundleSource, CardAccess, Clock, Records
from mediaprep.records import Store


def order_check(
    access: CardAccess, records: Store, clock: Clock, *, bundle: str, unit: str, accept: Collection[str]
) -> Wish:
    """Return the wish to judge a bundle for a card and a unit. A card that is new stays out of the records.

    Raise NotFound, Usage, BundleUnreadable or CardGone.
    """
    facts = access.facts()
    card = find_card(facts, records) or _stranger(facts, clock)
    return _wish(records, card, bundle=bundle, unit=unit, accept=accept)


def order_write(
    access: CardAccess,
    records: Store,
    clock: Clock,
    *,
    bundle: str,
    unit: str,
    accept: Collection[str],
    card: str | None = None,
) -> Wish:
    """Return the wish to write a bundle. A card that is new is taken into the records, as `card` where that is given.

    Raise what `order_check` and `card_of` raise; then no new card was taken in.
    """
    facts = access.facts()
    # The bundle and the unit are looked for before a card that is new here is taken into the records.
    wish = _wish(records, _stranger(facts, clock), bundle=bundle, unit=unit, accept=accept)
    return replace(wish, card=card_of(facts, records, clock, name=card))


def order_verify(access: CardAccess, records: Store, target: str) -> tuple[Card, Unit | None]:
    """Return the card at a target and the unit it was last written for. Raise CardNotReady where it is not known."""
    card = find_card(access.facts(), records)
    if card is None:
        message = f"The card at {target} is not in the records"
        raise CardNotReady(message, remedy="Write a bundle to it first: 'mediaprep write'.")
    written = records.last_write(card.name)
    unit = records.unit(*written.unit) if written is not None and written.unit is not None else None
    return card, unit


def find_card(facts: CardFacts, records: Records) -> Card | None:
    """Return the records' card for what is in the reader, or None where the records do not know it."""
    identity = facts.identity
    return records.recognise(identity.value) if isinstance(identity, Known) else None


def card_of(facts: CardFacts, records: Records, clock: Clock, *, name: str | None = None) -> Card:
    """Return the records' card for what is in the reader, taking it in under `name` if it is new.

    Raise TargetUnsafe where it is no card at all, CardNotReady when it cannot be told from other cards or is known
    under another name.
    """
    refuse_unsafe(facts)
    known = find_card(facts, records)
    if known is not None:
        if name is not None and name != known.name:
            message = f"The card at {facts.target} is {known.name}, not {name}"
            raise CardNotReady(message, remedy=f"Put card {name} in, or leave the name out.")
        return known
    if not isinstance(facts.identity, Known):
        message = f"The card at {facts.target} cannot be told from others: {facts.identity.reason}"
        raise CardNotReady(message, remedy=facts.identity.remedy or "Try another reader.")
    return records.register_card(
        name,
        identity=facts.identity.value,
        simulated=facts.simulated,
        capacity_bytes=value_or_none(facts.capacity_bytes),
        at=clock.now(),
    )


def _wish(records: Store, card: Card, *, bundle: str, unit: str, accept: Collection[str]) -> Wish:
    for name in accept:
        if name not in CHECKS:
            message = f"No check is called {name}"
            raise Usage(message, remedy=f"Choose among {', '.join(CHECKS)}.")
    found = require_in_library(records.bundle(bundle))
    return Wish(
        bundle=found,
        source=_source_of(found, records),
        unit=records.find_unit(unit),
        card=card,
        accept=frozenset(accept),
    )


def _source_of(bundle: Bundle, records: Records) -> BundleSource:
    """Return where a bundle lies, as this station sees it. Raise BundleUnreadable naming both."""
    try:
        return open_recorded(bundle.source)
    except BundleUnreadable as error:
        message = f"Bundle {bundle.name} cannot be read on station {records.station}: {error}"
        remedy = (
            f"Put it back to {bundle.source}. Where several stations share the records, the folder must be shared too, "
            "and every station must see it at this same path."
        )
        if is_url(bundle.source):
            remedy = error.remedy
        raise BundleUnreadable(message, remedy=remedy) from error


def _stranger(facts: CardFacts, clock: Clock) -> Card:
    """Return a card that is not in the records, as checks name it."""
    return Card(
        name="(new)",
        identity=value_or_none(facts.identity) or "",
        simulated=facts.simulated,
        capacity_bytes=value_or_none(facts.capacity_bytes),
        first_seen_at=clock.now(),
    )
