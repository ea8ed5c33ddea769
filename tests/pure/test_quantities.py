"""Sizes and times, as text and back."""

from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mediaprep.errors import Usage
from mediaprep.quantities import (
    format_bytes,
    format_cluster,
    format_utc,
    parse_bytes,
    parse_date_or_utc,
    parse_utc,
)


def utc(*parts: int) -> datetime:
    return datetime(*parts, tzinfo=UTC)


# --- sizes -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("count", "text"),
    [
        (0, "0 B"),
        (1, "1 B"),
        (999, "999 B"),
        (1000, "1 kB"),
        (32_000, "32 kB"),
        (32_768, "32.8 kB"),
        (123_456, "123 kB"),
        (999_499, "999 kB"),
        (999_500, "1 MB"),
        (7_948_206_080, "7.95 GB"),
        (16_000_000_000, "16 GB"),
        (2 * 10**12, "2 TB"),
        (5 * 10**15, "5000 TB"),
        (-1500, "-1.5 kB"),
    ],
)
def test_sizes_are_shown_in_decimal_units_with_three_digits(count: int, text: str) -> None:
    assert format_bytes(count) == text


@given(st.integers(0, 10**15))
def test_a_shown_size_is_within_half_of_its_last_digit(count: int) -> None:
    assert abs(parse_bytes(format_bytes(count)) - count) <= count * 0.0051


@pytest.mark.parametrize(
    ("count", "text"),
    [(0, "0 B"), (512, "512 B"), (1024, "1 KiB"), (1536, "1536 B"), (32_768, "32 KiB"), (2**20, "1 MiB")],
)
def test_cluster_sizes_are_shown_in_binary_units(count: int, text: str) -> None:
    assert format_cluster(count) == text
    assert parse_bytes(text) == count


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("4096", 4096),
        ("512 B", 512),
        ("8GB", 8 * 10**9),
        ("8 gb", 8 * 10**9),
        ("8GiB", 8 * 2**30),
        ("32 KiB", 32_768),
        ("1.5 MB", 1_500_000),
        ("0.5TiB", 2**39),
        (" 2 TB ", 2 * 10**12),
        ("7.95 GB", 7_950_000_000),
        ("1.0000000001 B", 1),
    ],
)
def test_sizes_are_read_in_decimal_and_binary_units(text: str, count: int) -> None:
    assert parse_bytes(text) == count


@pytest.mark.parametrize(
    "text", ["", "GB", "8 XB", "8 Gbit", "-8GB", "8,5 GB", ".5GB", "8.GB", "1e9", "8 G B", "0x10", "9" * 5000]
)
def test_what_is_no_size_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(Usage, match="is not a size") as caught:
        parse_bytes(text)
    assert "8GiB" in caught.value.remedy


# --- times -----------------------------------------------------------------------------------------------------------


@given(st.datetimes(timezones=st.just(UTC)))
def test_an_instant_is_read_back_as_it_was_written(instant: datetime) -> None:
    text = format_utc(instant)
    assert text.endswith("Z")
    assert parse_utc(text) == instant
    assert parse_utc(text).tzinfo is UTC


def test_an_instant_of_another_zone_is_written_in_utc() -> None:
    east = datetime(2025, 1, 23, 1, 30, tzinfo=timezone(timedelta(hours=2)))
    assert format_utc(east) == "2025-01-22T23:30:00Z"
    assert format_utc(east.replace(microsecond=250_000)) == "2025-01-22T23:30:00.250000Z"


def test_a_time_without_a_zone_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="without a zone"):
        format_utc(datetime(2025, 1, 23))  # noqa: DTZ001


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        # Forms of RFC 3339, section 5.6
        ("2026-12-24T09:01:00Z", utc(2026, 12, 24, 9, 1)),
        ("2026-12-24t09:01:00z", utc(2026, 12, 24, 9, 1)),
        ("2026-12-24T09:01:00.5Z", utc(2026, 12, 24, 9, 1, 0, 500_000)),
        ("2026-12-24T09:01:00+02:00", utc(2026, 12, 24, 7, 1)),
        ("2026-12-24T23:01:00-05:30", utc(2026, 12, 25, 4, 31)),
        ("2026-12-24T09:01:00-00:00", utc(2026, 12, 24, 9, 1)),
        ("2024-02-29T00:00:00Z", utc(2024, 2, 29)),
    ],
)
def test_rfc_3339_times_are_read(text: str, instant: datetime) -> None:
    assert parse_utc(text) == parse_date_or_utc(text) == instant


def test_a_date_is_read_as_its_midnight_or_as_the_date_it_is() -> None:
    assert parse_utc("2026-12-24") == utc(2026, 12, 24)
    assert parse_utc("2026-12-24").tzinfo is UTC
    found = parse_date_or_utc("2026-12-24")
    assert found == date(2026, 12, 24)
    assert not isinstance(found, datetime)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "today",
        "24.12.2026",
        "2026-12",
        "2026-02-30",
        "2026-13-01",
        "2026-12-24T09:01:00",
        "2026-12-24 09:01:00Z",
        "2026-12-24T09:01Z",
        "2026-12-24T25:00:00Z",
        "2026-12-24T09:01:60Z",
        "2026-12-24T09:01:00+25:00",
        "0001-01-01T00:00:00+01:00",
        # What datetime.fromisoformat takes beyond RFC 3339
        "20261224T090100Z",
        "2026-W52-4",
        "2026-12-24T09:01:00,5Z",
        "2026-12-24T09:01:00.1234567Z",
        "2026-12-24\n",
    ],
)
def test_what_is_no_date_or_time_is_refused_with_an_example(text: str) -> None:
    for read in (parse_utc, parse_date_or_utc):
        with pytest.raises(Usage, match="is not a date or a time") as caught:
            read(text)
        assert "2026-12-24T09:01:00Z" in caught.value.remedy
