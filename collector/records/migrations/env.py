"""Where alembic enters: the connection is handed in by the runner, never read from a file."""

from alembic import context

from collector.records.tables import Base

context.configure(
    connection=context.config.attributes["connection"], target_metadata=Base.metadata, render_as_batch=True
)
with context.begin_transaction():
    context.run_migrations()
