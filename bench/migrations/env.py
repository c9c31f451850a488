"""Alembic environment: runs on the connection that `bench.store` hands over."""

from __future__ import annotations

from alembic import context

connection = context.config.attributes["connection"]
context.configure(connection=connection, target_metadata=None, transactional_ddl=False)
context.run_migrations()
