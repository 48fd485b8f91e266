"""The way below an outfall, over shapes drawn by hand."""

from __future__ import annotations

import geopandas as gpd
import pytest
from shapely import LineString, Point, Polygon, box

from vaultplan.outputs.maps.below import ways_below

CRS = "EPSG:32606"


def waters(*rows):
    names, shapes, below = zip(*rows, strict=True)
    told = {"water_id": names, "downstream_water_id": below}
    return gpd.GeoDataFrame(told, geometry=list(shapes), crs=CRS)


def outfalls(water, x, y):
    return gpd.GeoDataFrame(
        {"outfall_id": ["F"], "water_id": [water]}, geometry=[Point(x, y)], crs=CRS
    )


CREEK = LineString([(0, 100), (0, 50), (0, 0)])
LAGOON = box(-10, -20, 10, 0)
SEA = box(-100, -200, 100, -20)


def test_along_the_creek_to_the_lagoon_across_it_and_out_to_sea():
    told = waters(("creek", CREEK, "lagoon"), ("lagoon", LAGOON, "sea"), ("sea", SEA, None))
    way = ways_below(outfalls("creek", 3, 60), told)["F"]
    at = list(way.coords)
    assert at[:4] == [(3, 60), (0, 60), (0, 50), (0, 0)]
    assert at[4][1] == -20  # where lagoon and sea touch
    assert at[5][1] < -20
    assert Point(at[5]).within(SEA)


def test_a_creek_drawn_upstream_is_followed_to_the_next_water_all_the_same():
    told = waters(("creek", CREEK.reverse(), "lagoon"), ("lagoon", LAGOON, None))
    way = ways_below(outfalls("creek", 0, 60), told)["F"]
    assert (0.0, 0.0) in list(way.coords)
    assert (0.0, 100.0) not in list(way.coords)


def test_what_is_not_known_ends_the_way():
    told = waters(("creek", CREEK, "nowhere"))
    way = ways_below(outfalls("creek", 0, 60), told)["F"]
    assert way.coords[-1] in [(0.0, 0.0), (0.0, 100.0)]
    assert ways_below(outfalls("unlisted", 0, 60), told) == {}
    assert ways_below(outfalls(None, 0, 60), told) == {}


def test_waters_that_run_in_a_circle_end():
    told = waters(("a", CREEK, "b"), ("b", LAGOON, "a"))
    assert ways_below(outfalls("a", 0, 60), told)["F"].length < 1000


@pytest.mark.parametrize("shape", [Polygon(), LineString()])
def test_a_water_without_a_place_is_passed_over(shape):
    told = waters(("creek", CREEK, "blank"), ("blank", shape, None))
    assert "F" in ways_below(outfalls("creek", 0, 60), told)
