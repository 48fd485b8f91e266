"""Reading: conforming frames, conditions, boxes; the same from both stores."""

import datetime as dt

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
import shapely
import sqlalchemy as sa
from geopandas.testing import assert_geodataframe_equal
from pandas.testing import assert_frame_equal
from shapely import LineString, Point

from vaultplan.errors import SchemaError, StoreError
from vaultplan.schema import STORED, table
from vaultplan.store.geopackage import touches_box
from vaultplan.store.read import count_rows, known_keys, read_chunks, read_table
from vaultplan.store.write import upsert


@pytest.fixture
def filled(database, vaults, visits):
    with database.writing() as connection:
        upsert(connection, "vaults", vaults)
        upsert(connection, "visits", visits)
    return database


def test_empty_tables_come_in_the_shape_of_the_schema(database):
    for name in STORED:
        if name == "project":
            continue
        read = read_table(database, name)
        empty = table(name).empty(database.crs)
        assert list(read.columns) == list(empty.columns)
        assert read.dtypes.astype(str).tolist() == empty.dtypes.astype(str).tolist()
        if "geometry" in read:
            assert read.crs == database.crs


def test_what_is_read_already_conforms(filled):
    for name, check in (("vaults", assert_geodataframe_equal), ("visits", assert_frame_equal)):
        read = read_table(filled, name)
        check(read, table(name).conform(read))


def ids(frame):
    return frame["visit_id"].tolist()


def test_conditions(filled):
    assert ids(read_table(filled, "visits", where={"vault_id": "V-1"})) == ["a", "b"]
    assert ids(read_table(filled, "visits", where={"depth_in": None})) == ["c"]
    assert ids(read_table(filled, "visits", where={"vault_id": ["V-9", "V-2"]})) == ["c", "d"]
    assert ids(read_table(filled, "visits", where={"vault_id": []})) == []
    assert ids(read_table(filled, "visits", where={"has_sheen": False})) == ["c"]
    assert ids(read_table(filled, "visits", where={"socks_used": np.int64(3)})) == ["c"]
    moment = pd.Timestamp("2025-03-09T10:00Z")
    assert ids(read_table(filled, "visits", where={"visited_at": moment})) == ["b"]
    both = {"vault_id": ["V-1", "V-2"], "visit_id": pd.Series(["b", "c", "d"])}
    assert ids(read_table(filled, "visits", where=both)) == ["b", "c"]
    assert ids(read_table(filled, "visits", where={"notes": 'comma, "quote"'})) == ["b"]
    assert ids(read_table(filled, "visits", where={"notes": "100 %(x)s"})) == []
    assert count_rows(filled, "visits", {"vault_id": ["V-9", "V-2"]}) == 2


def test_a_day_may_be_asked_for(database):
    rain = pd.DataFrame({"gauge_id": "G", "fell_on": pd.date_range("2025-01-01", periods=3)})
    with database.writing() as connection:
        upsert(connection, "rainfall", rain.assign(rain_in=[0.0, 1.0, 2.0]))
    for day in (dt.date(2025, 1, 2), pd.Timestamp("2025-01-02"), np.datetime64("2025-01-02")):
        assert read_table(database, "rainfall", where={"fell_on": day})["rain_in"].tolist() == [1]


def test_long_lists_are_asked_for_in_parts_and_stay_in_order(filled, monkeypatch):
    monkeypatch.setattr("vaultplan.store.read._VALUES_AT_A_TIME", 2)
    where = {"vault_id": ["V-9", "V-2", "V-1", "V-77", "V-78"]}
    assert ids(read_table(filled, "visits", where=where)) == ["a", "b", "c", "d"]
    assert count_rows(filled, "visits", where) == 4


def test_more_values_than_one_query_may_name(filled):
    where = {"vault_id": [f"X{i}" for i in range(40_000)] + ["V-9"]}
    assert ids(read_table(filled, "visits", where=where)) == ["d"]


def test_only_some_columns(filled):
    read = read_table(filled, "visits", columns=["depth_in", "vault_id"])
    assert list(read.columns) == ["depth_in", "vault_id"]
    assert read["vault_id"].tolist() == ["V-1", "V-1", "V-2", "V-9"]
    plain = read_table(filled, "vaults", columns=["vault_id"])
    assert not isinstance(plain, gpd.GeoDataFrame)
    shapes = read_table(filled, "vaults", columns=["geometry"])
    assert shapes.geometry.x.tolist() == [500000, 500100, 500900]
    notes = read_table(filled, "visits", columns=["has_sheen"])
    assert notes["has_sheen"].tolist() == [pd.NA, True, False, pd.NA]
    with pytest.raises(SchemaError, match="no column 'depth'"):
        read_table(filled, "visits", columns=["depth"])
    with pytest.raises(SchemaError, match="not a stored table"):
        read_table(filled, "routes")


def test_small_blocks_join_to_the_same_frame(filled, monkeypatch, vaults, visits):
    monkeypatch.setattr("vaultplan.store.read._ROWS_AT_A_TIME", 1)
    monkeypatch.setattr("vaultplan.store.read._BYTES_AT_A_TIME", 1)
    assert_geodataframe_equal(read_table(filled, "vaults"), vaults)
    assert_frame_equal(read_table(filled, "visits"), visits)


def test_keys(filled):
    assert known_keys(filled, "vaults", "vault_id").tolist() == ["V-1", "V-2", "V-3"]
    assert known_keys(filled, "visits", "vault_id").tolist() == ["V-1", "V-2", "V-9"]
    assert known_keys(filled, "inlets", "inlet_id").tolist() == []


def test_text_is_in_byte_order(database, vaults):
    names = ["a", "B", "_", "Z", "é", "b", "10", "9"]
    many = pd.concat([vaults.iloc[[0]]] * len(names)).assign(vault_id=names)
    with database.writing() as connection:
        upsert(connection, "vaults", many)
    assert read_table(database, "vaults")["vault_id"].tolist() == sorted(names)


def test_box_gives_what_touches_it(filled):
    def found(*box):
        return read_table(filled, "vaults", bbox=box)["vault_id"].tolist()

    assert found(500050, 4200000, 500900, 4200900) == ["V-2", "V-3"]
    assert found(500000, 4200000, 500000, 4200000) == ["V-1"]
    assert found(500000.001, 4200000, 500050, 4200100) == []
    plain = read_table(filled, "vaults", bbox=(0, 0, 1e7, 1e7), columns=["vault_id"])
    assert plain.columns.tolist() == ["vault_id"]
    assert len(plain) == 3


@pytest.fixture
def roads(database):
    rng = np.random.default_rng(5)
    starts = rng.uniform(0, 10_000, (3000, 2))
    frame = gpd.GeoDataFrame(
        {"road_id": [f"R{i:04d}" for i in range(3000)]},
        geometry=[LineString([s, s + rng.uniform(-99, 99, 2)]) for s in starts],
        crs=database.crs,
    )
    with database.writing() as connection:
        upsert(connection, "roads", frame)
    return frame


def test_boxes_on_many_roads_agree_with_shapely(database, roads):
    for west, south in ((0, 0), (5000, 5000), (9900, 20)):
        box = (west, south, west + 400, south + 300)
        expected = roads[[_boxes_touch(shape.bounds, box) for shape in roads.geometry]]
        assert 0 < len(expected) < 100
        read = read_table(database, "roads", bbox=box)
        assert read["road_id"].tolist() == expected["road_id"].tolist()


def _boxes_touch(one, other):
    return one[2] >= other[0] and one[3] >= other[1] and one[0] <= other[2] and one[1] <= other[3]


def test_a_box_is_answered_by_the_spatial_index(database, roads):
    t = database.tables["roads"]
    query = sa.select(t.c.road_id).where(touches_box(t.c.geometry, (0, 0, 100, 100)))
    with database.writing() as connection:
        if not database.is_embedded:
            connection.exec_driver_sql("ANALYZE roads")
        compiled = query.compile(database.engine, compile_kwargs={"literal_binds": True})
        explain = "EXPLAIN QUERY PLAN " if database.is_embedded else "EXPLAIN "
        plan = " ".join(map(str, connection.exec_driver_sql(explain + str(compiled)).all()))
        assert len(connection.execute(query).all()) < 20
    if database.is_embedded:
        assert "rtree_roads_geometry VIRTUAL TABLE INDEX" in plan
        assert "SEARCH roads USING INTEGER PRIMARY KEY" in plan
    else:
        assert "idx_roads_geometry" in plan


def test_a_box_works_through_an_alias_and_in_a_model(filled):
    from sqlalchemy.orm import Session, aliased

    near = (500000, 4200000, 500200, 4200200)
    vault = filled.model("vaults")
    other = aliased(vault)
    with filled.reading() as connection, Session(connection) as session:
        one = session.scalars(sa.select(vault.vault_id).where(touches_box(vault.geometry, near)))
        assert sorted(one) == ["V-1", "V-2"]
        two = sa.select(other.vault_id).where(touches_box(other.geometry, near))
        assert sorted(session.scalars(two)) == ["V-1", "V-2"]


def test_reading_cannot_change_anything(filled):
    with pytest.raises(StoreError, match="may read but not change"), filled.reading() as connection:
        connection.execute(sa.delete(filled.tables["vaults"]))
    assert count_rows(filled, "vaults") == 3


def test_a_value_of_another_program_that_does_not_fit_is_named(embedded, visits):
    with embedded.writing() as connection:
        upsert(connection, "visits", visits)
        connection.exec_driver_sql("UPDATE visits SET visited_at = 'last Monday'")
    with pytest.raises(StoreError, match="last Monday"):
        read_table(embedded, "visits")


def test_shapes_read_are_free_of_the_stores_own_marks(filled):
    assert shapely.get_srid(read_table(filled, "vaults").geometry.to_numpy()).tolist() == [0] * 3
    assert read_table(filled, "vaults").geometry[0] == Point(500000, 4200000)


@pytest.fixture
def many(database, vaults):
    shapes = [Point(500000 + n, 4200000 - n) for n in range(2_503)]
    fleet = gpd.GeoDataFrame(
        {"vault_id": [f"V-{7919 * n % 2503:05}" for n in range(2_503)], "depth_ft": 8.0},
        geometry=shapes,
        crs=database.crs,
    )
    with database.writing() as connection:
        upsert(connection, "vaults", table("vaults").conform(fleet))
        connection.exec_driver_sql(
            "DELETE FROM vaults WHERE vault_id BETWEEN 'V-00100' AND 'V-00900'"
        )
    return database


@pytest.mark.parametrize("rows", [1_000, 37, 5_000])
def test_chunks_hold_what_the_table_holds(many, rows):
    chunks = list(read_chunks(many, "vaults", rows=rows))
    assert [len(chunk) for chunk in chunks[:-1]] == [rows] * (len(chunks) - 1)
    together = pd.concat(chunks).sort_values("vault_id", ignore_index=True)
    assert len(together) == 2_503 - 801
    assert_geodataframe_equal(together, read_table(many, "vaults"))


def test_chunks_of_some_columns_and_some_rows(many, monkeypatch):
    monkeypatch.setattr("vaultplan.store.read._VALUES_AT_A_TIME", 2)
    wanted = [f"V-{n:05}" for n in (3, 99, 500, 1_700, 2_502)]
    read = read_chunks(many, "vaults", rows=300, columns=["vault_id"], where={"vault_id": wanted})
    found = sorted(key for chunk in read for key in chunk["vault_id"])
    assert found == [key for key in wanted if key != "V-00500"]
    assert list(read_chunks(many, "visits")) == []


def test_between_chunks_nothing_is_held_open(many, vaults):
    """A writer goes on, and what it changed is seen by the chunks still to come."""
    chunks = read_chunks(many, "vaults", rows=1_000)
    first = next(chunks)
    with many.writing() as connection:
        connection.exec_driver_sql("UPDATE vaults SET depth_ft = 9")
        upsert(connection, "vaults", vaults)
    rest = pd.concat(chunks)
    assert first["depth_ft"].eq(8).all()
    assert rest["depth_ft"].iloc[:-3].eq(9).all()
    assert rest["vault_id"].tail(3).tolist() == ["V-1", "V-2", "V-3"]


def test_chunks_of_one_state(many, vaults):
    with many.reading() as connection:
        chunks = read_chunks(many, "vaults", rows=1_000, connection=connection)
        first = next(chunks)
        with many.writing() as writer:
            upsert(writer, "vaults", vaults)
            writer.exec_driver_sql("UPDATE vaults SET depth_ft = 9")
        both = pd.concat([first, *chunks])
    assert len(both) == 2_503 - 801
    assert both["depth_ft"].eq(8).all()
