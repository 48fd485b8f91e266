"""How far down each water begins: a creek bends to a lagoon, which opens to the sea."""

import geopandas as gpd
import pytest
from shapely import LineString, Point, box

from vaultplan.drainage.waters import feet_to_waters
from vaultplan.schema import table

CRS = "EPSG:32606"


def _waters(*rows):
    return table("receiving_waters").conform(
        gpd.GeoDataFrame(
            [
                {"water_id": name, "name": name, "downstream_water_id": below, "geometry": shape}
                for name, below, shape in rows
            ],
            geometry="geometry",
            crs=CRS,
        )
    )


def _outfalls(*rows):
    return table("outfalls").conform(
        gpd.GeoDataFrame(
            [
                {"outfall_id": name, "node_id": "n", "water_id": water, "geometry": shape}
                for name, water, shape in rows
            ],
            geometry="geometry",
            crs=CRS,
        )
    )


CREEK = LineString([(0, 0), (300, 0), (300, 400)])
LAGOON, SEA = box(200, 400, 400, 500), box(0, 800, 900, 900)
WATERS = (("creek", "lagoon", CREEK), ("lagoon", "sea", LAGOON), ("sea", None, SEA))


@pytest.mark.parametrize("creek", [CREEK, CREEK.reverse()])
def test_along_the_creek_then_straight_across(creek):
    """From (100, 5): 200 along the first leg and 400 up the second; 100 across the lagoon."""
    waters = _waters(("creek", "lagoon", creek), *WATERS[1:])
    found = feet_to_waters(_outfalls(("o", "creek", Point(100, 5))), waters, 1.0)
    creek_ft, lagoon_ft, sea_ft = (part.split("=") for part in found["o"].split(";"))
    assert creek_ft == ["creek", "0"]
    assert lagoon_ft == ["lagoon", "600"]
    assert sea_ft[0] == "sea"
    assert 700 <= float(sea_ft[1]) <= 600 + 224  # to some place on the lagoon's far shore


def test_feet_are_feet():
    found = feet_to_waters(_outfalls(("o", "creek", Point(100, 0))), _waters(*WATERS), 1 / 0.3048)
    assert found["o"].split(";")[1] == f"lagoon={600 / 0.3048:.0f}"


def test_what_is_not_known_ends_the_list():
    waters = _waters(("creek", "lagoon", CREEK), ("lagoon", "sea", None))
    falls = _outfalls(("o", "creek", Point(0, 0)), ("p", None, Point(0, 0)), ("q", "creek", None))
    found = feet_to_waters(falls, waters, 1.0)
    assert found["o"] == "creek=0"
    assert found[["p", "q"]].isna().all()
