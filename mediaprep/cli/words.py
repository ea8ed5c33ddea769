"""Phrases that several commands say the same way."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from mediaprep import cautions
from mediaprep.model import (
    BundleSignature,
    ClockOffset,
    Currency,
    DataEvidence,
    PublisherCheck,
    Receipt,
    StructureEvidence,
    Validity,
    Verdict,
)
from mediaprep.quantities import format_bytes

CURRENCY_STYLE = {
    Currency.NOTHING_LOADED: "magenta",
    Currency.NOT_YET: "cyan",
    Currency.CURRENT: "green",
    Currency.LAPSES_SOON: "yellow",
    Currency.LAPSED: "red",
    Currency.NO_EXPIRY: "green",
    Currency.UNKNOWN: "magenta",
}

CAUTION = cautions.CAUTION


def describe_instant(instant: datetime | None) -> str:
    """Return an instant for people: the UTC date, with the time where it is not midnight."""
    if instant is None:
        return "-"
    utc = instant.astimezone(UTC)
    return f"{utc:%Y-%m-%d}" if (utc.hour, utc.minute) == (0, 0) else f"{utc:%Y-%m-%d %H:%M}"


def describe_validity(validity: Validity) -> str:
    """Return a validity for people, as a half-open period."""
    start = describe_instant(validity.effective_at) if validity.effective_at else ""
    if validity.lapses_at is None:
        return f"from {start}, does not lapse" if start else "does not lapse"
    until = f"until {describe_instant(validity.lapses_at)}"
    return f"{start} {until}" if start else until


def describe_checks(checks: Iterable[PublisherCheck]) -> str:
    """Return which checksums of its publisher a bundle was held against; empty where none were given."""
    words = dict.fromkeys(f"{one.algorithm.value}{' (weak)' if one.weak else ''}" for one in checks)
    return ", ".join(words)


def describe_signature(signature: BundleSignature) -> str:
    """Return what a publisher's signature was over and by which key, with the fingerprint as keys are compared."""
    digits = signature.key_fingerprint.upper()
    groups = " ".join(digits[start : start + 4] for start in range(0, len(digits), 4))
    return f"{signature.signed}, by the OpenPGP key {groups}"


def describe_offset(offset: ClockOffset) -> str:
    """Return how far a clock is off, as in `90.0 s ahead of`."""
    return f"{abs(offset.ahead_seconds):.1f} s {'ahead of' if offset.ahead_seconds > 0 else 'behind'}"


def describe_receipt(receipt: Receipt) -> list[str]:
    """Return a receipt as lines for people: what was proven, and how."""
    report = receipt.readback
    data = {
        DataEvidence.DIRECT: "read from the medium itself, past the computer's memory",
        DataEvidence.EVICTED: "read after the computer's memory of it was dropped",
        DataEvidence.CACHED: "read from the computer's memory: this proves nothing about the card",
    }[report.data_evidence]
    structure = {
        StructureEvidence.ASSUMED: "not proven: the card was not taken out since",
        StructureEvidence.READ_RAW: "read from the raw device",
        StructureEvidence.REMOUNTED: "read after the volume was unmounted and mounted again",
        StructureEvidence.REINSERTED: "read after the card was taken out and put back",
    }[report.structure_evidence]
    counter = f"; the device counted {format_bytes(report.medium_bytes)}" if report.medium_bytes is not None else ""
    seconds = max((report.finished_at - report.started_at).total_seconds(), 0.001)
    lines = [
        f"Receipt {receipt.number}: card {receipt.card} {receipt.readback.verdict.value.upper()}",
        *(
            f"  Bundle     {one.name} ({one.file_count} files, {format_bytes(one.total_bytes)}) is on the card whole"
            for one in receipt.bundles
            if report.verdict is not Verdict.UNPROVEN
        ),
        f"  Data       {format_bytes(report.bytes)} {data}{counter} ({format_bytes(round(report.bytes / seconds))}/s)",
        f"  Structure  folders and allocation table {structure}",
        f"  Written    {format_bytes(receipt.written_bytes)}",
    ]
    if receipt.rewritten:
        count = len(receipt.rewritten)
        mended = "1 kept file differed and was" if count == 1 else f"{count} kept files differed and were"
        lines.append(f"  Mended     {mended} written again")
    if receipt.accepted:
        lines.append(f"  Accepted   unknown by your word: {', '.join(receipt.accepted)}")
    if receipt.simulated:
        lines.append("  Simulated  this was no physical card")
    return lines
