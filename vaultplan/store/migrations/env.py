"""Run by Alembic: the connection, its transaction and the CRS are handed in by the caller."""

from __future__ import annotations

from alembic import context

context.configure(**context.config.attributes["vaultplan"])
with context.begin_transaction():
    context.run_migrations()
