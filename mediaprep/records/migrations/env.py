"""Run the steps on the connection of whoever opens the records, inside its transaction: all of them or none."""

from __future__ import annotations

from alembic import context

from mediaprep.records.tables import metadata

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=metadata,
    transactional_ddl=True,
    render_as_batch=True,
)
with context.begin_transaction():
    context.run_migrations()
