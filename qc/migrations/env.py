"""Alembic's environment: runs on the connection that qc.database hands over."""

from alembic import context

from qc.schema import metadata

context.configure(connection=context.config.attributes["connection"], target_metadata=metadata, render_as_batch=True)
with context.begin_transaction():
    context.run_migrations()
