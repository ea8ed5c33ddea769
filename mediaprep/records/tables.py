"""The tables of the records, as SQLAlchemy Core metadata for SQLite and PostgreSQL alike.

Things the owner may rename are keyed by number, words of a list (data kinds, media rules) by themselves. Receipts, load
events and logbook entries are only ever inserted. A change here needs a new file in `migrations/versions/`; a test
compares the two.
"""

from __future__ import annotations

from datetime import UTC, datetime

from sqlalchemy import (
    JSON,
    BigInteger,
    Boolean,
    Column,
    Dialect,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    Time,
    TypeDecorator,
    UniqueConstraint,
    literal,
    text,
)

# The revision of `migrations/versions/` that these tables stand for.
SCHEMA_REVISION = "0001"


class UtcText(TypeDecorator[datetime]):
    """An instant as RFC 3339 text in UTC, always with microseconds, so that the order of the text is that of time.

    A time without a zone is refused; what comes back is aware, in UTC. SQLite has no type that keeps a zone.
    """

    impl = String(27)
    cache_ok = True

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> str | None:
        """Return the text for an aware instant. Raise ValueError where it has no zone."""
        del dialect
        if value is None:
            return None
        if value.utcoffset() is None:
            message = f"A time without a zone cannot go into the records: {value.isoformat()}"
            raise ValueError(message)
        return value.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")

    def process_result_value(self, value: str | None, dialect: Dialect) -> datetime | None:
        """Return the aware instant for a text."""
        del dialect
        return None if value is None else datetime.fromisoformat(value)


# Constraints get their names from this, so that a later migration can name them on both databases.
metadata = MetaData(
    naming_convention={
        "ix": "ix_%(table_name)s_%(column_0_N_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "fk": "fk_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# --- the panel -------------------------------------------------------------------------------------------------------

aircraft = Table(
    "aircraft",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("title", Text, nullable=False),
)

media_rules = Table(
    "media_rules",
    metadata,
    Column("name", Text, primary_key=True),
    Column("source", Text, nullable=False),
    Column("capacity_bytes_min", BigInteger),
    Column("capacity_bytes_max", BigInteger),
    Column("families", JSON, nullable=False),
    Column("file_systems", JSON, nullable=False),
    Column("cluster_bytes", JSON, nullable=False),
    Column("partition_tables", JSON, nullable=False),
    Column("foreign_files_allowed", Boolean, nullable=False),
    Column("software_with_data_allowed", Boolean, nullable=False),
)

data_kinds = Table(
    "data_kinds",
    metadata,
    Column("name", Text, primary_key=True),
    Column("title", Text, nullable=False),
    Column("scheme", Text, nullable=False),
    Column("effective_time_utc", Time, nullable=False),
    Column("interval_days", Integer),
    Column("is_software", Boolean, nullable=False),
)

units = Table(
    "units",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("aircraft_id", ForeignKey("aircraft.id"), nullable=False),
    Column("name", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("rule", ForeignKey("media_rules.name"), nullable=False),
    Column("software", Text),
    Column("position", Integer, nullable=False),
    UniqueConstraint("aircraft_id", "name"),
    Index(None, "name"),
)

slots = Table(
    "slots",
    metadata,
    Column("unit_id", ForeignKey("units.id"), primary_key=True),
    Column("name", Text, primary_key=True),
    Column("position", Integer, nullable=False),
)

unit_kinds = Table(
    "unit_kinds",
    metadata,
    Column("unit_id", ForeignKey("units.id"), primary_key=True),
    Column("kind", ForeignKey("data_kinds.name"), primary_key=True),
    Column("position", Integer, nullable=False),
)

# --- bundles ---------------------------------------------------------------------------------------------------------

bundles = Table(
    "bundles",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("kind", ForeignKey("data_kinds.name"), nullable=False),
    Column("cycle", Text),
    Column("effective_at", UtcText),
    Column("lapses_at", UtcText),
    Column("source", Text, nullable=False),
    Column("source_form", Text, nullable=False),
    Column("manifest_sha256", String(64), nullable=False),
    Column("file_count", Integer, nullable=False),
    Column("total_bytes", BigInteger, nullable=False),
    Column("taken_in_at", UtcText, nullable=False),
    Column("least_software", Text),
    # Both or neither: the file that a good signature was over, and the fingerprint of the key.
    Column("signed_file", Text),
    Column("signing_key", Text),
    # Out of the library, but known to the cards, loads and receipts that came of it. Its files may be forgotten.
    Column("removed_at", UtcText),
    Index(None, "manifest_sha256"),
)

bundle_files = Table(
    "bundle_files",
    metadata,
    Column("bundle_id", ForeignKey("bundles.id"), primary_key=True),
    # Path order is Python's, by code point; the collation of a shared database may differ.
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("path", Text, nullable=False),
    Column("size_bytes", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("modified_ns", BigInteger),
)

bundle_checks = Table(
    "bundle_checks",
    metadata,
    Column("bundle_id", ForeignKey("bundles.id"), primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("listed_in", Text, nullable=False),
    Column("algorithm", Text, nullable=False),
    Column("file_count", Integer, nullable=False),
)

bundle_units = Table(
    "bundle_units",
    metadata,
    Column("bundle_id", ForeignKey("bundles.id"), primary_key=True),
    Column("unit_id", ForeignKey("units.id"), primary_key=True),
)

# --- cards -----------------------------------------------------------------------------------------------------------

cards = Table(
    "cards",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False, unique=True),
    Column("identity", Text, nullable=False),
    Column("simulated", Boolean, nullable=False),
    Column("capacity_bytes", BigInteger),
    Column("first_seen_at", UtcText, nullable=False),
    Column("retired_at", UtcText),
    Column("written_insertion", Text),
)

# A medium that was retired by mistake, or under a wrong name, may be taken in again.
Index(
    "uq_cards_identity_in_service",
    cards.c.identity,
    unique=True,
    sqlite_where=text("retired_at IS NULL"),
    postgresql_where=text("retired_at IS NULL"),
)

card_files = Table(
    "card_files",
    metadata,
    Column("card_id", ForeignKey("cards.id"), primary_key=True),
    Column("path", Text, primary_key=True),
    Column("kind", Text, primary_key=True),
    Column("size_bytes", BigInteger, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("bundle_id", ForeignKey("bundles.id"), nullable=False),
    Column("flushed", Boolean, nullable=False),
    Column("ours", Boolean, nullable=False),
)

# --- jobs and what they prove ----------------------------------------------------------------------------------------

receipts = Table(
    "receipts",
    metadata,
    Column("number", Text, primary_key=True),
    Column("card_id", ForeignKey("cards.id"), nullable=False),
    Column("issued_at", UtcText, nullable=False),
    # The whole receipt as canonical JSON. The other columns only serve to find it.
    Column("body", Text, nullable=False),
    Index(None, "card_id"),
)

jobs = Table(
    "jobs",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("kind", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("card_id", ForeignKey("cards.id"), nullable=False),
    Column("bundle_id", ForeignKey("bundles.id")),
    Column("unit_id", ForeignKey("units.id")),
    Column("station", Text, nullable=False),
    # What tells the computer at work from others of its name: see `processes.this_computer`.
    Column("computer", Text, nullable=False),
    Column("operator", Text, nullable=False),
    # The process at work: its number on the station, and when it started, in seconds since 1970, as the number alone
    # comes round again.
    Column("process_id", Integer, nullable=False),
    Column("process_started", Float, nullable=False),
    Column("started_at", UtcText, nullable=False),
    Column("ended_at", UtcText),
    Column("touched", Boolean, nullable=False),
    Column("cancel_requested", Boolean, nullable=False),
    Column("code", Text),
    Column("detail", Text),
    Column("receipt", ForeignKey("receipts.number"), unique=True),
    Index(None, "card_id"),
)

Index(
    "uq_jobs_card_running",
    jobs.c.card_id,
    unique=True,
    sqlite_where=text("state = 'running'"),
    postgresql_where=text("state = 'running'"),
)

# A literal, not a parameter: only so does SQLite see that the index above holds all such jobs.
JOB_IS_RUNNING = jobs.c.state == literal("running", literal_execute=True)

# Who was ever at work here. The times are by the database's own clock.
stations = Table(
    "stations",
    metadata,
    Column("name", Text, primary_key=True),
    Column("computer", Text, primary_key=True),
    Column("tool_version", Text, nullable=False),
    Column("first_seen_at", UtcText, nullable=False),
    Column("last_seen_at", UtcText, nullable=False),
    Column("clock_ahead_seconds", Float, nullable=False),
    Column("clock_within_seconds", Float, nullable=False),
)

job_findings = Table(
    "job_findings",
    metadata,
    Column("job", ForeignKey("jobs.number"), primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("check_name", Text, nullable=False),
    Column("result", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("evidence", Text, nullable=False),
    Column("remedy", Text, nullable=False),
)

# --- loads and logbooks ----------------------------------------------------------------------------------------------

loads = Table(
    "loads",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("unit_id", ForeignKey("units.id"), nullable=False),
    Column("card_id", ForeignKey("cards.id"), nullable=False),
    Column("bundle_id", ForeignKey("bundles.id"), nullable=False),
    # None for a load from before these records, entered from a list: nothing was proven here.
    Column("receipt", ForeignKey("receipts.number")),
    Column("slot", Text),
    Column("simulated", Boolean, nullable=False),
    # From then on no status depends on it; NULL while one may. It follows from the events: see `status.matter_until`.
    Column("matters_until", UtcText),
    Index(None, "unit_id"),
    Index(None, "matters_until"),
)

load_events = Table(
    "load_events",
    metadata,
    Column("load", ForeignKey("loads.number"), primary_key=True),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("state", Text, nullable=False),
    Column("at", UtcText, nullable=False),
    Column("reason", Text, nullable=False),
)

logbook = Table(
    "logbook",
    metadata,
    Column("aircraft_id", ForeignKey("aircraft.id"), primary_key=True),
    Column("sequence", Integer, primary_key=True, autoincrement=False),
    Column("at", UtcText, nullable=False),
    Column("body", Text, nullable=False),
    Column("previous_sha256", String(64), nullable=False),
    Column("sha256", String(64), nullable=False),
)

# --- calendars -------------------------------------------------------------------------------------------------------

calendar_feeds = Table(
    "calendar_feeds",
    metadata,
    Column("aircraft_id", ForeignKey("aircraft.id"), primary_key=True),
    # A random UUID under which the events' own are made, so that no two databases ever give out the same.
    Column("root", String(36), nullable=False),
    # Of the feed's address only the digest is kept; NULL while there is none.
    Column("token_sha256", String(64)),
    Column("given_out_at", UtcText),
)

calendar_events = Table(
    "calendar_events",
    metadata,
    Column("aircraft_id", ForeignKey("aircraft.id"), primary_key=True),
    Column("uid", String(36), primary_key=True),
    Column("content_sha256", String(64), nullable=False),
    Column("sequence", Integer, nullable=False),
    Column("changed_at", UtcText, nullable=False),
)

counters = Table(
    "counters",
    metadata,
    Column("name", Text, primary_key=True),
    Column("value", BigInteger, nullable=False),
)
