"""Alembic's environment: it migrates the connection that `open_database` hands over."""

from __future__ import annotations

from alembic import context

from ingest.store.schema import metadata


def run() -> None:
    """Run the migrations on the connection in the configuration's attributes."""
    connection = context.config.attributes.get("connection")
    if connection is None:
        raise RuntimeError("migrations run through ingest.store.database.open_database only")
    context.configure(connection=connection, target_metadata=metadata, render_as_batch=True)
    with context.begin_transaction():
        context.run_migrations()


run()
