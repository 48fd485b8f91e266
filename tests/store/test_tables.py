"""Tables and models follow the schema, and nothing else."""

import pytest
import sqlalchemy as sa

from vaultplan.errors import SchemaError
from vaultplan.schema import STORED, TABLES
from vaultplan.store.tables import stored_tables


def test_every_stored_table_and_only_those():
    made = stored_tables(32606)
    assert set(made.tables) == set(made.models) == set(STORED)
    for name, table in made.tables.items():
        assert table.columns.keys() == ["fid", *TABLES[name].column_names]
        assert [c.name for c in table.primary_key] == ["fid"]
        for column in TABLES[name].columns:
            assert table.c[column.name].nullable is not column.required


def test_keys_are_unique_and_references_indexed():
    visits = stored_tables(32606).table("visits")
    unique = [c for c in visits.constraints if isinstance(c, sa.UniqueConstraint)]
    assert [c.columns.keys() for c in unique] == [["visit_id"]]
    assert {i.name for i in visits.indexes} == {"ix_visits_vault_id"}
    jobs = stored_tables(32606).table("plan_jobs")
    assert {i.name for i in jobs.indexes} == {
        "ix_plan_jobs_order_id",
        "ix_plan_jobs_vault_id",
        "idx_plan_jobs_geometry",
    }


def test_geometries_are_in_the_crs_asked_for():
    assert stored_tables(2227).table("vaults").c.geometry.type.srid == 2227
    assert stored_tables(32606).table("vaults").c.geometry.type.srid == 32606
    assert stored_tables(2227) is stored_tables(2227)


def test_models_are_named_after_their_tables():
    assert stored_tables(32606).model("plan_stops").__name__ == "PlanStops"
    with pytest.raises(SchemaError, match="'traces' is not a stored table"):
        stored_tables(32606).model("traces")
    with pytest.raises(SchemaError, match="choose one of"):
        stored_tables(32606).table("vault")
