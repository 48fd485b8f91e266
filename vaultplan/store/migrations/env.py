"""Run by Alembic: the connection, its transaction and the CRS are handed in by the caller."""

from __future__ import annotations

from alembic import context


def run() -> None:
    """Run the steps that are due on the connection handed in."""
    context.configure(**context.config.attributes["vaultplan"])
    with context.begin_transaction():
        context.run_migrations()


# Alembic gives its context a configuration while it runs; a plain import does nothing.
if hasattr(context, "config"):
    run()
