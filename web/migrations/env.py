"""Runs the migrations on the connection that :func:`web.store.migrate` hands over, inside its transaction."""

from __future__ import annotations

from alembic import context

from web import store

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=store.metadata,
    render_as_batch=True,  # SQLite alters a table by making it anew
    compare_type=True,
)
with context.begin_transaction():
    context.run_migrations()
