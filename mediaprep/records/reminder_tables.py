"""The tables of reminders: rules, targets, what was claimed for them, and the owner's answers.

A target's address is a secret: it has a table of its own, which nothing but the sending reads.
"""

from __future__ import annotations

from sqlalchemy import JSON, Boolean, Column, ForeignKey, Index, Integer, Table, Text, Time, text

from mediaprep.records.tables import UtcText, metadata

rules = Table(
    "reminder_rules",
    metadata,
    Column("name", Text, primary_key=True),
    Column("aircraft_id", ForeignKey("aircraft.id")),
    Column("unit_id", ForeignKey("units.id")),
    Column("kind", ForeignKey("data_kinds.name")),
    Column("days_before", JSON, nullable=False),
    Column("on_the_day", Boolean, nullable=False),
    Column("repeat_days", Integer),
)

# A target that was removed stays, without its address, for the history of what went to it.
targets = Table(
    "reminder_targets",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("name", Text, nullable=False),
    Column("address", Text, nullable=False),
    Column("keyring_name", Text),
    Column("zone", Text, nullable=False),
    Column("quiet_start", Time),
    Column("quiet_end", Time),
    Column("allow_local", Boolean, nullable=False),
    Column("added_at", UtcText, nullable=False),
    Column("removed_at", UtcText),
)

Index(
    "uq_reminder_targets_name_in_use",
    targets.c.name,
    unique=True,
    sqlite_where=text("removed_at IS NULL"),
    postgresql_where=text("removed_at IS NULL"),
)

secrets = Table(
    "reminder_secrets",
    metadata,
    Column("target_id", ForeignKey("reminder_targets.id"), primary_key=True, autoincrement=False),
    Column("url", Text, nullable=False),
)

messages = Table(
    "reminder_messages",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("target_id", ForeignKey("reminder_targets.id"), nullable=False),
    Column("state", Text, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("station", Text, nullable=False),
    Column("made_at", UtcText, nullable=False),
    Column("lease_until", UtcText),
    Column("next_attempt_at", UtcText),
    Column("ended_at", UtcText),
    Index(None, "target_id"),
)

# One message at a time is on its way to a target: what comes due meanwhile goes into it, or into the next one.
Index(
    "uq_reminder_messages_target_open",
    messages.c.target_id,
    unique=True,
    sqlite_where=text("ended_at IS NULL"),
    postgresql_where=text("ended_at IS NULL"),
)

# The primary key is the claim: a reminder belongs to one message to a target, whoever else wants to send it.
claims = Table(
    "reminder_claims",
    metadata,
    Column("target_id", ForeignKey("reminder_targets.id"), primary_key=True, autoincrement=False),
    Column("lapses_at", UtcText, primary_key=True),
    Column("unit_id", ForeignKey("units.id"), primary_key=True, autoincrement=False),
    Column("kind", Text, primary_key=True),
    Column("step", Text, primary_key=True),
    Column("message", ForeignKey("reminder_messages.number"), nullable=False),
    Index(None, "message"),
)

attempts = Table(
    "reminder_attempts",
    metadata,
    Column("message", ForeignKey("reminder_messages.number"), primary_key=True, autoincrement=False),
    Column("position", Integer, primary_key=True, autoincrement=False),
    Column("at", UtcText, nullable=False),
    Column("station", Text, nullable=False),
    Column("delivered", Boolean, nullable=False),
    Column("detail", Text, nullable=False),
)

answers = Table(
    "reminder_answers",
    metadata,
    Column("number", Integer, primary_key=True),
    Column("unit_id", ForeignKey("units.id"), nullable=False),
    Column("kind", Text, nullable=False),
    Column("lapses_at", UtcText, nullable=False),
    Column("answer", Text, nullable=False),
    Column("at", UtcText, nullable=False),
    Column("until", UtcText),
    Column("station", Text, nullable=False),
    Column("operator", Text, nullable=False),
    Index(None, "lapses_at"),
)
