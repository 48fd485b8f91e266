from __future__ import annotations

from collections import OrderedDict

import geopandas as gpd
import networkx as nx
import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import settings as budget
from hypothesis import strategies as st
from scipy import sparse
from shapely import LineString, Point

from vaultplan.errors import CRSError, SchemaError
from vaultplan.schedule import search, travel
from vaultplan.schedule.check_drive import least_minutes
from vaultplan.schedule.travel import travel_times
from vaultplan.settings import ScheduleSettings

# A mile in 2 minutes, no detour, no minutes for parking: 804.672 m a minute.
PLAIN = ScheduleSettings(speed_mph=30, detour=1.0, leg_minutes=0.0)
MINUTE_M = 804.672
CRS = "EPSG:32606"


def spots(*xy) -> gpd.GeoDataFrame:
    names = [chr(ord("a") + i) for i in range(len(xy))]
    return gpd.GeoDataFrame({"place_id": names}, geometry=[Point(p) for p in xy], crs=CRS)


def street(name, *xy, **changes):
    return {"road_id": name, "geometry": LineString(xy)} | changes


def test_without_streets_straight_distance_detour_and_leg(made):
    slow = ScheduleSettings(speed_mph=30, detour=1.5, leg_minutes=2.0)
    travel = travel_times(spots((0, 0), (0, MINUTE_M)), made.frame("roads", []), settings=slow)
    assert travel.minutes == pytest.approx(np.array([[0, 3.5], [3.5, 0]]))
    assert travel.straight_count == 0
    assert travel.seconds[0, 1] == 210


def test_two_places_on_one_street_and_the_way_in(made):
    roads = made.frame("roads", [street("r", (0, 0), (4 * MINUTE_M, 0))])
    travel = travel_times(spots((MINUTE_M, 0), (3 * MINUTE_M, MINUTE_M / 2)), roads, settings=PLAIN)
    assert travel.minutes[0, 1] == pytest.approx(2.5, abs=1e-4)


def test_one_way_goes_round_the_block(made):
    a, b = (0.0, 0.0), (MINUTE_M, 0.0)
    c, d = (MINUTE_M, MINUTE_M), (0.0, MINUTE_M)
    roads = made.frame(
        "roads",
        [
            street("ab", a, b, one_way=True),
            street("bc", b, c),
            street("cd", c, d),
            street("da", d, a),
        ],
    )
    travel = travel_times(spots(a, b), roads, settings=PLAIN)
    assert travel.minutes[0, 1] == pytest.approx(1, abs=1e-4)
    assert travel.minutes[1, 0] == pytest.approx(3, abs=1e-4)


def test_named_junctions_join_and_a_bridge_does_not(made):
    # Two streets cross without a junction; a third end meets the first by its name alone.
    roads = made.frame(
        "roads",
        [
            street("low", (-MINUTE_M, 0), (MINUTE_M, 0), to_node="east"),
            street("high", (0, -MINUTE_M), (0, MINUTE_M)),
            street("far", (MINUTE_M + 30, 0), (2 * MINUTE_M, 0), from_node="east", minutes=5.0),
        ],
    )
    travel = travel_times(
        spots((-MINUTE_M, 0), (0, MINUTE_M), (2 * MINUTE_M, 0)), roads, settings=PLAIN
    )
    assert travel.is_straight[0, 1] and not travel.is_straight[0, 2]
    assert travel.minutes[0, 1] == pytest.approx(2**0.5)
    assert travel.minutes[0, 2] == pytest.approx(7, abs=1e-4)
    assert travel.straight_count == 4


def test_parallel_streets_take_the_quicker(made):
    roads = made.frame(
        "roads",
        [
            street("slow", (0, 0), (MINUTE_M, 0), minutes=9.0),
            street("fast", (0, 0), (MINUTE_M / 2, MINUTE_M / 10), (MINUTE_M, 0), minutes=4.0),
        ],
    )
    travel = travel_times(spots((0, 0), (MINUTE_M, 0)), roads, settings=PLAIN)
    assert travel.minutes[0, 1] == pytest.approx(4.0, abs=1e-4)


def test_faults_are_named(made):
    roads = made.frame("roads", [])
    with pytest.raises(SchemaError, match="no location for: b"):
        travel_times(
            gpd.GeoDataFrame({"place_id": ["a", "b"]}, geometry=[Point(0, 0), None], crs=CRS),
            roads,
            settings=PLAIN,
        )
    here = spots((0, 0), (1, 1))
    with pytest.raises(SchemaError, match="twice"):
        travel_times(here.assign(place_id="a"), roads, settings=PLAIN)
    street_elsewhere = made.frame("roads", [street("r", (0, 0), (1, 0))]).to_crs("EPSG:32605")
    with pytest.raises(CRSError):
        travel_times(here, street_elsewhere, settings=PLAIN)


@budget(max_examples=12, deadline=None)
@given(st.integers(0, 10_000))
@example(453)  # two places hang on the one end of a one-way street
def test_agrees_with_another_graph_library_and_with_the_checker(made, seed):
    """Random grid streets, some one-way, some removed; every pair, three reckonings."""
    rng = np.random.default_rng(seed)
    roads = made.frame("roads", made.grid_roads(4, 300.0)).sample(frac=0.8, random_state=seed)
    roads["one_way"] = rng.random(len(roads)) < 0.25
    roads["minutes"] = np.where(
        rng.random(len(roads)) < 0.5, rng.uniform(0.2, 3, len(roads)), np.nan
    )
    points = [Point(xy) for xy in rng.uniform(-50, 1250, (7, 2))]
    places = gpd.GeoDataFrame({"place_id": list("abcdefg")}, geometry=points, crs=CRS)
    some = ScheduleSettings(speed_mph=25, detour=1.3, leg_minutes=1.0)
    travel = travel_times(places, roads, settings=some)

    legs = [(a, b) for a in points for b in points]
    unit_ft = 1 / 0.3048
    assert least_minutes(legs, roads, some, unit_ft) == pytest.approx(
        travel.minutes.ravel().tolist(), abs=1e-3
    )

    graph = nx.DiGraph()
    pace_m = 25 * 5280 / 60 * 0.3048
    hung = {}

    def way(u, v, minutes):
        if not graph.has_edge(u, v) or graph[u][v]["weight"] > minutes:
            graph.add_edge(u, v, weight=minutes)

    cost = roads["minutes"].fillna(roads.length / pace_m).to_numpy()
    for i, row in enumerate(roads.itertuples()):
        u, v = row.geometry.coords[0], row.geometry.coords[-1]
        way(u, v, cost[i])
        if not row.one_way:
            way(v, u, cost[i])
    for n, point in enumerate(points):
        i = int(roads.distance(point).to_numpy().argmin())
        line = roads.geometry.iloc[i]
        share = line.project(point, normalized=True)
        u, v = line.coords[0], line.coords[-1]
        hung[n] = (i, share, line.distance(point) * 1.3 / pace_m)
        way(("out", n), v, (1 - share) * cost[i])
        way(u, ("in", n), share * cost[i])
        if not roads["one_way"].iloc[i]:
            way(("out", n), u, share * cost[i])
            way(v, ("in", n), (1 - share) * cost[i])
    for a in range(7):
        found = nx.single_source_dijkstra_path_length(graph, ("out", a))
        for b in range(7):
            if a == b:
                continue
            best = found.get(("in", b), np.inf)
            (i, f, walk), (j, g, other) = hung[a], hung[b]
            if i == j and (g >= f or not roads["one_way"].iloc[i]):
                best = min(best, abs(g - f) * cost[i])
            expected = (
                best + walk + other
                if np.isfinite(best)
                else points[a].distance(points[b]) * 1.3 / pace_m
            )
            assert travel.minutes[a, b] == pytest.approx(expected + 1.0, abs=1e-3)
            assert travel.is_straight[a, b] == (not np.isfinite(best))


def test_streets_are_searched_once_for_the_same_places(made, tmp_path, monkeypatch):
    spots = gpd.GeoDataFrame(
        {"place_id": ["a", "b"]}, geometry=[Point(0, 0), Point(900, 500)], crs=made.CRS
    )
    roads = made.frame("roads", made.grid_roads(3, 400.0))
    kept = ScheduleSettings(travel_cache=tmp_path / "kept")
    searched = []

    def search(points, streets, settings, some):
        searched.append(len(points))
        return along(points, streets, settings, some)

    along = travel._along_streets
    monkeypatch.setattr(travel, "_along_streets", search)
    monkeypatch.setattr(travel, "_SEARCHED", OrderedDict())
    first = travel_times(spots, roads, settings=kept)
    again = travel_times(spots, roads, settings=kept)
    assert (first.minutes == again.minutes).all()
    assert len(searched) == 1
    monkeypatch.setattr(travel, "_SEARCHED", OrderedDict())
    assert (travel_times(spots, roads, settings=kept).minutes == first.minutes).all()
    assert len(searched) == 1
    assert len(list((tmp_path / "kept").iterdir())) == 1
    roads.loc[0, "one_way"] = True
    travel_times(spots, roads, settings=kept)
    faster = kept.model_copy(update={"speed_mph": 30.0})
    assert (travel_times(spots, roads, settings=faster).minutes <= first.minutes).all()
    assert len(searched) == 3


def test_only_ways_from_and_to_new_places_are_searched(made, tmp_path, monkeypatch):
    rng = np.random.default_rng(5)
    roads = made.frame("roads", made.grid_roads(6, 300.0))
    roads.loc[::7, "one_way"] = True
    points = [Point(*at) for at in rng.uniform(0, 1500, (12, 2))]
    every = gpd.GeoDataFrame(
        {"place_id": [str(n) for n in range(12)]}, geometry=points, crs=made.CRS
    )
    monkeypatch.setattr(travel, "_SEARCHED", OrderedDict())
    anew = travel_times(every, roads, settings=ScheduleSettings())
    assert not np.allclose(anew.minutes, anew.minutes.T), "one-way streets tell there from back"

    asked = []

    def search(points, streets, settings, some):
        asked.append(None if some is None else some.tolist())
        return along(points, streets, settings, some)

    along = travel._along_streets
    monkeypatch.setattr(travel, "_along_streets", search)
    kept = ScheduleSettings(travel_cache=tmp_path)
    for rows, expected in (
        (range(10), [None]),
        ([11, 3, 1, 5, 7, 9, 0, 2], [[0]]),
        ([2, 0, 11], []),
        ([4, 6, 8, 10, 11], [None]),
    ):
        monkeypatch.setattr(travel, "_SEARCHED", OrderedDict())
        asked.clear()
        some = every.iloc[list(rows)].reset_index(drop=True)
        found = travel_times(some, roads, settings=kept)
        assert asked == expected
        assert (found.seconds == anew.seconds[np.ix_(rows, rows)]).all()
        assert found.minutes == pytest.approx(anew.minutes[np.ix_(rows, rows)], abs=2e-9)


def test_a_spoiled_file_is_searched_anew(made, tmp_path, monkeypatch):
    roads = made.frame("roads", made.grid_roads(3, 400.0))
    spots = gpd.GeoDataFrame(
        {"place_id": ["a", "b"]}, geometry=[Point(0, 0), Point(900, 500)], crs=made.CRS
    )
    kept = ScheduleSettings(travel_cache=tmp_path)
    monkeypatch.setattr(travel, "_SEARCHED", OrderedDict())
    first = travel_times(spots, roads, settings=kept)
    (file,) = tmp_path.iterdir()
    file.write_bytes(file.read_bytes()[:50])
    monkeypatch.setattr(travel, "_SEARCHED", OrderedDict())
    assert (travel_times(spots, roads, settings=kept).minutes == first.minutes).all()


def test_several_processes_search_the_same(monkeypatch):
    rng = np.random.default_rng(3)
    graph = sparse.random(400, 400, 0.01, format="csr", random_state=3)
    starts, ends = rng.integers(0, 400, 70), rng.integers(0, 400, 50)
    here = search.minutes_to(graph, starts, ends)
    assert np.isinf(here).any()
    assert np.isfinite(here).any()
    monkeypatch.setattr(search, "_MANY", 0)
    monkeypatch.setattr("os.cpu_count", lambda: 3)
    assert np.array_equal(search.minutes_to(graph, starts, ends), here)
