"""Migrations: what they build is what is declared, on both stores; a first step that stays."""

import pytest
import sqlalchemy as sa

from vaultplan.schema import LOADABLE, STORED, TABLES
from vaultplan.store.connect import WRITES, file_engine
from vaultplan.store.geopackage_meta import create_own_tables, has_rtree
from vaultplan.store.migrate import differences, newest_version, step_text, upgrade, version_of

RENEW = 'run: python -m vaultplan.store.migrate 0001 "First tables", then ruff format'


def test_a_new_database_equals_the_declared_tables(database):
    with database.reading() as connection:
        assert version_of(connection) == newest_version() == "0007"
        assert differences(connection, database.srid) == [], RENEW


def test_what_is_missing_or_too_much_is_noticed(database):
    run = ["ALTER TABLE vaults ADD COLUMN colour TEXT", "DROP INDEX ix_visits_vault_id"]
    with database.writing() as connection:
        for statement in run:
            connection.exec_driver_sql(statement)
    with database.reading() as connection:
        found = {(found[0], found[-1].name) for found in differences(connection, database.srid)}
    assert found == {("remove_column", "colour"), ("add_index", "ix_visits_vault_id")}


def test_a_missing_spatial_index_is_noticed(database):
    rtree = ["DROP TABLE rtree_vaults_geometry", "DROP TRIGGER rtree_vaults_geometry_insert"]
    statements = rtree if database.is_embedded else ["DROP INDEX idx_vaults_geometry"]
    with database.writing() as connection:
        for statement in statements:
            connection.exec_driver_sql(statement)
    with database.reading() as connection:
        found = [(found[0], found[1].name) for found in differences(connection, database.srid)]
    assert found == [("add_index", "idx_vaults_geometry")]


@pytest.mark.postgis
def test_every_layer_has_its_spatial_index(embedded, on_server):
    spatial = [name for name in STORED if TABLES[name].geometry]
    with embedded.reading() as connection:
        assert all(has_rtree(connection, name, "geometry") for name in spatial)
        listed = connection.exec_driver_sql("SELECT table_name FROM gpkg_extensions").scalars()
        assert set(listed) == set(spatial)
        triggers = connection.exec_driver_sql(
            "SELECT count(*) FROM sqlite_master WHERE type = 'trigger'"
        ).scalar()
        assert triggers == 7 * len(spatial) + 3 * len(LOADABLE)
    with on_server.reading() as connection:
        indexed = connection.exec_driver_sql(
            "SELECT tablename FROM pg_indexes WHERE indexdef LIKE '%%USING gist (geometry)%%'"
        ).scalars()
        assert set(indexed) == set(spatial)


@pytest.mark.postgis
def test_both_stores_get_the_same_columns(embedded, on_server):
    def columns(database):
        with database.reading() as connection:
            look = sa.inspect(connection)
            return {
                name: [(c["name"], c["nullable"]) for c in look.get_columns(name)]
                for name in STORED
            }

    assert columns(embedded) == columns(on_server)


def test_the_file_uses_only_type_names_of_the_standard(embedded):
    allowed = {"TEXT", "INTEGER", "DOUBLE", "BOOLEAN", "DATE", "DATETIME"}
    allowed |= {"POINT", "LINESTRING", "MULTIPOLYGON", "GEOMETRY"}
    with embedded.reading() as connection:
        for name in STORED:
            rows = connection.exec_driver_sql(f"PRAGMA table_info({name})").all()
            assert {row.type for row in rows} <= allowed
        assert connection.exec_driver_sql("PRAGMA foreign_key_check").all() == []
        assert connection.exec_driver_sql("PRAGMA application_id").scalar() == 0x47504B47
        assert connection.exec_driver_sql("PRAGMA user_version").scalar() == 10300
        kinds = connection.exec_driver_sql("SELECT table_name, data_type FROM gpkg_contents")
        expected = {n: "features" if TABLES[n].geometry else "attributes" for n in STORED}
        assert dict(kinds.all()) == {**expected, "layer_styles": "attributes"}


def test_the_first_step_written_anew_is_the_one_we_have(tmp_path):
    """The text comes from the declared tables alone, not from the step that is there."""
    text = step_text("0001", "First tables")
    assert 'revision = "0001"' in text
    assert text.count("op.create_table(") == len(STORED)
    assert text.count("postgresql_using='gist'") == sum(
        TABLES[name].geometry is not None for name in STORED
    )


def test_a_next_step_holds_only_the_difference(monkeypatch):
    assert "pass" in step_text("0008", "Nothing new").split("def upgrade")[1]


def test_a_step_that_fails_leaves_nothing(tmp_path, monkeypatch):
    def fail(*_args):
        raise RuntimeError("power cut")

    monkeypatch.setattr("vaultplan.store.migrate.create_rtree", fail)
    engine = file_engine(tmp_path / "half.gpkg", 1)
    connection = engine.connect().execution_options(**{WRITES: True})
    with connection, pytest.raises(RuntimeError, match="power cut"), connection.begin():
        create_own_tables(connection, 32606)
        upgrade(connection, 32606)
    with engine.connect() as after:
        assert sa.inspect(after).get_table_names() == []
