"""Locked periods and photos."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "locked_periods",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("lock_id", sa.Text(), nullable=False),
        sa.Column("first_on", sa.Date(), nullable=False),
        sa.Column("last_on", sa.Date(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("locked_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("lock_id", name="uq_locked_periods"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "photos",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("photo_id", sa.Text(), nullable=False),
        sa.Column("visit_id", sa.Text(), nullable=False),
        sa.Column("file", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=True),
        sa.Column("sent_at", sa.DateTime(timezone=True), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("photo_id", name="uq_photos"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_photos_visit_id", "photos", ["visit_id"], unique=False)
