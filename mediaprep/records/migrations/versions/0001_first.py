"""The first form of the records."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None


def upgrade() -> None:
    op.create_table(
        "aircraft",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_aircraft"),
        sa.UniqueConstraint("name", name="uq_aircraft_name"),
    )
    op.create_table(
        "cards",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("identity", sa.Text(), nullable=False),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("capacity_bytes", sa.BigInteger(), nullable=True),
        sa.Column("first_seen_at", sa.String(27), nullable=False),
        sa.Column("retired_at", sa.String(27), nullable=True),
        sa.Column("written_insertion", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_cards"),
        sa.UniqueConstraint("name", name="uq_cards_name"),
    )
    op.create_index(
        "uq_cards_identity_in_service",
        "cards",
        ["identity"],
        unique=True,
        sqlite_where=sa.text("retired_at IS NULL"),
        postgresql_where=sa.text("retired_at IS NULL"),
    )
    op.create_table(
        "counters",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_counters"),
    )
    op.create_table(
        "data_kinds",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("scheme", sa.Text(), nullable=False),
        sa.Column("effective_time_utc", sa.Time(), nullable=False),
        sa.Column("interval_days", sa.Integer(), nullable=True),
        sa.Column("is_software", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_data_kinds"),
    )
    op.create_table(
        "calendar_feeds",
        sa.Column("aircraft_id", sa.Integer(), nullable=False),
        sa.Column("root", sa.String(length=36), nullable=False),
        sa.Column("token_sha256", sa.String(length=64), nullable=True),
        sa.Column("given_out_at", sa.String(27), nullable=True),
        sa.ForeignKeyConstraint(["aircraft_id"], ["aircraft.id"], name="fk_calendar_feeds_aircraft_id"),
        sa.PrimaryKeyConstraint("aircraft_id", name="pk_calendar_feeds"),
    )
    op.create_table(
        "calendar_events",
        sa.Column("aircraft_id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("content_sha256", sa.String(length=64), nullable=False),
        sa.Column("sequence", sa.Integer(), nullable=False),
        sa.Column("changed_at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["aircraft_id"], ["aircraft.id"], name="fk_calendar_events_aircraft_id"),
        sa.PrimaryKeyConstraint("aircraft_id", "uid", name="pk_calendar_events"),
    )
    op.create_table(
        "media_rules",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("capacity_bytes_min", sa.BigInteger(), nullable=True),
        sa.Column("capacity_bytes_max", sa.BigInteger(), nullable=True),
        sa.Column("families", sa.JSON(), nullable=False),
        sa.Column("file_systems", sa.JSON(), nullable=False),
        sa.Column("cluster_bytes", sa.JSON(), nullable=False),
        sa.Column("partition_tables", sa.JSON(), nullable=False),
        sa.Column("foreign_files_allowed", sa.Boolean(), nullable=False),
        sa.Column("software_with_data_allowed", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("name", name="pk_media_rules"),
    )
    op.create_table(
        "bundles",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("cycle", sa.Text(), nullable=True),
        sa.Column("effective_at", sa.String(27), nullable=True),
        sa.Column("lapses_at", sa.String(27), nullable=True),
        sa.Column("source", sa.Text(), nullable=False),
        sa.Column("source_form", sa.Text(), nullable=False),
        sa.Column("manifest_sha256", sa.String(length=64), nullable=False),
        sa.Column("file_count", sa.Integer(), nullable=False),
        sa.Column("total_bytes", sa.BigInteger(), nullable=False),
        sa.Column("taken_in_at", sa.String(27), nullable=False),
        sa.Column("least_software", sa.Text(), nullable=True),
        sa.Column("signed_file", sa.Text(), nullable=True),
        sa.Column("signing_key", sa.Text(), nullable=True),
        sa.Column("removed_at", sa.String(27), nullable=True),
        sa.ForeignKeyConstraint(["kind"], ["data_kinds.name"], name="fk_bundles_kind"),
        sa.PrimaryKeyConstraint("id", name="pk_bundles"),
        sa.UniqueConstraint("name", name="uq_bundles_name"),
    )
    op.create_index("ix_bundles_manifest_sha256", "bundles", ["manifest_sha256"], unique=False)
    op.create_table(
        "logbook",
        sa.Column("aircraft_id", sa.Integer(), nullable=False),
        sa.Column("sequence", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("previous_sha256", sa.String(length=64), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.ForeignKeyConstraint(["aircraft_id"], ["aircraft.id"], name="fk_logbook_aircraft_id"),
        sa.PrimaryKeyConstraint("aircraft_id", "sequence", name="pk_logbook"),
    )
    op.create_table(
        "receipts",
        sa.Column("number", sa.Text(), nullable=False),
        sa.Column("card_id", sa.Integer(), nullable=False),
        sa.Column("issued_at", sa.String(27), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["card_id"], ["cards.id"], name="fk_receipts_card_id"),
        sa.PrimaryKeyConstraint("number", name="pk_receipts"),
    )
    op.create_index("ix_receipts_card_id", "receipts", ["card_id"], unique=False)
    op.create_table(
        "units",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("aircraft_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("software", sa.Text(), nullable=True),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["aircraft_id"], ["aircraft.id"], name="fk_units_aircraft_id"),
        sa.ForeignKeyConstraint(["rule"], ["media_rules.name"], name="fk_units_rule"),
        sa.PrimaryKeyConstraint("id", name="pk_units"),
        sa.UniqueConstraint("aircraft_id", "name", name="uq_units_aircraft_id_name"),
    )
    op.create_index("ix_units_name", "units", ["name"], unique=False)
    op.create_table(
        "bundle_checks",
        sa.Column("bundle_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("listed_in", sa.Text(), nullable=False),
        sa.Column("algorithm", sa.Text(), nullable=False),
        sa.Column("file_count", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["bundle_id"], ["bundles.id"], name="fk_bundle_checks_bundle_id"),
        sa.PrimaryKeyConstraint("bundle_id", "position", name="pk_bundle_checks"),
    )
    op.create_table(
        "bundle_files",
        sa.Column("bundle_id", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("modified_ns", sa.BigInteger(), nullable=True),
        sa.ForeignKeyConstraint(["bundle_id"], ["bundles.id"], name="fk_bundle_files_bundle_id"),
        sa.PrimaryKeyConstraint("bundle_id", "position", name="pk_bundle_files"),
    )
    op.create_table(
        "bundle_units",
        sa.Column("bundle_id", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["bundle_id"], ["bundles.id"], name="fk_bundle_units_bundle_id"),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name="fk_bundle_units_unit_id"),
        sa.PrimaryKeyConstraint("bundle_id", "unit_id", name="pk_bundle_units"),
    )
    op.create_table(
        "card_files",
        sa.Column("card_id", sa.Integer(), nullable=False),
        sa.Column("path", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("bundle_id", sa.Integer(), nullable=False),
        sa.Column("flushed", sa.Boolean(), nullable=False),
        sa.Column("ours", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["bundle_id"], ["bundles.id"], name="fk_card_files_bundle_id"),
        sa.ForeignKeyConstraint(["card_id"], ["cards.id"], name="fk_card_files_card_id"),
        sa.PrimaryKeyConstraint("card_id", "path", "kind", name="pk_card_files"),
    )
    op.create_table(
        "jobs",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("card_id", sa.Integer(), nullable=False),
        sa.Column("bundle_id", sa.Integer(), nullable=True),
        sa.Column("unit_id", sa.Integer(), nullable=True),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("computer", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.Column("process_id", sa.Integer(), nullable=False),
        sa.Column("process_started", sa.Float(), nullable=False),
        sa.Column("started_at", sa.String(27), nullable=False),
        sa.Column("ended_at", sa.String(27), nullable=True),
        sa.Column("touched", sa.Boolean(), nullable=False),
        sa.Column("cancel_requested", sa.Boolean(), nullable=False),
        sa.Column("code", sa.Text(), nullable=True),
        sa.Column("detail", sa.Text(), nullable=True),
        sa.Column("receipt", sa.Text(), nullable=True),
        sa.ForeignKeyConstraint(["bundle_id"], ["bundles.id"], name="fk_jobs_bundle_id"),
        sa.ForeignKeyConstraint(["card_id"], ["cards.id"], name="fk_jobs_card_id"),
        sa.ForeignKeyConstraint(["receipt"], ["receipts.number"], name="fk_jobs_receipt"),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name="fk_jobs_unit_id"),
        sa.PrimaryKeyConstraint("number", name="pk_jobs"),
        sa.UniqueConstraint("receipt", name="uq_jobs_receipt"),
    )
    op.create_index("ix_jobs_card_id", "jobs", ["card_id"], unique=False)
    op.create_index(
        "uq_jobs_card_running",
        "jobs",
        ["card_id"],
        unique=True,
        sqlite_where=sa.text("state = 'running'"),
        postgresql_where=sa.text("state = 'running'"),
    )
    op.create_table(
        "loads",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("card_id", sa.Integer(), nullable=False),
        sa.Column("bundle_id", sa.Integer(), nullable=False),
        sa.Column("receipt", sa.Text(), nullable=True),
        sa.Column("slot", sa.Text(), nullable=True),
        sa.Column("simulated", sa.Boolean(), nullable=False),
        sa.Column("matters_until", sa.String(27), nullable=True),
        sa.ForeignKeyConstraint(["bundle_id"], ["bundles.id"], name="fk_loads_bundle_id"),
        sa.ForeignKeyConstraint(["card_id"], ["cards.id"], name="fk_loads_card_id"),
        sa.ForeignKeyConstraint(["receipt"], ["receipts.number"], name="fk_loads_receipt"),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name="fk_loads_unit_id"),
        sa.PrimaryKeyConstraint("number", name="pk_loads"),
    )
    op.create_index("ix_loads_matters_until", "loads", ["matters_until"], unique=False)
    op.create_index("ix_loads_unit_id", "loads", ["unit_id"], unique=False)
    op.create_table(
        "slots",
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name="fk_slots_unit_id"),
        sa.PrimaryKeyConstraint("unit_id", "name", name="pk_slots"),
    )
    op.create_table(
        "unit_kinds",
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("position", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["kind"], ["data_kinds.name"], name="fk_unit_kinds_kind"),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name="fk_unit_kinds_unit_id"),
        sa.PrimaryKeyConstraint("unit_id", "kind", name="pk_unit_kinds"),
    )
    op.create_table(
        "stations",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("computer", sa.Text(), nullable=False),
        sa.Column("tool_version", sa.Text(), nullable=False),
        sa.Column("first_seen_at", sa.String(27), nullable=False),
        sa.Column("last_seen_at", sa.String(27), nullable=False),
        sa.Column("clock_ahead_seconds", sa.Float(), nullable=False),
        sa.Column("clock_within_seconds", sa.Float(), nullable=False),
        sa.PrimaryKeyConstraint("name", "computer", name="pk_stations"),
    )
    op.create_table(
        "job_findings",
        sa.Column("job", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("check_name", sa.Text(), nullable=False),
        sa.Column("result", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("evidence", sa.Text(), nullable=False),
        sa.Column("remedy", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["job"], ["jobs.number"], name="fk_job_findings_job"),
        sa.PrimaryKeyConstraint("job", "position", name="pk_job_findings"),
    )
    op.create_table(
        "load_events",
        sa.Column("load", sa.Integer(), nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["load"], ["loads.number"], name="fk_load_events_load"),
        sa.PrimaryKeyConstraint("load", "position", name="pk_load_events"),
    )
    _make_reminders()


def _make_reminders() -> None:
    op.create_table(
        "reminder_targets",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("address", sa.Text(), nullable=False),
        sa.Column("keyring_name", sa.Text(), nullable=True),
        sa.Column("zone", sa.Text(), nullable=False),
        sa.Column("quiet_start", sa.Time(), nullable=True),
        sa.Column("quiet_end", sa.Time(), nullable=True),
        sa.Column("allow_local", sa.Boolean(), nullable=False),
        sa.Column("added_at", sa.String(27), nullable=False),
        sa.Column("removed_at", sa.String(27), nullable=True),
        sa.PrimaryKeyConstraint("id", name="pk_reminder_targets"),
    )
    op.create_index(
        "uq_reminder_targets_name_in_use",
        "reminder_targets",
        ["name"],
        unique=True,
        sqlite_where=sa.text("removed_at IS NULL"),
        postgresql_where=sa.text("removed_at IS NULL"),
    )
    op.create_table(
        "reminder_messages",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("target_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("made_at", sa.String(27), nullable=False),
        sa.Column("lease_until", sa.String(27), nullable=True),
        sa.Column("next_attempt_at", sa.String(27), nullable=True),
        sa.Column("ended_at", sa.String(27), nullable=True),
        sa.ForeignKeyConstraint(["target_id"], ["reminder_targets.id"], name="fk_reminder_messages_target_id"),
        sa.PrimaryKeyConstraint("number", name="pk_reminder_messages"),
    )
    op.create_index("ix_reminder_messages_target_id", "reminder_messages", ["target_id"], unique=False)
    op.create_index(
        "uq_reminder_messages_target_open",
        "reminder_messages",
        ["target_id"],
        unique=True,
        sqlite_where=sa.text("ended_at IS NULL"),
        postgresql_where=sa.text("ended_at IS NULL"),
    )
    op.create_table(
        "reminder_secrets",
        sa.Column("target_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("url", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["target_id"], ["reminder_targets.id"], name="fk_reminder_secrets_target_id"),
        sa.PrimaryKeyConstraint("target_id", name="pk_reminder_secrets"),
    )
    op.create_table(
        "reminder_answers",
        sa.Column("number", sa.Integer(), nullable=False),
        sa.Column("unit_id", sa.Integer(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("lapses_at", sa.String(27), nullable=False),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("until", sa.String(27), nullable=True),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("operator", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name="fk_reminder_answers_unit_id"),
        sa.PrimaryKeyConstraint("number", name="pk_reminder_answers"),
    )
    op.create_index("ix_reminder_answers_lapses_at", "reminder_answers", ["lapses_at"], unique=False)
    op.create_table(
        "reminder_attempts",
        sa.Column("message", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("position", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("station", sa.Text(), nullable=False),
        sa.Column("delivered", sa.Boolean(), nullable=False),
        sa.Column("detail", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["message"], ["reminder_messages.number"], name="fk_reminder_attempts_message"),
        sa.PrimaryKeyConstraint("message", "position", name="pk_reminder_attempts"),
    )
    op.create_table(
        "reminder_claims",
        sa.Column("target_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("lapses_at", sa.String(27), nullable=False),
        sa.Column("unit_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("message", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["message"], ["reminder_messages.number"], name="fk_reminder_claims_message"),
        sa.ForeignKeyConstraint(["target_id"], ["reminder_targets.id"], name="fk_reminder_claims_target_id"),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name="fk_reminder_claims_unit_id"),
        sa.PrimaryKeyConstraint("target_id", "lapses_at", "unit_id", "kind", "step", name="pk_reminder_claims"),
    )
    op.create_index("ix_reminder_claims_message", "reminder_claims", ["message"], unique=False)
    op.create_table(
        "reminder_rules",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("aircraft_id", sa.Integer(), nullable=True),
        sa.Column("unit_id", sa.Integer(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("days_before", sa.JSON(), nullable=False),
        sa.Column("on_the_day", sa.Boolean(), nullable=False),
        sa.Column("repeat_days", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["aircraft_id"], ["aircraft.id"], name="fk_reminder_rules_aircraft_id"),
        sa.ForeignKeyConstraint(["kind"], ["data_kinds.name"], name="fk_reminder_rules_kind"),
        sa.ForeignKeyConstraint(["unit_id"], ["units.id"], name="fk_reminder_rules_unit_id"),
        sa.PrimaryKeyConstraint("name", name="pk_reminder_rules"),
    )
