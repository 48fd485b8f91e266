"""Touched rows, the database's own id, and versions of plans."""

from __future__ import annotations

from uuid import uuid4

import sqlalchemy as sa
from alembic import op

from vaultplan.store.touched import create_log

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("plans", sa.Column("version", sa.BigInteger(), nullable=True))
    op.execute("UPDATE plans SET version = 1")
    connection = op.get_bind()
    create_log(connection)
    # A new database writes its facts itself, after its tables.
    if connection.exec_driver_sql("SELECT COUNT(*) FROM project").scalar_one():
        connection.execute(
            sa.text("INSERT INTO project (fact, value) VALUES ('database_id', :drawn)"),
            {"drawn": uuid4().hex},
        )
