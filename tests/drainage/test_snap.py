"""Which inlet a vault's water enters. The street runs east along y = 0, 10 m wide."""

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString

from vaultplan.drainage.snap import snap_to_inlets
from vaultplan.schema import table
from vaultplan.settings import DrainageSettings
from vaultplan.units import ft_from_m

FEET = 1 / 0.3048


@pytest.fixture
def snap(town):
    def lines(name, key, shapes):
        rows = [
            {key: f"l{n}", "geometry": LineString([town.at(*p) for p in points])}
            for n, points in enumerate(shapes)
        ]
        return table(name).conform(gpd.GeoDataFrame(rows, geometry="geometry", crs="EPSG:32606"))

    def run(vault, roads=None, curbs=None, choices=None, **inlets):
        found = snap_to_inlets(
            town.vaults(v=vault),
            (frame := town.inlets(**{k: (*xy, k) for k, xy in inlets.items()})),
            FEET,
            settings=DrainageSettings(),
            roads=lines("roads", "road_id", roads) if roads else None,
            curbs=lines("curbs", "curb_id", curbs) if curbs else None,
            inlet_choices=choices,
        )
        name = [None if row < 0 else frame["inlet_id"].iloc[row] for row in
                (found.first[0], found.second[0])]  # fmt: skip
        return (*name, found.first_ft[0], found.placed_by[0])

    return run


STREET = [[(-500, 0), (500, 0)]]
CURBS = [[(-500, 5), (500, 5)], [(-500, -5), (500, -5)]]


def test_the_nearest_by_straight_line_where_no_street_is_known(snap):
    first, second, feet, how = snap((0, 6), across=(0, -5), along=(30, 5))
    assert (first, second, how) == ("across", None, "distance")
    assert feet == pytest.approx(ft_from_m(11.0))


def test_water_does_not_cross_the_crown(snap):
    """11 m across counts as 33: the inlet 30 m along is nearer; the other is close enough."""
    first, second, feet, how = snap((0, 6), roads=STREET, across=(0, -5), along=(30, 6))
    assert (first, second, how) == ("along", "across", "side")
    assert feet == pytest.approx(ft_from_m(30.0))


def test_a_far_inlet_on_its_own_side_does_not_win_at_any_price(snap):
    first, _, _, how = snap((0, 6), roads=STREET, across=(0, -5), along=(34, 6))
    assert (first, how) == ("across", "side")


def test_a_lid_in_the_middle_of_the_street_has_no_side(snap):
    first, _, _, how = snap((0, 0.5), roads=STREET, south=(0, -5), north=(30, 5))
    assert (first, how) == ("south", "distance")


def test_the_run_along_the_curb_counts_where_one_is_known(snap):
    first, second, feet, how = snap((0, 8), curbs=CURBS, across=(0, -5), along=(30, 5))
    assert (first, second, how) == ("along", None, "curb")
    assert feet == pytest.approx(ft_from_m(30.1496), rel=1e-4)  # straight: 30 along and 3 aside


def test_a_choice_goes_before_everything(snap):
    named = pd.DataFrame({"vault_id": ["v"], "inlet_id": ["far"], "who": "x", "why": "dye"})
    first, second, feet, how = snap((0, 0), choices=named, near=(1, 0), far=(900, 0))
    assert (first, second, how) == ("far", None, "choice")
    assert feet == pytest.approx(ft_from_m(900.0))


def test_a_choice_of_an_inlet_that_is_gone_is_no_choice(snap):
    named = pd.DataFrame({"vault_id": ["v"], "inlet_id": ["gone"], "who": "x", "why": "dye"})
    assert snap((0, 0), choices=named, near=(1, 0))[0] == "near"
