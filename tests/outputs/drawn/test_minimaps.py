"""Drawn maps: geometry on paper, direction of flow, letters that can be read, safe text."""

import re
import xml.etree.ElementTree as ET

import geopandas as gpd
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely.geometry import LineString, MultiPolygon, Point, Polygon

from vaultplan import schema
from vaultplan.outputs.drawn.ink import NICE_FEET, spread_out
from vaultplan.outputs.drawn.minimaps import day_map, stop_map
from vaultplan.outputs.drawn.scene import Window, scene_of

CRS = "EPSG:32606"
SVG = "{http://www.w3.org/2000/svg}"
SIZE = (150.0, 142.0)


def scene(roads=(), inlets=(), backdrop=()):
    def frame(name, rows):
        declared = schema.table(name)
        if not rows:
            return declared.empty(CRS)
        return declared.conform(gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS))

    return scene_of(
        {
            "roads": frame("roads", list(roads)),
            "inlets": frame("inlets", list(inlets)),
            "backdrop": frame("backdrop", list(backdrop)),
            "receiving_waters": frame("receiving_waters", []),
            "vaults": frame("vaults", [{"vault_id": "A", "geometry": Point(0, 0)}]),
        }
    )


def road(name, *points, road_id="R-1"):
    return {"road_id": road_id, "name": name, "geometry": LineString(points)}


def inlet(inlet_id, x, y):
    return {"inlet_id": inlet_id, "node_id": "N", "geometry": Point(x, y)}


def texts(svg):
    return {"".join(node.itertext()) for node in ET.fromstring(svg).iter(f"{SVG}text")}


def turns(svg):
    """Rotation of every flow arrow, in degrees clockwise from east."""
    return [int(turn) for turn in re.findall(r'rotate\((-?\d+)\)" d="M-3.8', svg)]


def test_window_turns_map_metres_into_points_with_north_up():
    window = Window((1000.0, 2000.0, 1300.0, 2200.0), 150.0, 100.0)
    placed = window.to_paper(np.array([[1000.0, 2200.0], [1300.0, 2000.0], [1100.0, 2100.0]]))
    assert window.units_per_pt == 2.0
    assert placed.tolist() == [[0.0, 0.0], [150.0, 100.0], [50.0, 50.0]]


@given(
    st.lists(st.tuples(st.floats(-5e4, 5e4), st.floats(-5e4, 5e4)), min_size=1, max_size=20),
    st.floats(1.0, 500.0),
)
def test_window_shows_every_point_inside_its_margin(points, least):
    places = np.array(points)
    placed = Window.around(places, SIZE, least=least, margin_pt=20.0).to_paper(places)
    assert (placed >= 20.0 - 1e-3).all()
    assert (placed <= np.array(SIZE) - 20.0 + 1e-3).all()


@pytest.mark.parametrize(
    ("end", "turn"), [((60, 0), 0), ((0, -60), 90), ((0, 60), -90), ((60, 60), -45)]
)
def test_arrows_point_the_way_the_water_runs(end, turn):
    path = LineString([(0, 0), end])
    svg = stop_map(scene(), Point(0, 0), 1, size=SIZE, path=path)
    assert turns(svg)
    assert set(turns(svg)) == {turn}


def test_inlets_vault_number_and_street_stand_on_the_map():
    svg = stop_map(
        scene(
            roads=[road("Kelp Row", (-200, 15), (200, 15))],
            inlets=[inlet("I-7", 25, -20), inlet("I-8", -25, -20), inlet("I-9", 500, 500)],
        ),
        Point(0, 0),
        12,
        size=SIZE,
        path=LineString([(0, 0), (25, -20)]),
        inlet_id="I-7",
        second_inlet_id="I-8",
    )
    assert {"12", "I-7", "I-8", "Kelp Row", "N"} <= texts(svg)
    assert "I-9" not in texts(svg)


@pytest.mark.parametrize("reach", [5.0, 40.0, 300.0, 2500.0])
def test_scale_bar_is_as_long_as_it_says(reach):
    spots = scene(inlets=[inlet("I", reach, reach / 3)])
    svg = stop_map(spots, Point(0, 0), 1, size=SIZE, inlet_id="I")
    window = Window.around(
        np.array([[0, 0], [reach, reach / 3]]), SIZE, least=260 * 0.3048, margin_pt=30
    )
    words = next(text for text in texts(svg) if text.endswith(" ft"))
    feet = int(words.removesuffix(" ft").replace(",", ""))
    drawn_pt = float(re.search(r"v3h([\d.]+)v-3", svg).group(1))
    assert feet in NICE_FEET
    assert drawn_pt == pytest.approx(feet * 0.3048 / window.units_per_pt, abs=0.06)


def test_nothing_smaller_than_seven_points_is_written():
    named = [
        road(f"Street {n}", (-400, n * 60), (400, n * 60), road_id=str(n)) for n in range(-5, 6)
    ]
    stops = [(str(n), Point(n * 9.0, n * 4.0)) for n in range(60)]
    town = scene(roads=named, inlets=[inlet("I-1", 30, 10)])
    drawn = [
        stop_map(town, Point(0, 0), 1, size=SIZE, inlet_id="I-1"),
        day_map(town, stops, size=(312.0, 236.0), yard=("Y", Point(0, 0))),
    ]
    for svg in drawn:
        root = ET.fromstring(svg)
        sizes = [
            float(node.get("font-size", root.get("font-size"))) for node in root.iter(f"{SVG}text")
        ]
        assert min(sizes) >= 7.0


def test_names_are_written_never_run():
    nasty = '<script>alert("1")</script> & \x07'
    town = scene(roads=[road(nasty, (-300, 20), (300, 20))], inlets=[inlet('"><b>', 20, -20)])
    svg = stop_map(town, Point(0, 0), 1, size=(400.0, 300.0), inlet_id='"><b>')
    assert "<script" not in svg
    assert "<b>" not in svg
    assert '"><b>' in texts(svg)
    assert any(text.startswith("<script>alert") for text in texts(svg))


def test_lines_end_at_the_edge_of_the_paper():
    far = [
        road("Long Road", (-90_000, 25), (90_000, 25)),
        road("Bay Road", (-90_000, -9_000), (90_000, 9_000), road_id="R-2"),
    ]
    sea = {
        "shape_id": "S",
        "kind": "water",
        "geometry": MultiPolygon([Polygon([(-9e4, -9e4), (9e4, -9e4), (9e4, -5), (-9e4, -5)])]),
    }
    svg = stop_map(scene(roads=far, backdrop=[sea]), Point(0, 0), 1, size=SIZE)
    drawn = re.findall(r'<path d="(M[^"]+)" fill="(?:none|#D6E4EE)"', svg)
    numbers = np.array(re.findall(r"(-?[\d.]+) (-?[\d.]+)", " L".join(drawn)), dtype=float)
    assert len(numbers) > 8
    assert numbers.min() >= -0.1
    assert (numbers.max(axis=0) <= np.array(SIZE) + 0.1).all()


def test_day_map_without_a_route_joins_the_stops_by_dashes():
    stops = [("1", Point(0, 0)), ("2", Point(900, 100)), ("3", Point(400, 800))]
    bare = day_map(scene(), stops, size=(312.0, 236.0))
    known = day_map(scene(), stops, size=(312.0, 236.0), route=LineString([(0, 0), (900, 100)]))
    assert "stroke-dasharray" in bare
    assert "stroke-dasharray" not in known
    assert {"1", "2", "3"} <= texts(bare)


def test_far_yard_moves_into_a_small_map_of_the_whole_way():
    stops = [("1", Point(0, 0)), ("2", Point(300, 200)), ("3", Point(100, 250))]
    size = (312.0, 236.0)
    near = day_map(scene(), stops, size=size, yard=("Y", Point(500, 300)))
    far = day_map(scene(), stops, size=size, yard=("Y", Point(9000, 3000)))
    assert 'id="q"' not in near
    assert 'id="q"' in far
    assert "Y" in texts(near) & texts(far)

    def reach(svg):
        drawn = re.findall(r"translate\(([\d.]+) [\d.]+\)\" fill=\"#FFFFFF\" [^>]*>[123]<", svg)
        return max(map(float, drawn)) - min(map(float, drawn))

    assert reach(far) > 100


def test_one_stop_alone_can_be_drawn():
    assert "1" in texts(day_map(scene(), [("1", Point(5, 5))], size=(312.0, 236.0)))


def test_same_week_same_picture():
    town = scene(roads=[road("Kelp Row", (-200, 30), (200, 30))])
    stops = [(str(n), Point(n % 3, n % 2)) for n in range(9)]
    first, again = (day_map(town, stops, size=(312.0, 236.0)) for _ in range(2))
    assert first == again


@settings(max_examples=60)
@given(
    st.lists(st.tuples(st.floats(0, 312), st.floats(0, 236)), min_size=1, max_size=25),
)
def test_badges_are_moved_apart_and_stay_on_paper(points):
    places = np.array(points)
    wide = np.full(len(places), 8.0)
    moved = spread_out(places, wide, 7.0, (312.0, 236.0))
    apart = np.abs(moved[:, None] - moved[None, :])
    overlap = np.minimum(16.0 - apart[..., 0], 14.0 - apart[..., 1])
    np.fill_diagonal(overlap, 0.0)
    assert overlap.max() < 1e-3
    assert (moved >= [8.0 - 0.1, 7.0 - 0.1]).all()
    assert (moved <= [304.1, 229.1]).all()


def test_badges_on_one_spot_part_completely():
    moved = spread_out(np.full((6, 2), 100.0), np.full(6, 8.0), 7.0, (312.0, 236.0))
    apart = np.abs(moved[:, None] - moved[None, :])
    clear = (apart[..., 0] > 15.9) | (apart[..., 1] > 13.9)
    np.fill_diagonal(clear, True)
    assert clear.all()
