"""A database of every earlier table version is brought up to date with all it holds.

The databases are kept in ``versions/``; ``versions/make.py`` made them.
"""

from __future__ import annotations

import gzip
from pathlib import Path

import pandas as pd
import pyogrio
import pytest
import sqlalchemy as sa

from vaultplan import pipeline, week
from vaultplan.errors import StoreError
from vaultplan.loading import silent
from vaultplan.schema import STORED, TABLES
from vaultplan.store.database import engine_of, open_database
from vaultplan.store.geopackage_meta import has_rtree
from vaultplan.store.integrity import check_integrity
from vaultplan.store.migrate import differences, newest_version, version_of, versions
from vaultplan.store.read import read_table
from vaultplan.store.upkeep import upgrade

KEPT = Path(__file__).parent / "versions"
HELD = sorted(path.name.split(".")[0] for path in KEPT.glob("*.gpkg.gz"))
MADE_AT = pd.Timestamp("2026-10-31T20:00Z")
#: Tables in which an upgrade may write rows of its own.
MAY_GROW = ("project", "row_log")


def test_every_earlier_version_is_kept():
    missing = [version for version in versions()[:-1] if version not in HELD]
    assert not missing, f"run: python -m tests.store.versions.make {' '.join(missing)}"
    assert all((KEPT / f"{version}.sql.gz").is_file() for version in HELD)
    assert len(HELD) >= 4


@pytest.fixture(params=HELD)
def version(request):
    return request.param


@pytest.fixture(params=["embedded", pytest.param("postgis", marks=pytest.mark.postgis)])
def old(request, version, tmp_path):
    """A database as the program of that version left it."""
    if request.param == "embedded":
        path = tmp_path / "old.gpkg"
        path.write_bytes(gzip.decompress((KEPT / f"{version}.gpkg.gz").read_bytes()))
        return str(path)
    import psycopg

    url = request.getfixturevalue("postgis_url")
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(gzip.decompress((KEPT / f"{version}.sql.gz").read_bytes()))
    return url


def bring_up_to_date(location):
    upgrade(location, with_backup=False, busy_seconds=5)


def contents(location):
    """Every row of every table as the database itself holds it: table, key, column, value."""
    engine = engine_of(location, 5)
    with engine.connect() as connection:
        there = sorted(set(sa.inspect(connection).get_table_names()) & set(STORED))
        held = {
            name: {
                row.fid: dict(row._mapping)
                for row in connection.exec_driver_sql(f'SELECT * FROM "{name}"')
            }
            for name in there
        }
    engine.dispose()
    return held


def test_no_row_is_lost_or_altered(old, version):
    before = contents(old)
    assert all(before.values()), "a table without rows proves nothing"
    if version != newest_version():
        with pytest.raises(StoreError, match=f"version {version}"):
            open_database(old)
    bring_up_to_date(old)
    after = contents(old)
    assert set(after) == set(STORED)
    for name, rows in before.items():
        if name not in MAY_GROW:
            assert set(after[name]) == set(rows), name
        for key, row in rows.items():
            found = after[name][key]
            assert {column: found[column] for column in row} == row, (name, key)
    for name in set(after) - set(before) - set(MAY_GROW):
        assert after[name] == {}


def test_the_tables_are_those_of_a_new_database(old):
    bring_up_to_date(old)
    assert check_integrity(old).is_sound
    spatial = [name for name in STORED if TABLES[name].geometry]
    with open_database(old) as opened, opened.reading() as connection:
        assert version_of(connection) == newest_version()
        # Spatial indexes are among what is compared.
        assert differences(connection, opened.srid) == []
        if not opened.is_embedded:
            return
        ask = connection.exec_driver_sql
        assert ask("PRAGMA integrity_check").scalar() == "ok"
        for name in spatial:
            assert has_rtree(connection, name, "geometry")
            assert ask(f"SELECT rtreecheck('rtree_{name}_geometry')").scalar() == "ok"
            placed = f'SELECT count(*) FROM "{name}" WHERE NOT ST_IsEmpty(geometry)'
            indexed = ask(f'SELECT count(*) FROM "rtree_{name}_geometry"').scalar()
            assert indexed == ask(placed).scalar()
    layers = {str(name): shape for name, shape in pyogrio.list_layers(old)}
    assert set(layers) == {*STORED, "layer_styles"}
    assert {name for name, shape in layers.items() if shape is not None} == set(spatial)
    styles = pyogrio.read_dataframe(old, layer="layer_styles")
    assert sorted(styles["f_table_name"]) == sorted(spatial)


def test_the_program_works_with_it(old, quick):
    bring_up_to_date(old)
    with open_database(old) as opened:
        read = {name: read_table(opened, name) for name in STORED}
    assert len(read["vaults"]) > 10
    water = pipeline.forecast(old, settings=quick)
    assert set(water["vault_id"]) == set(read["vaults"]["vault_id"])
    ahead = week.open_week(old, None, None, quick, silent)
    week.judge(ahead, silent, everywhere=False)
    week.schedule(ahead, 1, MADE_AT, silent)
    week.store_checked(old, ahead, silent)
    plan_id, breaches = pipeline.verify(old, settings=quick)
    assert plan_id == ahead.frames["plans"]["plan_id"].iloc[0]
    assert breaches.empty
