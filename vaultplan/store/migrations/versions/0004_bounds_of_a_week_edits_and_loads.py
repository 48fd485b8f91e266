"""What bounds a week, edits, loads and changes."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "plan_changes",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("plan_id", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("was_truck_id", sa.Text(), nullable=True),
        sa.Column("was_on", sa.Date(), nullable=True),
        sa.Column("now_truck_id", sa.Text(), nullable=True),
        sa.Column("now_on", sa.Date(), nullable=True),
        sa.Column("call_by", sa.DateTime(timezone=True), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("plan_id", "order_id", name="uq_plan_changes"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_plan_changes_order_id", "plan_changes", ["order_id"], unique=False)
    op.create_table(
        "plan_edits",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("edit_id", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("asks", sa.Text(), nullable=False),
        sa.Column("truck_id", sa.Text(), nullable=True),
        sa.Column("on", sa.Date(), nullable=True),
        sa.Column("place", sa.BigInteger(), nullable=True),
        sa.Column("who", sa.Text(), nullable=True),
        sa.Column("why", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("edit_id", name="uq_plan_edits"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_plan_edits_order_id", "plan_edits", ["order_id"], unique=False)
    op.create_index("ix_plan_edits_truck_id", "plan_edits", ["truck_id"], unique=False)
    op.create_table(
        "plan_loads",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("plan_id", sa.Text(), nullable=False),
        sa.Column("truck_id", sa.Text(), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("item", sa.Text(), nullable=False),
        sa.Column("trip", sa.BigInteger(), nullable=False),
        sa.Column("quantity", sa.Double(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("spare", sa.Double(), nullable=True),
        sa.Column("prob_short", sa.Double(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("plan_id", "truck_id", "on", "item", "trip", name="uq_plan_loads"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_plan_loads_truck_id", "plan_loads", ["truck_id"], unique=False)
    op.add_column("plan_jobs", sa.Column("outage_from", sa.DateTime(timezone=True), nullable=True))
    op.add_column("plan_jobs", sa.Column("outage_to", sa.DateTime(timezone=True), nullable=True))
    op.add_column("plan_jobs", sa.Column("daylight_only", sa.Boolean(), nullable=True))
    op.add_column("plan_jobs", sa.Column("no_work_hours", sa.Text(), nullable=True))
    op.add_column("plan_jobs", sa.Column("pair_id", sa.Text(), nullable=True))
    op.add_column("plan_jobs", sa.Column("waste_profile", sa.Text(), nullable=True))
    op.add_column("plan_jobs", sa.Column("outfall_id", sa.Text(), nullable=True))
    op.add_column("plan_jobs", sa.Column("daily_cap_gal", sa.Double(), nullable=True))
    op.add_column("plan_jobs", sa.Column("hose_ft", sa.Double(), nullable=True))
    op.add_column("plan_jobs", sa.Column("solids_mg_l", sa.Double(), nullable=True))
    op.add_column("plan_jobs", sa.Column("socks", sa.BigInteger(), nullable=True))
    op.add_column("plan_jobs", sa.Column("prob_second_sock", sa.Double(), nullable=True))
    op.add_column("plan_jobs", sa.Column("prob_vacuum", sa.Double(), nullable=True))
    op.add_column("plan_jobs", sa.Column("break_even_prob", sa.Double(), nullable=True))
    op.add_column("plan_jobs", sa.Column("kept_to", sa.Text(), nullable=True))
    op.add_column("plan_jobs", sa.Column("barred_from", sa.Text(), nullable=True))
    op.add_column("plan_jobs", sa.Column("place", sa.BigInteger(), nullable=True))
    op.add_column("plans", sa.Column("replaces", sa.Text(), nullable=True))
    op.add_column("trucks", sa.Column("pump_count", sa.BigInteger(), nullable=True))
    op.add_column("trucks", sa.Column("break_minutes", sa.Double(), nullable=True))
    op.add_column("trucks", sa.Column("break_from", sa.Text(), nullable=True))
    op.add_column("trucks", sa.Column("break_to", sa.Text(), nullable=True))
    op.add_column("vaults", sa.Column("no_work_hours", sa.Text(), nullable=True))
    op.add_column(
        "work_orders", sa.Column("outage_from", sa.DateTime(timezone=True), nullable=True)
    )
    op.add_column("work_orders", sa.Column("outage_to", sa.DateTime(timezone=True), nullable=True))
    op.add_column("work_orders", sa.Column("daylight_only", sa.Boolean(), nullable=True))
    op.add_column("work_orders", sa.Column("pair_id", sa.Text(), nullable=True))
