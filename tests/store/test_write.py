"""Writing by key: new, changed, same; nothing half done."""

import threading

import geopandas as gpd
import numpy as np
import pandas as pd
import psycopg
import pytest
import shapely
import sqlalchemy as sa
from geopandas.testing import assert_geodataframe_equal
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pandas.testing import assert_frame_equal
from shapely import LineString, MultiLineString, MultiPoint, MultiPolygon, Point, Polygon, box

from vaultplan.errors import ConflictError, CRSError, SchemaError
from vaultplan.schema import STORED, TABLES, table
from vaultplan.store import write
from vaultplan.store.database import open_database
from vaultplan.store.read import count_rows, read_table
from vaultplan.store.write import Counts, delete_rows, replace_plan, replace_rows, upsert

CRS = "EPSG:32606"


def put(database, name, frame):
    with database.writing() as connection:
        return upsert(connection, name, frame)


def dump(database):
    """Every row of every table as the database has it, the contents list included."""
    names = list(STORED)
    if database.is_embedded:
        names += ["gpkg_contents", "gpkg_extensions", "sqlite_sequence", "layer_styles"]
        names += ["rtree_vaults_geometry"]
    with database.reading() as connection:
        return {
            name: sorted(map(repr, connection.exec_driver_sql(f"SELECT * FROM {name}")))
            for name in names
        }


def test_what_is_written_is_read_back(database, vaults, visits):
    assert put(database, "vaults", vaults) == Counts(new=3)
    assert put(database, "visits", visits) == Counts(new=4)
    assert_geodataframe_equal(read_table(database, "vaults"), vaults)
    assert_frame_equal(read_table(database, "visits"), visits)


def test_loading_twice_changes_nothing_at_all(database, vaults, visits):
    put(database, "vaults", vaults)
    put(database, "visits", visits)
    before = dump(database)
    assert any("V-2" in row for row in before["vaults"])
    assert put(database, "vaults", vaults.sample(frac=1, random_state=1)) == Counts(same=3)
    assert put(database, "visits", visits) == Counts(same=4)
    assert dump(database) == before


def test_only_rows_that_differ_are_altered(database, vaults):
    put(database, "vaults", vaults)
    vaults.loc[0, "depth_ft"] = np.nan
    vaults.loc[1, "geometry"] = Point(500101, 4200050)
    more = vaults.iloc[[2]].assign(vault_id="V-4")
    assert put(database, "vaults", pd.concat([vaults, more])) == Counts(new=1, changed=2, same=1)
    read = read_table(database, "vaults")
    assert read["depth_ft"].isna().tolist() == [True, True, False, False]
    assert read.geometry[1] == Point(500101, 4200050)
    assert count_rows(database, "vaults") == 4


def test_rows_keep_their_number_when_they_change(database, vaults):
    put(database, "vaults", vaults)
    put(database, "vaults", vaults.iloc[::-1].assign(district="North"))
    with database.reading() as connection:
        t = database.tables["vaults"]
        rows = connection.execute(sa.select(t.c.fid, t.c.vault_id).order_by(t.c.fid)).all()
    assert rows == [(1, "V-1"), (2, "V-2"), (3, "V-3")]


def test_a_key_of_several_columns_and_no_other_values(database):
    rain = pd.DataFrame(
        {"gauge_id": ["G", "G", "H"], "fell_on": ["1968-02-29", "2025-01-01", "1968-02-29"]}
    ).assign(rain_in=[0.0, 1.25, 3.5])
    rain["fell_on"] = pd.to_datetime(rain["fell_on"])
    assert put(database, "rainfall", rain) == Counts(new=3)
    assert put(database, "rainfall", rain.assign(rain_in=[0.0, 1.5, 3.5])) == Counts(0, 1, 2)
    assert_frame_equal(
        read_table(database, "rainfall"),
        table("rainfall").conform(rain.assign(rain_in=[0, 1.5, 3.5])),
    )


def test_many_chunks_in_one_transaction(database, monkeypatch, visits):
    monkeypatch.setattr("vaultplan.store.write._ROWS_AT_A_TIME", 3)
    with database.writing() as connection:
        many = pd.concat([visits.assign(visit_id=visits["visit_id"] + str(i)) for i in range(5)])
        assert upsert(connection, "visits", many) == Counts(new=20)
        assert upsert(connection, "visits", many) == Counts(same=20)
    assert count_rows(database, "visits") == 20


def test_an_error_inside_the_block_takes_everything_back(database, vaults, visits):
    put(database, "vaults", vaults.iloc[:1])
    before = dump(database)
    with pytest.raises(RuntimeError, match="changed my mind"), database.writing() as connection:
        upsert(connection, "vaults", vaults)
        upsert(connection, "visits", visits)
        raise RuntimeError("changed my mind")
    assert dump(database) == before
    assert put(database, "vaults", vaults) == Counts(new=2, same=1)


def test_a_key_that_stands_twice_is_refused_by_name(database, vaults):
    twice = pd.concat([vaults, vaults.iloc[[1]]])
    with pytest.raises(SchemaError, match=r"vault_id V-2 stand\(s\) more than once"):
        put(database, "vaults", twice)
    assert count_rows(database, "vaults") == 0


def test_a_blank_required_value_is_refused_by_name(database, visits, vaults):
    visits.loc[2, "vault_id"] = None
    with pytest.raises(SchemaError, match=r"visits\.vault_id is blank in visit_id c;"):
        put(database, "visits", visits)
    vaults.loc[1, "geometry"] = None
    with pytest.raises(SchemaError, match=r"vaults\.geometry is blank in vault_id V-2"):
        put(database, "vaults", vaults)


def test_another_crs_is_refused(database, vaults):
    with pytest.raises(CRSError, match="transform it first"):
        put(database, "vaults", vaults.to_crs("EPSG:32605"))
    with pytest.raises(CRSError, match="no CRS"):
        put(database, "vaults", gpd.GeoDataFrame(vaults.set_crs(None, allow_override=True)))


def test_tables_that_are_not_stored_are_refused(database):
    with pytest.raises(SchemaError, match="'traces' is not a stored table"):
        put(database, "traces", table("traces").empty(CRS))


def areas(*shapes):
    return gpd.GeoDataFrame(
        {"area_id": [f"A{i}" for i in range(len(shapes))], "kind": "beach"},
        geometry=list(shapes),
        crs=CRS,
    )


def test_single_areas_become_collections_of_one(database):
    hole = Polygon([(0, 0), (9, 0), (9, 9), (0, 9)], [[(2, 2), (4, 2), (4, 4)]])
    put(database, "sensitive_areas", areas(hole, MultiPolygon([box(0, 0, 1, 1), box(3, 3, 4, 4)])))
    read = read_table(database, "sensitive_areas")
    assert read.geom_type.tolist() == ["MultiPolygon", "MultiPolygon"]
    assert read.geometry.area.tolist() == [81 - 2, 2]


def test_collections_of_one_become_single(database, vaults):
    vaults.loc[0, "geometry"] = MultiPoint([(1, 2)])
    put(database, "vaults", vaults)
    assert read_table(database, "vaults").geometry[0] == Point(1, 2)


def test_geometries_of_another_type_are_refused_by_key(database):
    pipes = gpd.GeoDataFrame(
        {"pipe_id": ["P1", "P2"], "from_node": "a", "to_node": "b"},
        geometry=[
            MultiLineString([[(0, 0), (1, 1)]]),
            MultiLineString([[(0, 0), (1, 1)], [(5, 5), (6, 6)]]),
        ],
        crs=CRS,
    )
    with pytest.raises(SchemaError, match="pipe_id P2 is not a LINESTRING"):
        put(database, "drain_pipes", pipes)
    assert put(database, "drain_pipes", pipes.iloc[:1]) == Counts(new=1)
    with pytest.raises(SchemaError, match="area_id A0 is not a MULTIPOLYGON"):
        put(database, "sensitive_areas", areas(LineString([(0, 0), (1, 1)])))


def test_waters_may_be_lines_or_areas(database):
    waters = gpd.GeoDataFrame(
        {"water_id": ["W1", "W2", "W3"], "name": ["Otter Creek", "Saltmarrow Lagoon", "?"]},
        geometry=[LineString([(0, 0), (5, 5)]), box(5, 5, 9, 9), Polygon()],
        crs=CRS,
    )
    put(database, "receiving_waters", waters)
    read = read_table(database, "receiving_waters")
    assert read.geometry.tolist()[:2] == waters.geometry.tolist()[:2]
    assert read.geometry[2].is_empty
    assert put(database, "receiving_waters", waters) == Counts(same=3)


def test_rows_are_deleted_by_value(database, visits):
    put(database, "visits", visits)
    with database.writing() as connection:
        assert delete_rows(connection, "visits", {"vault_id": "V-1"}) == 2
        assert delete_rows(connection, "visits", {"vault_id": "V-1"}) == 0
        with pytest.raises(SchemaError, match="say which rows"):
            delete_rows(connection, "visits", {})
    assert read_table(database, "visits")["visit_id"].tolist() == ["c", "d"]


def unserved(plan, *orders, reason="no truck left"):
    return pd.DataFrame({"plan_id": plan, "order_id": list(orders), "vault_id": "V-1"}).assign(
        outcome="not_scheduled", reason=reason
    )


def test_a_plan_is_replaced_and_others_are_left_alone(database):
    with database.writing() as connection:
        for plan in ("P1", "P2"):
            frames = {"plan_unserved": unserved(plan, "O1", "O2", "O3")}
            assert replace_plan(connection, plan, frames) == Counts(new=3)
        again = {"plan_unserved": unserved("P1", "O2", "O3", "O4")}
        assert replace_plan(connection, "P1", again) == Counts(new=1, same=2, gone=1)
        assert replace_plan(connection, "P1", again) == Counts(same=3)
        nothing = {"plan_unserved": unserved("P1")}
        assert replace_plan(connection, "P1", nothing) == Counts(gone=3)
    left = read_table(database, "plan_unserved")
    assert left["plan_id"].tolist() == ["P2"] * 3
    assert left["order_id"].tolist() == ["O1", "O2", "O3"]


def plan_row(plan_id, hour=8, content="one"):
    monday = pd.Timestamp("2026-11-02")
    facts = {
        "plan_id": plan_id,
        "week_of": monday,
        "as_of_on": monday,
        "made_at": monday.tz_localize("UTC") + pd.Timedelta(hours=hour),
        "content_version": content,
        "state": "checked",
        "version": 1,
    }
    frame = table("plans").conform(pd.DataFrame([facts]))
    return {"plans": frame, "plan_unserved": unserved(plan_id, "O1")}


def store_plan(database, plan_id, seen=None, **facts):
    with database.writing("plans") as connection:
        return replace_plan(connection, plan_id, plan_row(plan_id, **facts), seen=seen)


def stored_plans(database):
    read = read_table(database, "plans")
    return dict(zip(read["plan_id"], zip(read["version"], read["state"], strict=True), strict=True))


def test_each_change_of_a_plan_raises_its_version(database):
    store_plan(database, "P1")
    assert stored_plans(database) == {"P1": (1, "checked")}
    assert store_plan(database, "P1") == Counts(same=2)
    assert stored_plans(database) == {"P1": (1, "checked")}
    assert store_plan(database, "P1", hour=9) == Counts(changed=1, same=1)
    assert stored_plans(database) == {"P1": (2, "checked")}
    store_plan(database, "P2")
    assert stored_plans(database) == {"P1": (3, "superseded"), "P2": (1, "checked")}
    store_plan(database, "P3")
    assert stored_plans(database)["P1"] == (3, "superseded")
    store_plan(database, "P1", hour=9)
    assert stored_plans(database)["P1"] == (4, "checked")


def test_of_two_planners_of_one_week_the_second_is_told(database):
    store_plan(database, "P0")
    seen = {"P0": 1}
    store_plan(database, "P1", seen, hour=14)
    before = {name: read_table(database, name) for name in ("plans", "plan_unserved")}
    with pytest.raises(ConflictError) as caught:
        store_plan(database, "P2", seen, hour=15)
    assert str(caught.value) == (
        "while P2 was being made, plan P1, made 2026-11-02 14:00 UTC, of the same week of "
        "2026-11-02 was stored by somebody else; nothing was stored: look at it, then plan again, "
        "or start from it with 'vaultplan replan --plan P1'"
    )
    for name, frame in before.items():
        pd.testing.assert_frame_equal(read_table(database, name), frame)
    store_plan(database, "P2", {"P0": 2, "P1": 1}, hour=15)
    assert stored_plans(database)["P2"] == (1, "checked")


@pytest.mark.parametrize(
    ("seen", "said"),
    [
        ({"P1": 1}, "plan P1, made 2026-11-02 09:00 UTC, of the same week .* was changed"),
        ({"P1": 2, "P0": 1}, "plan P0 of the same week .* was deleted by somebody else"),
        ({}, "plan P1, .* was stored by somebody else"),
    ],
)
def test_a_plan_that_changed_or_went_is_told(database, seen, said):
    store_plan(database, "P1")
    store_plan(database, "P1", hour=9)
    with pytest.raises(ConflictError, match=said):
        store_plan(database, "P2", seen)
    assert set(stored_plans(database)) == {"P1"}


def test_the_same_plan_made_twice_is_no_conflict(database):
    store_plan(database, "P0")
    store_plan(database, "P1", {"P0": 1})
    assert store_plan(database, "P1", {"P0": 1}) == Counts(same=2)
    with pytest.raises(ConflictError, match="plan P1"):
        store_plan(database, "P1", {"P0": 1}, content="other")
    store_plan(database, "P2", hour=10)
    with pytest.raises(ConflictError, match="plan P2"):
        store_plan(database, "P1", {"P0": 1})


def test_plans_of_other_weeks_are_no_conflict(database):
    frames = plan_row("P9")
    frames["plans"]["week_of"] += pd.Timedelta(days=7)
    store_plan(database, "P0")
    with database.writing("plans") as connection:
        replace_plan(connection, "P9", frames, seen={})
    assert stored_plans(database) == {"P0": (1, "checked"), "P9": (1, "checked")}


def test_two_who_store_at_once_are_one_plan_and_one_conflict(database):
    """Both have seen the same and begin together; the database lets one go first."""
    store_plan(database, "P0")
    together, outcomes = threading.Barrier(2), {}

    def plan(plan_id):
        with open_database(database.location, busy_seconds=20) as own:
            together.wait(10)
            try:
                outcomes[plan_id] = store_plan(own, plan_id, {"P0": 1})
            except ConflictError as error:
                outcomes[plan_id] = error

    threads = [threading.Thread(target=plan, args=(name,)) for name in ("P1", "P2")]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(30)
    (told,) = (name for name, outcome in outcomes.items() if isinstance(outcome, ConflictError))
    (kept,) = {"P1", "P2"} - {told}
    assert f"plan {kept}, made" in str(outcomes[told])
    assert stored_plans(database) == {"P0": (2, "superseded"), kept: (1, "checked")}
    assert read_table(database, "plan_unserved")["plan_id"].tolist() == sorted(["P0", kept])


@pytest.mark.postgis
def test_what_is_judged_is_kept_from_changing(on_server):
    """Another program, which takes no turn, cannot alter a plan between the look and the end."""
    store_plan(on_server, "P0")
    with on_server.writing("plans") as connection:
        plan = plan_row("P1")["plans"].iloc[0]
        write._check_seen(connection, "P1", plan, {"P0": 1})
        with psycopg.connect(on_server.location) as other:
            other.execute("SET lock_timeout = 100")
            with pytest.raises(psycopg.errors.LockNotAvailable):
                other.execute("UPDATE plans SET state = 'rejected' WHERE plan_id = 'P0'")


def test_a_plan_holds_only_its_own_rows(database, vaults):
    with database.writing() as connection:
        with pytest.raises(SchemaError, match="must all have plan_id = 'P1'"):
            replace_plan(connection, "P1", {"plan_unserved": unserved("P2", "O1")})
        with pytest.raises(SchemaError, match="vaults is not part of a plan"):
            replace_plan(connection, "P1", {"vaults": vaults})
        assert replace_rows(connection, "vaults", vaults, {}) == Counts(new=3)


words = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=12)
numbers = st.floats(allow_nan=False, allow_infinity=False)
milliseconds = st.integers(-(10**13), 10**13).map(lambda ms: pd.Timestamp(ms, unit="ms", tz="UTC"))
visit = st.fixed_dictionaries(
    {
        "vault_id": words,
        "visited_at": milliseconds,
        "depth_in": st.none() | numbers,
        "socks_used": st.none() | st.integers(-(2**53), 2**53),
        "has_sheen": st.none() | st.booleans(),
        "notes": st.none() | words,
        "crew": st.none() | st.sampled_from(["", "NULL", "\\N", '"', "\\", "%s", "%", "'", "\r\n"]),
    }
)


@settings(
    max_examples=20,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(rows=st.lists(visit, min_size=1, max_size=5))
def test_any_values_come_back_as_they_were(database, rows):
    frame = pd.DataFrame(rows)
    frame["visit_id"] = [f"{i}" for i in range(len(rows))]
    frame["socks_used"] = pd.array(frame["socks_used"].tolist(), dtype="Int64")
    frame = table("visits").conform(frame)
    with database.writing() as connection:
        replace_rows(connection, "visits", frame, {})
        assert upsert(connection, "visits", frame) == Counts(same=len(frame))
    assert_frame_equal(read_table(database, "visits"), frame, check_exact=True)


dates = st.none() | st.dates().map(pd.Timestamp)


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(days=st.lists(dates, min_size=1, max_size=4))
def test_any_date_comes_back_as_it_was(database, days):
    orders = pd.DataFrame({"order_id": [f"{i}" for i in range(len(days))], "vault_id": "V"})
    orders["due_on"] = pd.Series(days, dtype="datetime64[s]")
    orders = table("work_orders").conform(orders)
    with database.writing() as connection:
        replace_rows(connection, "work_orders", orders, {})
    assert_frame_equal(read_table(database, "work_orders"), orders)


def example(name):
    """One row of a table, every required column filled."""
    fill = {"text": "x", "words": "x;y", "clock": "07:30", "integer": 3, "real": 1.5}
    fill |= {"boolean": True, "date": pd.Timestamp("2025-03-02")}
    fill |= {"time": pd.Timestamp("2025-03-02T10:00Z")}
    shapes = {
        "POINT": Point(1, 2),
        "LINESTRING": LineString([(0, 0), (3, 4)]),
        "MULTIPOLYGON": MultiPolygon([box(0, 0, 1, 1)]),
        "GEOMETRY": box(0, 0, 2, 2),
    }
    values = {
        c.name: shapes[c.shape] if c.type == "geometry" else fill[c.type]
        for c in TABLES[name].columns
    }
    values = {key: [value] for key, value in values.items()}
    placed = "geometry" in values
    return gpd.GeoDataFrame(values, crs=CRS) if placed else pd.DataFrame(values)


def test_every_stored_table_takes_and_gives_a_full_row(database):
    for name in STORED:
        if name == "project":
            continue
        row = table(name).conform(example(name))
        assert put(database, name, row) == Counts(new=1), name
        assert put(database, name, row) == Counts(same=1), name
        read = read_table(database, name)
        plain = [column for column in row.columns if column != "geometry"]
        assert_frame_equal(pd.DataFrame(read[plain]), pd.DataFrame(row[plain]))
        if len(plain) < len(row.columns):
            assert shapely.equals_exact(read.geometry.to_numpy(), row.geometry.to_numpy()).all()


def test_only_the_columns_that_rows_speak_of_are_altered(database):
    whole = pd.DataFrame({"order_id": ["a"], "vault_id": ["v"], "task": ["splice"], "priority": 2})
    part = pd.DataFrame({"order_id": ["a", "b"], "vault_id": ["v", "w"], "priority": [3, 4]})
    with database.writing() as connection:
        upsert(connection, "work_orders", whole)
        counts = upsert(connection, "work_orders", part, only={"order_id", "vault_id", "priority"})
    assert (counts.new, counts.changed) == (1, 1)
    stored = read_table(database, "work_orders").set_index("order_id")
    assert stored["task"].fillna("").to_dict() == {"a": "splice", "b": ""}
    assert stored["priority"].to_dict() == {"a": 3, "b": 4}
