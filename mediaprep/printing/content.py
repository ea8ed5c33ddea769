"""What stands on each printout, from values of the model. Pure: no clock, no disk, and no form of output."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import groupby

from mediaprep.cautions import CAUTION
from mediaprep.logtext import FACTS, describe, facts_of, kind_of
from mediaprep.model import Aircraft, Bundle, Load, LogEntry, LogHead, Unit
from mediaprep.printing.document import (
    TICK_BOX,
    Block,
    Document,
    Facts,
    Heading,
    Paragraph,
    SignLines,
    Table,
    Tag,
    Tags,
)

LABEL_MM = (58.0, 30.0)
"""Width and height of a label for a card's case. A full-size SD card itself is 24 mm x 32 mm, with less for a label."""
SLIP_MM = (86.0, 54.0)
"""Width and height of a slip for a card's case: those of a bank card (ISO/IEC 7810 ID-1 is 85.60 mm x 53.98 mm)."""

_OWN_RECORD = (
    "This is the owner's own record. Whether it is a maintenance record, and who may sign one, is for the authority's "
    "rules to say."
)
_NOT_ON_CARD = "Stick a label on the case, not on the card: it can jam or come off in the slot."


@dataclass(frozen=True, slots=True)
class CarriedCard:
    """A card that may be carried to units, and what is on it. `opens`: the address of its page, where it has one."""

    name: str
    unit: str | None
    bundles: tuple[Bundle, ...]
    receipt: str
    simulated: bool
    opens: str | None = None

    @property
    def qr(self) -> str:
        """What the QR code holds: the address of the card's page, else the words that find it in the records."""
        return self.opens or f"mediaprep card {self.name} receipt {self.receipt}"

    @property
    def lapses_at(self) -> datetime | None:
        """When the first of its sets lapses, None where none does."""
        return min((one.validity.lapses_at for one in self.bundles if one.validity.lapses_at), default=None)


def logbook(aircraft: Aircraft, entries: Sequence[LogEntry], *, head: LogHead, at: datetime) -> Document:
    """Return the logbook of an aircraft, or some entries of it, as a table.

    `head` is the end of the whole book, whose chain was checked at `at`.
    """
    whole = head.entries
    rows = tuple(
        (
            str(entry.sequence),
            f"{entry.at:%Y-%m-%d %H:%M}",
            describe(entry),
            facts_of(entry).get("operator", "-"),
            entry.sha256[:16],
        )
        for entry in entries
    )
    part = f"{len(rows)} of {whole} entries" if len(rows) != whole else _count(whole, "entry", "entries")
    blocks: list[Block] = [
        Table((("No", 5), ("Time (UTC)", 14), ("What", 58), ("By", 10), ("Digest begins", 15)), rows)
        if rows
        else Paragraph("The logbook is empty."),
        Heading("Proof"),
        Paragraph(
            f"On {_time(at)} the chain of all {_count(whole, 'entry', 'entries')} held: none was edited, removed, "
            "reordered or inserted. The head digest shows later whether entries were taken off the end:"
        ),
        Facts((("Head digest", head.sha256 if whole else "(no entry)"),)),
        Paragraph(f"Check it with: mediaprep log verify --aircraft {aircraft.name} --head DIGEST"),
        SignLines(("Date", "Name", "Signature")),
        Paragraph(f"{CAUTION} {_OWN_RECORD}"),
    ]
    title = f"Card logbook of {aircraft.name}"
    return Document(title, _joined(aircraft.title, part), tuple(blocks), f"{title}, {_time(at)}", wide=True)


def record_entry(aircraft: Aircraft, entry: LogEntry, *, at: datetime) -> Document:
    """Return one entry in the manner of a maintenance record: what was done, to what, by whom, with room to sign."""
    facts = facts_of(entry)
    rows = [("Aircraft", _joined(aircraft.name, aircraft.title)), ("When", _time(entry.at))]
    rows += [(title, facts[name]) for name, title in FACTS.items() if name in facts]
    if "aircraft_hours" not in facts:
        rows.append(("Aircraft hours", ""))
    blocks: list[Block] = [
        Heading(f"Entry {entry.sequence}: {kind_of(entry)}"),
        Facts(tuple(rows)),
        Heading("Statement"),
        Paragraph(_statement(kind_of(entry), facts)),
        SignLines(("Date", "Name", "Licence or certificate number", "Signature")),
        Heading("Proof"),
        Facts((("Digest of this entry", entry.sha256), ("Digest of the entry before", entry.previous_sha256))),
        Paragraph(f"{CAUTION} {_OWN_RECORD}"),
    ]
    title = f"Card record of {aircraft.name}"
    return Document(title, f"Logbook entry {entry.sequence}", tuple(blocks), f"{title}, printed {_time(at)}")


def labels(cards: Sequence[CarriedCard]) -> Document:
    """Return labels for the cases of cards."""
    tags = tuple(
        Tag(
            title=card.name,
            subtitle=card.unit or "any unit that takes it",
            lines=(
                *(_set(one) for one in card.bundles),
                f"until {_day(card.lapses_at)}" if card.lapses_at else "does not lapse",
            ),
            qr=card.qr,
            note="SIMULATED" if card.simulated else "",
        )
        for card in cards
    )
    return Document("Card labels", _NOT_ON_CARD, (Tags(tags, *LABEL_MM),))


def slips(cards: Sequence[CarriedCard]) -> Document:
    """Return slips that lie in the cases of cards, with boxes to tick at the aircraft."""
    tags = tuple(
        Tag(
            title=card.name,
            subtitle=f"for {card.unit}" if card.unit else "for any unit that takes it",
            lines=(
                *(line for one in card.bundles for line in (_set(one), f"    {_period(one)}")),
                f"receipt {card.receipt}",
            ),
            qr=card.qr,
            ticks=("put in", "accepted", "rejected"),
            note="SIMULATED CARD: not for flight" if card.simulated else "Compare with the dates the unit shows.",
        )
        for card in cards
    )
    return Document("Card-case slips", "Cut along the lines.", (Tags(tags, *SLIP_MM),))


def packing(
    aircraft: Aircraft,
    loads: Sequence[Load],
    units: Sequence[Unit],
    unready: Sequence[tuple[str, str]],
    *,
    at: datetime,
) -> Document:
    """Return the sheet for the walk to the aircraft: which card goes to which unit, with boxes to tick there.

    `loads` are those that are prepared and whose cards may be carried; `unready` are the cards that may not, and why.
    """
    place = {unit.name: (unit.position, unit.name) for unit in units}
    slots = {unit.name: ", ".join(unit.slots) for unit in units}
    ordered = sorted(loads, key=lambda load: (place[load.unit], load.card, load.kind))
    blocks: list[Block] = []
    if ordered:
        rows = tuple(
            row
            for (unit, card), group in groupby(ordered, key=lambda load: (load.unit, load.card))
            for row in _packing_rows(unit, card, slots[unit], list(group))
        )
        columns = (
            ("Card", 11),
            ("To unit", 15),
            ("Slot", 10),
            ("Set", 20),
            ("In force (UTC)", 22),
            ("Unit shows", 13),
            ("Put in", 8),
            ("Accepted", 10),
            ("Rejected, and what the unit showed", 27),
        )
        blocks.append(Table(columns, rows))
    else:
        blocks.append(Paragraph("No card is waiting to be carried to this aircraft."))
    if unready:
        blocks.append(Heading("Leave these on the bench"))
        blocks += [Paragraph(f"Card {card}: {why}.", strong=True) for card, why in unready]
    if any(load.simulated for load in ordered):
        blocks.append(Paragraph("Some of these are simulated cards: not for flight.", strong=True))
    blocks += [
        Paragraph(
            "Ask the unit's manual for the order of steps and whether power must be off. A unit that shows an error or "
            "a wrong date: take the card out, write down what it shows, do not fly with it.",
            strong=True,
        ),
        Facts((("Aircraft hours", ""),)),
        SignLines(("Date and time (UTC)", "Name", "Signature")),
        Paragraph("Back at the bench: mediaprep install CARD --in UNIT --accepted, or --rejected REASON"),
        Paragraph(CAUTION),
    ]
    title = f"Packing sheet for {aircraft.name}"
    subtitle = _joined(aircraft.title, _count(len({load.card for load in ordered}), "card", "cards"))
    return Document(title, subtitle, tuple(blocks), f"{title}, {_time(at)}", wide=True)


def _packing_rows(unit: str, card: str, slots: str, loads: Sequence[Load]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for number, load in enumerate(loads):
        first = number == 0
        rows.append(
            (
                card if first else "",
                unit if first else "",
                (load.slot or slots) if first else "",
                f"{load.kind} {load.validity.cycle}" if load.validity.cycle else load.bundle,
                _span(load.validity.effective_at, load.validity.lapses_at),
                "",
                TICK_BOX if first else "",
                TICK_BOX,
                TICK_BOX,
            )
        )
    return rows


def _statement(kind: str, facts: dict[str, str]) -> str:
    data = facts.get("bundle", "")
    where = f"in unit {facts.get('unit', '-')}" + (f", slot {facts['slot']}" if "slot" in facts else "")
    card = f"Card {facts.get('card', '-')}"
    proof = f" The proof of its content is receipt {facts['receipt']}." if "receipt" in facts else ""
    sentences = {
        "installed": f"{card} with {data} was put {where}.{proof}",
        "accepted": f"{card} with {data} was put {where}, and the unit accepted it.{proof}",
        "rejected": f"{card} with {data} was put {where}, and the unit did not accept it: {facts.get('reason', '-')}.",
        "card written": f"{data} was written to card {facts.get('card', '-')} and read back.{proof}",
        "imported": f"{card} with {data} was accepted {where} before these records began. Nothing was proven here.",
    }
    return sentences.get(kind, f"As the entry says: {kind}.")


def _set(bundle: Bundle) -> str:
    return f"{bundle.kind.name} {bundle.validity.cycle}" if bundle.validity.cycle else bundle.name


def _period(bundle: Bundle) -> str:
    return _span(bundle.validity.effective_at, bundle.validity.lapses_at)


def _span(effective_at: datetime | None, lapses_at: datetime | None) -> str:
    until = _until(lapses_at)
    return (
        f"{_day(effective_at)} to {until}" if effective_at and lapses_at else until if lapses_at else "does not lapse"
    )


def _until(lapses_at: datetime | None) -> str:
    return _day(lapses_at) if lapses_at else "does not lapse"


def _day(instant: datetime) -> str:
    utc = instant.astimezone(UTC)
    return f"{utc:%Y-%m-%d}" if (utc.hour, utc.minute) == (0, 0) else f"{utc:%Y-%m-%d %H:%M}"


def _time(instant: datetime) -> str:
    return f"{instant.astimezone(UTC):%Y-%m-%d %H:%M} UTC"


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _count(number: int, one: str, many: str) -> str:
    return f"{number} {one if number == 1 else many}"
