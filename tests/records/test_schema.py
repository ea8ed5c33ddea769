from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy import Column, MetaData, Table, create_engine, insert, select, text
from sqlalchemy.exc import StatementError

from mediaprep.records import Store
from mediaprep.records.tables import SCHEMA_REVISION, UtcText, metadata

MOMENTS = Table("moments", MetaData(), Column("at", UtcText))


def test_the_migrations_make_exactly_the_tables(store: Store) -> None:
    with store._database.reading() as connection:
        context = MigrationContext.configure(connection, opts={"compare_type": True, "compare_server_default": True})
        assert compare_metadata(context, metadata) == []


def test_the_partial_indexes_are_partial(store: Store, database: str) -> None:
    # Alembic's comparison does not look at an index's WHERE.
    wanted = {
        "sqlite": "SELECT name, sql FROM sqlite_master WHERE type = 'index' AND sql LIKE '% WHERE %'",
        "postgresql": "SELECT indexname AS name, indexdef AS sql FROM pg_indexes WHERE indexdef LIKE '% WHERE %'"
        " AND schemaname = 'public'",
    }
    with store._database.reading() as connection:
        rows = connection.execute(text(wanted[database]))
        found = {row.name: row.sql.partition("WHERE ")[2].strip("()").replace("::text", "") for row in rows}
    assert found == {
        "uq_jobs_card_running": "state = 'running'",
        "uq_cards_identity_in_service": "retired_at IS NULL",
        "uq_reminder_targets_name_in_use": "removed_at IS NULL",
        "uq_reminder_messages_target_open": "ended_at IS NULL",
    }


def test_the_tables_name_the_last_migration() -> None:
    config = Config()
    config.set_main_option("script_location", "mediaprep.records:migrations")
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_current_head() == SCHEMA_REVISION


ZONES = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
INSTANTS = st.datetimes(datetime(1970, 1, 2), datetime(2200, 1, 1), timezones=ZONES)  # noqa: DTZ001


@given(st.lists(INSTANTS, min_size=1, max_size=8))
def test_times_come_back_aware_in_utc_and_sort_as_text(times: list[datetime]) -> None:
    engine = create_engine("sqlite://")
    with engine.begin() as connection:
        MOMENTS.create(connection)
        connection.execute(insert(MOMENTS), [{"at": time} for time in times])
        found = connection.execute(select(MOMENTS.c.at).order_by(MOMENTS.c.at)).scalars().all()
        texts = connection.exec_driver_sql("SELECT at FROM moments").scalars().all()
    engine.dispose()
    assert found == sorted(times)
    assert all(time.tzinfo is UTC for time in found)
    # RFC 3339, section 5.6
    assert all(len(text) == 27 and text[10] == "T" and text.endswith("Z") for text in texts)


def test_a_time_without_a_zone_is_refused() -> None:
    engine = create_engine("sqlite://")
    with engine.begin() as connection:
        MOMENTS.create(connection)
        with pytest.raises(StatementError, match="without a zone"):
            connection.execute(insert(MOMENTS).values(at=datetime(2026, 7, 1)))  # noqa: DTZ001
        connection.execute(insert(MOMENTS).values(at=None))
        assert connection.execute(select(MOMENTS.c.at)).scalars().all() == [None]
    engine.dispose()
