"""Days on which samples were analyzed."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("samples", sa.Column("analyzed_on", sa.Date(), nullable=True))
