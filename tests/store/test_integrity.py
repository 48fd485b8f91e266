"""What is wrong with a database is found, named, and mended where it can be."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pandas as pd
import pytest

from vaultplan.schema import STORED
from vaultplan.store.integrity import check_integrity
from vaultplan.store.upkeep import compact
from vaultplan.store.write import upsert

REBUILD = "run 'vaultplan compact --rebuild-indexes'"


@pytest.fixture
def filled(database, vaults, visits):
    with database.writing() as connection:
        upsert(connection, "vaults", vaults)
        upsert(connection, "visits", visits)
    database.close()
    return database


def spoil(database, *statements):
    """Do to a database what other programs could."""
    if database.is_embedded:
        with closing(sqlite3.connect(database.location)) as connection:
            for statement in statements:
                connection.execute(statement)
            connection.commit()
    else:
        with database.writing("tables") as connection:
            for statement in statements:
                connection.exec_driver_sql(statement)
    database.close()


def problems(database):
    return [str(problem) for problem in check_integrity(database.location).problems]


def test_a_sound_database_is_told_with_its_rows_and_what_refers_to_nothing(filled):
    found = check_integrity(filled.location)
    assert found.is_sound
    rows = found.tables.set_index("table")["rows"]
    assert set(rows.index) == set(STORED)
    assert rows[["vaults", "visits", "trucks"]].tolist() == [3, 4, 0]
    nowhere = pd.DataFrame(
        {"table": ["visits"], "column": "vault_id", "refers_to": "vaults.vault_id", "rows": 1}
    )
    pd.testing.assert_frame_equal(found.nowhere, nowhere)


def test_the_demo_is_sound(town):
    found = check_integrity(town)
    assert found.problems == ()
    assert len(found.nowhere) == 0


def test_a_missing_index_is_found_and_made_again(filled):
    spoil(filled, "DROP INDEX ix_visits_vault_id")
    (said,) = problems(filled)
    assert said == f"ix_visits_vault_id: this index is missing; {REBUILD}"
    compact(filled.location, rebuild_indexes=True)
    assert problems(filled) == []


def test_changes_that_are_not_noted_are_found_and_noted_again(filled):
    table = "" if filled.is_embedded else " ON visits"
    spoil(filled, f"DROP TRIGGER touched_visits_update{table}")
    (said,) = problems(filled)
    assert said.startswith("visits: its changes are not noted")
    assert said.endswith(f"touched_visits_update; {REBUILD}")
    compact(filled.location, rebuild_indexes=True)
    assert problems(filled) == []


def test_a_missing_column_and_a_missing_table_are_found(filled):
    spoil(filled, "ALTER TABLE vaults DROP COLUMN depth_ft", "DROP TABLE disposal_sites")
    said = problems(filled)
    assert "disposal_sites: this table is missing; bring back your last backup" in " ".join(said)
    assert "vaults.depth_ft: this column is missing; bring back" in " ".join(said)
    assert not any("refused" in one for one in said)


@pytest.fixture
def file(embedded, vaults, visits):
    with embedded.writing() as connection:
        upsert(connection, "vaults", vaults)
        upsert(connection, "visits", visits)
    embedded.close()
    return embedded


@pytest.mark.parametrize(
    ("statement", "said"),
    [
        ("DELETE FROM rtree_vaults_geometry WHERE id = 2", "1 row(s) missing from its spatial"),
        (
            "INSERT INTO rtree_vaults_geometry VALUES (77, 1, 2, 1, 2)",
            "1 row(s) too many in its spatial",
        ),
        (
            "UPDATE rtree_vaults_geometry SET maxx = maxx + 5 WHERE id = 1",
            "1 row(s) elsewhere in its spatial",
        ),
        ("DROP TABLE rtree_vaults_geometry", "has no spatial index"),
        ("DROP TRIGGER rtree_vaults_geometry_update6", "does not follow changes"),
    ],
)
def test_a_spatial_index_that_is_wrong_is_found_and_made_again(file, statement, said):
    spoil(file, statement)
    found = " ".join(problems(file))
    assert f"vaults: {said}" in found.replace("its spatial index does", "does")
    assert REBUILD in found
    compact(file.location, rebuild_indexes=True)
    assert problems(file) == []


def test_a_layer_that_is_not_listed_is_found(file):
    spoil(file, "DELETE FROM gpkg_geometry_columns WHERE table_name = 'vaults'")
    assert "gpkg_geometry_columns does not say that it is in EPSG:32606" in " ".join(problems(file))
    spoil(file, "DELETE FROM gpkg_contents WHERE table_name = 'visits'")
    assert "visits: not listed in gpkg_contents" in " ".join(problems(file))
    spoil(file, "DELETE FROM gpkg_contents WHERE table_name = 'vaults'")
    spoil(file, "INSERT INTO gpkg_geometry_columns VALUES ('vaults', 'geometry', 'POINT', 1, 0, 0)")
    assert "gpkg_geometry_columns: 2 row(s) refer to what is not there" in " ".join(problems(file))


def pages_of(path: Path, name: str) -> tuple[int, int]:
    with closing(sqlite3.connect(path)) as connection:
        (size,) = connection.execute("PRAGMA page_size").fetchone()
        asked = "SELECT rootpage FROM sqlite_master WHERE name = ?"
        (root,) = connection.execute(asked, (name,)).fetchone()
    return size, root


def test_a_damaged_page_is_found_and_the_other_tables_are_counted(file):
    size, root = pages_of(file.location, "visits")
    with Path(file.location).open("r+b") as damaged:
        damaged.seek((root - 1) * size)
        damaged.write(b"\xff" * size)
    found = check_integrity(file.location)
    assert not found.is_sound
    said = " ".join(str(problem) for problem in found.problems)
    assert "bring back your last backup" in said
    assert found.tables.set_index("table")["rows"]["vaults"] == 3


def test_an_index_that_disagrees_with_its_table_is_found_and_made_again(file):
    """As if an index had been left behind: its root is swapped for an older copy of itself."""
    size, root = pages_of(file.location, "ix_visits_vault_id")
    content = Path(file.location).read_bytes()
    page = content[(root - 1) * size : root * size]
    spoil(file, "UPDATE visits SET vault_id = 'V-3' WHERE visit_id = 'a'")
    with Path(file.location).open("r+b") as damaged:
        damaged.seek((root - 1) * size)
        damaged.write(page)
    found = " ".join(problems(file))
    assert "index ix_visits_vault_id" in found
    assert REBUILD in found
    compact(file.location, rebuild_indexes=True)
    assert problems(file) == []


@pytest.mark.postgis
def test_an_index_that_is_not_valid_is_found_and_made_again(on_server):
    spoil(
        on_server,
        "UPDATE pg_index SET indisvalid = false WHERE indexrelid = 'ix_visits_vault_id'::regclass",
    )
    (said,) = problems(on_server)
    assert said == f"visits: index ix_visits_vault_id is not valid and not used; {REBUILD}"
    compact(on_server.location, rebuild_indexes=True)
    assert problems(on_server) == []


@pytest.mark.postgis
def test_a_trigger_that_is_switched_off_is_found(on_server):
    spoil(on_server, "ALTER TABLE visits DISABLE TRIGGER touched_visits_insert")
    (said,) = problems(on_server)
    assert "triggers are missing or off: touched_visits_insert" in said
