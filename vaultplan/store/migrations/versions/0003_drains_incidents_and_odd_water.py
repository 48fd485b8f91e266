"""Drains, incidents and odd water."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from geoalchemy2 import Geometry

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    srid = op.get_context().opts["srid"]
    op.create_table(
        "curbs",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("curb_id", sa.Text(), nullable=False),
        sa.Column(
            "geometry", Geometry("LINESTRING", srid=srid, spatial_index=False), nullable=False
        ),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("curb_id", name="uq_curbs"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_curbs_geometry", "curbs", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_table(
        "drainage_areas",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("area_id", sa.Text(), nullable=False),
        sa.Column("outfall_id", sa.Text(), nullable=False),
        sa.Column(
            "geometry", Geometry("MULTIPOLYGON", srid=srid, spatial_index=False), nullable=False
        ),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("area_id", name="uq_drainage_areas"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_drainage_areas_geometry",
        "drainage_areas",
        ["geometry"],
        unique=False,
        postgresql_using="gist",
    )
    op.create_index("ix_drainage_areas_outfall_id", "drainage_areas", ["outfall_id"], unique=False)
    op.create_table(
        "incidents",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("incident_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("happened_on", sa.Date(), nullable=False),
        sa.Column("cleared_on", sa.Date(), nullable=True),
        sa.Column("radius_ft", sa.Double(), nullable=False),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("incident_id", name="uq_incidents"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_incidents_geometry", "incidents", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_table(
        "inlet_choices",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("vault_id", sa.Text(), nullable=False),
        sa.Column("inlet_id", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("made_on", sa.Date(), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("vault_id", name="uq_inlet_choices"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_inlet_choices_inlet_id", "inlet_choices", ["inlet_id"], unique=False)
    op.add_column("drain_pipes", sa.Column("from_invert_ft", sa.Double(), nullable=True))
    op.add_column("drain_pipes", sa.Column("to_invert_ft", sa.Double(), nullable=True))
    op.add_column("inlets", sa.Column("owner", sa.Text(), nullable=True))
    op.add_column("inlets", sa.Column("gutter_slope_frac", sa.Double(), nullable=True))
    op.add_column("inlets", sa.Column("cross_slope_frac", sa.Double(), nullable=True))
    op.add_column("outfalls", sa.Column("kind", sa.Text(), nullable=True))
    op.add_column("outfalls", sa.Column("tide_locked", sa.Boolean(), nullable=True))
    op.add_column("outfalls", sa.Column("daily_cap_gal", sa.Double(), nullable=True))
    op.add_column("receiving_waters", sa.Column("is_tidal", sa.Boolean(), nullable=True))
    op.add_column("receiving_waters", sa.Column("reviewed_on", sa.Date(), nullable=True))
    op.add_column("visits", sa.Column("color", sa.Text(), nullable=True))
    op.add_column("visits", sa.Column("has_foam", sa.Boolean(), nullable=True))
    op.add_column("visits", sa.Column("ph", sa.Double(), nullable=True))
