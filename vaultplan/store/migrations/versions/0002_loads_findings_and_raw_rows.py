"""Loads findings and raw rows."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "findings",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("load_id", sa.Text(), nullable=False),
        sa.Column("number", sa.BigInteger(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("severity", sa.Text(), nullable=False),
        sa.Column("row", sa.BigInteger(), nullable=False),
        sa.Column("row_key", sa.Text(), nullable=True),
        sa.Column("column_name", sa.Text(), nullable=True),
        sa.Column("value", sa.Text(), nullable=True),
        sa.Column("fault", sa.Text(), nullable=True),
        sa.Column("remedy", sa.Text(), nullable=True),
        sa.Column("proposal", sa.Text(), nullable=True),
        sa.Column("repaired", sa.Boolean(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("load_id", "number", name="uq_findings"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "loads",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("load_id", sa.Text(), nullable=False),
        sa.Column("table_name", sa.Text(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("loaded_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("recipe", sa.Text(), nullable=True),
        sa.Column("crs", sa.Text(), nullable=True),
        sa.Column("applied", sa.Text(), nullable=True),
        sa.Column("rows_in", sa.BigInteger(), nullable=False),
        sa.Column("rows_loaded", sa.BigInteger(), nullable=False),
        sa.Column("rows_repaired", sa.BigInteger(), nullable=False),
        sa.Column("rows_quarantined", sa.BigInteger(), nullable=False),
        sa.Column("rows_blank", sa.BigInteger(), nullable=True),
        sa.Column("rows_new", sa.BigInteger(), nullable=True),
        sa.Column("rows_changed", sa.BigInteger(), nullable=True),
        sa.Column("rows_same", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("load_id", name="uq_loads"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "raw_rows",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("load_id", sa.Text(), nullable=False),
        sa.Column("row", sa.BigInteger(), nullable=False),
        sa.Column("row_key", sa.Text(), nullable=True),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("rules", sa.Text(), nullable=True),
        sa.Column("raw", sa.Text(), nullable=False),
        sa.Column("replaced", sa.Text(), nullable=True),
        sa.Column("left_hash", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("load_id", "row", name="uq_raw_rows"),
        sqlite_autoincrement=True,
    )
    op.add_column("changes", sa.Column("load_id", sa.Text(), nullable=True))
    op.add_column("changes", sa.Column("rule", sa.Text(), nullable=True))
    op.create_index("ix_changes_load_id", "changes", ["load_id"], unique=False)
    op.add_column("vaults", sa.Column("imputed", sa.Text(), nullable=True))
