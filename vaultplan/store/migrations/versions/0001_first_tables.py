"""First tables."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op
from geoalchemy2 import Geometry

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    srid = op.get_context().opts["srid"]
    op.create_table(
        "backdrop",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("shape_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column(
            "geometry", Geometry("MULTIPOLYGON", srid=srid, spatial_index=False), nullable=False
        ),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("shape_id", name="uq_backdrop"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_backdrop_geometry", "backdrop", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_table(
        "changes",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("change_id", sa.Text(), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("who", sa.Text(), nullable=True),
        sa.Column("table_name", sa.Text(), nullable=False),
        sa.Column("row_key", sa.Text(), nullable=False),
        sa.Column("column_name", sa.Text(), nullable=True),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
        sa.Column("why", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("change_id", name="uq_changes"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "concern_sites",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("status", sa.Text(), nullable=True),
        sa.Column("radius_ft", sa.Double(), nullable=False),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("site_id", name="uq_concern_sites"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_concern_sites_geometry",
        "concern_sites",
        ["geometry"],
        unique=False,
        postgresql_using="gist",
    )
    op.create_table(
        "depots",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("depot_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("depot_id", name="uq_depots"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_depots_geometry", "depots", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_table(
        "disposal_sites",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("site_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("open_from", sa.Text(), nullable=False),
        sa.Column("open_to", sa.Text(), nullable=False),
        sa.Column("dump_minutes", sa.Double(), nullable=True),
        sa.Column("usd_per_gal", sa.Double(), nullable=True),
        sa.Column("takes", sa.Text(), nullable=True),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("site_id", name="uq_disposal_sites"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_disposal_sites_geometry",
        "disposal_sites",
        ["geometry"],
        unique=False,
        postgresql_using="gist",
    )
    op.create_table(
        "drain_pipes",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("pipe_id", sa.Text(), nullable=False),
        sa.Column("from_node", sa.Text(), nullable=False),
        sa.Column("to_node", sa.Text(), nullable=False),
        sa.Column("diameter_in", sa.Double(), nullable=True),
        sa.Column("length_ft", sa.Double(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("system", sa.Text(), nullable=True),
        sa.Column(
            "geometry", Geometry("LINESTRING", srid=srid, spatial_index=False), nullable=False
        ),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("pipe_id", name="uq_drain_pipes"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_drain_pipes_geometry",
        "drain_pipes",
        ["geometry"],
        unique=False,
        postgresql_using="gist",
    )
    op.create_table(
        "gauges",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("gauge_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("gauge_id", name="uq_gauges"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_gauges_geometry", "gauges", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_table(
        "inlets",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("inlet_id", sa.Text(), nullable=False),
        sa.Column("node_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("inlet_id", name="uq_inlets"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_inlets_geometry", "inlets", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_table(
        "outfalls",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("outfall_id", sa.Text(), nullable=False),
        sa.Column("node_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("water_id", sa.Text(), nullable=True),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("outfall_id", name="uq_outfalls"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_outfalls_geometry", "outfalls", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_index("ix_outfalls_water_id", "outfalls", ["water_id"], unique=False)
    op.create_table(
        "overrides",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("override_id", sa.Text(), nullable=False),
        sa.Column("vault_id", sa.Text(), nullable=False),
        sa.Column("ladder", sa.Text(), nullable=False),
        sa.Column("step", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("made_on", sa.Date(), nullable=False),
        sa.Column("expires_on", sa.Date(), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("override_id", name="uq_overrides"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_overrides_vault_id", "overrides", ["vault_id"], unique=False)
    op.create_table(
        "plan_jobs",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("plan_id", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("vault_id", sa.Text(), nullable=False),
        sa.Column("task", sa.Text(), nullable=True),
        sa.Column("skill", sa.Text(), nullable=True),
        sa.Column("priority", sa.BigInteger(), nullable=True),
        sa.Column("rank", sa.BigInteger(), nullable=True),
        sa.Column("score", sa.Double(), nullable=True),
        sa.Column("due_on", sa.Date(), nullable=True),
        sa.Column("allowed_days", sa.Text(), nullable=False),
        sa.Column("window_from", sa.Text(), nullable=True),
        sa.Column("window_to", sa.Text(), nullable=True),
        sa.Column("method", sa.Text(), nullable=False),
        sa.Column("gate", sa.Text(), nullable=False),
        sa.Column("volume_gal_p10", sa.Double(), nullable=True),
        sa.Column("volume_gal_p50", sa.Double(), nullable=True),
        sa.Column("volume_gal_p90", sa.Double(), nullable=True),
        sa.Column("load_gal", sa.Double(), nullable=False),
        sa.Column("setup_minutes", sa.Double(), nullable=True),
        sa.Column("task_minutes", sa.Double(), nullable=True),
        sa.Column("refill_minutes", sa.Double(), nullable=True),
        sa.Column("rules_fired", sa.Text(), nullable=True),
        sa.Column("reason", sa.Text(), nullable=True),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("plan_id", "order_id", name="uq_plan_jobs"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_plan_jobs_geometry", "plan_jobs", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_index("ix_plan_jobs_order_id", "plan_jobs", ["order_id"], unique=False)
    op.create_index("ix_plan_jobs_vault_id", "plan_jobs", ["vault_id"], unique=False)
    op.create_table(
        "plan_stops",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("plan_id", sa.Text(), nullable=False),
        sa.Column("truck_id", sa.Text(), nullable=False),
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("stop_number", sa.BigInteger(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=True),
        sa.Column("vault_id", sa.Text(), nullable=True),
        sa.Column("site_id", sa.Text(), nullable=True),
        sa.Column("drive_minutes", sa.Double(), nullable=True),
        sa.Column("arrive_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("start_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("leave_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("load_gal", sa.Double(), nullable=True),
        sa.Column("tank_after_gal", sa.Double(), nullable=True),
        sa.Column("socks", sa.BigInteger(), nullable=True),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("plan_id", "truck_id", "on", "stop_number", name="uq_plan_stops"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_plan_stops_geometry", "plan_stops", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_index("ix_plan_stops_truck_id", "plan_stops", ["truck_id"], unique=False)
    op.create_table(
        "plan_unserved",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("plan_id", sa.Text(), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("vault_id", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("plan_id", "order_id", name="uq_plan_unserved"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_plan_unserved_order_id", "plan_unserved", ["order_id"], unique=False)
    op.create_index("ix_plan_unserved_vault_id", "plan_unserved", ["vault_id"], unique=False)
    op.create_table(
        "plans",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("plan_id", sa.Text(), nullable=False),
        sa.Column("week_of", sa.Date(), nullable=False),
        sa.Column("as_of_on", sa.Date(), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("seed", sa.BigInteger(), nullable=True),
        sa.Column("rules_version", sa.Text(), nullable=True),
        sa.Column("settings_version", sa.Text(), nullable=True),
        sa.Column("content_version", sa.Text(), nullable=True),
        sa.Column("state", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("plan_id", name="uq_plans"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "project",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("fact", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("fact", name="uq_project"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "rain_outlook",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("gauge_id", sa.Text(), nullable=False),
        sa.Column("issued_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("falls_on", sa.Date(), nullable=False),
        sa.Column("member", sa.BigInteger(), nullable=False),
        sa.Column("rain_in", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("gauge_id", "issued_at", "falls_on", "member", name="uq_rain_outlook"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "rainfall",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("gauge_id", sa.Text(), nullable=False),
        sa.Column("fell_on", sa.Date(), nullable=False),
        sa.Column("rain_in", sa.Double(), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("gauge_id", "fell_on", name="uq_rainfall"),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "receiving_waters",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("water_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("downstream_water_id", sa.Text(), nullable=True),
        sa.Column("protection", sa.Text(), nullable=True),
        sa.Column("impairments", sa.Text(), nullable=True),
        sa.Column("uses", sa.Text(), nullable=True),
        sa.Column("geometry", Geometry("GEOMETRY", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("water_id", name="uq_receiving_waters"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_receiving_waters_geometry",
        "receiving_waters",
        ["geometry"],
        unique=False,
        postgresql_using="gist",
    )
    op.create_index(
        "ix_receiving_waters_downstream_water_id",
        "receiving_waters",
        ["downstream_water_id"],
        unique=False,
    )
    op.create_table(
        "roads",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("road_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("from_node", sa.Text(), nullable=True),
        sa.Column("to_node", sa.Text(), nullable=True),
        sa.Column("minutes", sa.Double(), nullable=True),
        sa.Column("one_way", sa.Boolean(), nullable=True),
        sa.Column(
            "geometry", Geometry("LINESTRING", srid=srid, spatial_index=False), nullable=False
        ),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("road_id", name="uq_roads"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_roads_geometry", "roads", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_table(
        "samples",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("sample_id", sa.Text(), nullable=False),
        sa.Column("visit_id", sa.Text(), nullable=False),
        sa.Column("stage", sa.Text(), nullable=True),
        sa.Column("characteristic", sa.Text(), nullable=False),
        sa.Column("result_value", sa.Double(), nullable=True),
        sa.Column("result_unit", sa.Text(), nullable=True),
        sa.Column("detection_condition", sa.Text(), nullable=True),
        sa.Column("reporting_limit", sa.Double(), nullable=True),
        sa.Column("method_id", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("sample_id", name="uq_samples"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_samples_visit_id", "samples", ["visit_id"], unique=False)
    op.create_table(
        "sensitive_areas",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("area_id", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=True),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("reviewed_on", sa.Date(), nullable=True),
        sa.Column(
            "geometry", Geometry("MULTIPOLYGON", srid=srid, spatial_index=False), nullable=False
        ),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("area_id", name="uq_sensitive_areas"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_sensitive_areas_geometry",
        "sensitive_areas",
        ["geometry"],
        unique=False,
        postgresql_using="gist",
    )
    op.create_table(
        "trucks",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("truck_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("depot_id", sa.Text(), nullable=False),
        sa.Column("skills", sa.Text(), nullable=True),
        sa.Column("shift_from", sa.Text(), nullable=False),
        sa.Column("shift_to", sa.Text(), nullable=False),
        sa.Column("days", sa.Text(), nullable=True),
        sa.Column("overtime_minutes", sa.Double(), nullable=True),
        sa.Column("pump_gpm", sa.Double(), nullable=True),
        sa.Column("sock_count", sa.BigInteger(), nullable=True),
        sa.Column("tank_gal", sa.Double(), nullable=True),
        sa.Column("payload_lb", sa.Double(), nullable=True),
        sa.Column("usd_per_hour", sa.Double(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("truck_id", name="uq_trucks"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_trucks_depot_id", "trucks", ["depot_id"], unique=False)
    op.create_table(
        "vaults",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("vault_id", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=True),
        sa.Column("status", sa.Text(), nullable=True),
        sa.Column("address", sa.Text(), nullable=True),
        sa.Column("district", sa.Text(), nullable=True),
        sa.Column("setting", sa.Text(), nullable=True),
        sa.Column("shape", sa.Text(), nullable=True),
        sa.Column("length_ft", sa.Double(), nullable=True),
        sa.Column("width_ft", sa.Double(), nullable=True),
        sa.Column("depth_ft", sa.Double(), nullable=True),
        sa.Column("gear_frac", sa.Double(), nullable=True),
        sa.Column("rim_elev_ft", sa.Double(), nullable=True),
        sa.Column("lid", sa.Text(), nullable=True),
        sa.Column("soil_group", sa.Text(), nullable=True),
        sa.Column("water_table_ft", sa.Double(), nullable=True),
        sa.Column("has_irrigation", sa.Boolean(), nullable=True),
        sa.Column("land_use", sa.Text(), nullable=True),
        sa.Column("gauge_id", sa.Text(), nullable=True),
        sa.Column("pcb_status", sa.Text(), nullable=True),
        sa.Column("access_notes", sa.Text(), nullable=True),
        sa.Column("geometry", Geometry("POINT", srid=srid, spatial_index=False), nullable=False),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("vault_id", name="uq_vaults"),
        sqlite_autoincrement=True,
    )
    op.create_index(
        "idx_vaults_geometry", "vaults", ["geometry"], unique=False, postgresql_using="gist"
    )
    op.create_index("ix_vaults_gauge_id", "vaults", ["gauge_id"], unique=False)
    op.create_table(
        "visits",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("visit_id", sa.Text(), nullable=False),
        sa.Column("vault_id", sa.Text(), nullable=False),
        sa.Column("visited_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("order_id", sa.Text(), nullable=True),
        sa.Column("finding", sa.Text(), nullable=True),
        sa.Column("depth_in", sa.Double(), nullable=True),
        sa.Column("left_depth_in", sa.Double(), nullable=True),
        sa.Column("grade", sa.Text(), nullable=True),
        sa.Column("has_sheen", sa.Boolean(), nullable=True),
        sa.Column("odor", sa.Text(), nullable=True),
        sa.Column("disposal", sa.Text(), nullable=True),
        sa.Column("volume_gal", sa.Double(), nullable=True),
        sa.Column("volume_basis", sa.Text(), nullable=True),
        sa.Column("socks_used", sa.BigInteger(), nullable=True),
        sa.Column("pump_minutes", sa.Double(), nullable=True),
        sa.Column("inlet_id", sa.Text(), nullable=True),
        sa.Column("was_raining", sa.Boolean(), nullable=True),
        sa.Column("crew", sa.Text(), nullable=True),
        sa.Column("notes", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("visit_id", name="uq_visits"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_visits_vault_id", "visits", ["vault_id"], unique=False)
    op.create_table(
        "work_orders",
        sa.Column("fid", sa.BigInteger(), autoincrement=True, nullable=False),
        sa.Column("order_id", sa.Text(), nullable=False),
        sa.Column("vault_id", sa.Text(), nullable=False),
        sa.Column("task", sa.Text(), nullable=True),
        sa.Column("earliest_on", sa.Date(), nullable=True),
        sa.Column("due_on", sa.Date(), nullable=True),
        sa.Column("priority", sa.BigInteger(), nullable=True),
        sa.Column("task_minutes", sa.Double(), nullable=True),
        sa.Column("skill", sa.Text(), nullable=True),
        sa.Column("needs_entry", sa.Boolean(), nullable=True),
        sa.Column("window_from", sa.Text(), nullable=True),
        sa.Column("window_to", sa.Text(), nullable=True),
        sa.Column("status", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("fid"),
        sa.UniqueConstraint("order_id", name="uq_work_orders"),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_work_orders_vault_id", "work_orders", ["vault_id"], unique=False)
