"""Bytes and times as text, and back. Sizes print in decimal units, as cards are sold; both kinds of unit are read."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, time, timedelta

from mediaprep.errors import Usage

_UNITS = {
    "": 1, "b": 1,
    "kb": 10**3, "mb": 10**6, "gb": 10**9, "tb": 10**12,
    "kib": 2**10, "mib": 2**20, "gib": 2**30, "tib": 2**40,
}  # fmt: skip
# Eighteen digits are plenty, and keep int() from refusing thousands of them.
_SIZE = re.compile(r"\s*(\d{1,18}(?:\.\d{1,18})?)\s*([A-Za-z]*)\s*")
# RFC 3339, section 5.6. Checked before fromisoformat, which accepts much that is not RFC 3339.
_RFC3339 = re.compile(r"\d{4}-\d\d-\d\d[Tt]\d\d:\d\d:\d\d(?:\.\d{1,6})?(?:[Zz]|[+-]\d\d:\d\d)")
_DATE = re.compile(r"\d{4}-\d\d-\d\d")


def format_bytes(count: int) -> str:
    """Return a size for people: `7.95 GB`, `32 kB`, `512 B`."""
    size, units = float(count), ["TB", "GB", "MB", "kB", "B"]
    unit = units.pop()
    while abs(size) >= 999.5 and units:
        size, unit = size / 1000, units.pop()
    digits = f"{size:.0f}" if unit == "B" or abs(size) >= 100 else f"{size:.3g}"
    return f"{digits} {unit}"


def format_cluster(count: int) -> str:
    """Return a cluster size in binary units, as the field writes it: `32 KiB`."""
    for unit, factor in (("MiB", 2**20), ("KiB", 2**10)):
        if count >= factor and count % factor == 0:
            return f"{count // factor} {unit}"
    return f"{count} B"


def parse_bytes(text: str) -> int:
    """Read a size such as `8GB`, `32 KiB` or `4096`. Raise Usage where it is none."""
    match = _SIZE.fullmatch(text)
    if match is None or match[2].lower() not in _UNITS:
        message = f"'{text}' is not a size"
        raise Usage(message, remedy="Write a number and a unit: 8GB (10^9 bytes) or 8GiB (2^30 bytes).")
    whole, _, decimals = match[1].partition(".")
    factor = _UNITS[match[2].lower()]
    return int(whole) * factor + (int(decimals) * factor // 10 ** len(decimals) if decimals else 0)


def format_days(distance: timedelta) -> str:
    """Return a span of time, not negative, in whole days: `less than a day`, `1 day`, `12 days`."""
    days = distance // timedelta(days=1)
    return "less than a day" if days == 0 else "1 day" if days == 1 else f"{days} days"


def format_utc(instant: datetime) -> str:
    """Return an aware instant as RFC 3339 text in UTC with `Z`, whole seconds unless it has a fraction."""
    if instant.tzinfo is None:
        message = "A time without a zone cannot be written as UTC"
        raise ValueError(message)
    return instant.astimezone(UTC).isoformat().replace("+00:00", "Z")


def parse_utc(text: str) -> datetime:
    """Read an RFC 3339 time with its zone, or a date (00:00 UTC). Raise Usage where it is neither."""
    found = parse_date_or_utc(text)
    return found if isinstance(found, datetime) else datetime.combine(found, time(0, 0), UTC)


def parse_date_or_utc(text: str) -> date | datetime:
    """Read a date, or an RFC 3339 time with its zone: for what takes effect on a date at an hour known otherwise.

    Raise Usage where it is neither.
    """
    try:
        if _DATE.fullmatch(text):
            return date.fromisoformat(text)
        if _RFC3339.fullmatch(text):
            return datetime.fromisoformat(text.upper()).astimezone(UTC)
    except (ValueError, OverflowError):
        pass
    message = f"'{text}' is not a date or a time"
    raise Usage(message, remedy="Write a date (2026-12-24) or a time with its zone (2026-12-24T09:01:00Z).")
