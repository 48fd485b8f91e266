"""What a file says as a whole: where it lies, how large its vaults are, and which are twins."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pyproj
import pytest

from vaultplan.intake.around import Around, vault_facts
from vaultplan.intake.survey import Surveyor
from vaultplan.intake.whereabouts import FOOT_RATIO
from vaultplan.schema import table

UTM = pyproj.CRS.from_epsg(32606)
E, N = 500_000.0, 4_206_000.0


def vaults(count: int = 100, crs: object = UTM, **columns: object) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(3)
    x, y = rng.uniform(E, E + 1000, count), rng.uniform(N, N + 1000, count)
    frame = pd.DataFrame({"vault_id": [f"V{i}" for i in range(count)], "kind": "vault", **columns})
    frame.index = pd.RangeIndex(1, count + 1)
    return gpd.GeoDataFrame(frame, geometry=gpd.points_from_xy(x, y), crs=UTM).to_crs(crs)


def surveyed(frame: gpd.GeoDataFrame, target: object = UTM, around: Around | None = None):
    surveyor = Surveyor(table("vaults"), pyproj.CRS(target), around or Around())
    for part in (frame.iloc[:30], frame.iloc[30:]):
        surveyor.take(pd.DataFrame(part.drop(columns="geometry")), part.geometry)
    return surveyor.tell()


def test_home_is_where_most_rows_lie_whatever_becomes_of_some():
    frame = vaults()
    survey = surveyed(frame)
    spoiled = frame.copy()
    swapped = spoiled.geometry.iloc[:8].affine_transform([0, 1, 1, 0, 0, 0])
    spoiled.loc[spoiled.index[:8], "geometry"] = swapped
    # 10 miles beyond, by the settings; 1 mi is 1609.344 m.
    for box in (survey.home.box, surveyed(spoiled).home.box):
        west, south, east, north = box
        assert E - 3000 - 16_094 < west < E - 16_000
        assert E + 1000 + 16_000 < east < E + 4000 + 16_094
        assert N - 3000 - 16_094 < south < N - 16_000
        assert N + 1000 + 16_000 < north < N + 4000 + 16_094
    assert survey.rows == 100


def test_a_few_rows_say_nothing_of_home_but_the_database_does():
    few = vaults(5)
    assert surveyed(few).home is None
    box = (E, N, E + 1000, N + 1000)
    home = surveyed(few, around=Around(box=box)).home
    assert home.box == pytest.approx((E - 16093.4, N - 16093.4, E + 17093.4, N + 17093.4), abs=0.1)


def test_a_new_district_far_away_belongs_to_the_fleet_but_a_misread_one_does_not():
    box = (E + 200_000, N, E + 201_000, N + 1000)
    west = surveyed(vaults(), around=Around(box=box)).home.box[0]
    assert west < E
    # The same places called feet: most lie at the known box only when read in metres.
    near = (E, N, E + 1000, N + 1000)
    misread = vaults()
    misread["geometry"] = misread.geometry.affine_transform([1 / 0.3048, 0, 0, 1 / 0.3048, 0, 0])
    east = surveyed(misread, around=Around(box=near)).home.box[2]
    assert east < E + 20_000


def test_usual_sizes_by_class():
    depth = [6.0, 7.0, 8.0, 7.0] * 25
    survey = surveyed(vaults(depth_ft=depth, kind=["vault"] * 80 + ["manhole"] * 20))
    usual = survey.sizes["depth_ft", "vault", False]
    assert np.exp(usual.log_median) == pytest.approx(7.0)
    assert (usual.low_ft, usual.high_ft) == pytest.approx((6.0, 8.0))
    assert ("depth_ft", "manhole", False) in survey.sizes
    assert ("depth_ft", "handhole", False) not in survey.sizes


def test_twins_are_alike_and_close_and_the_later_row_is_told():
    frame = vaults(depth_ft=7.0)
    at = frame.index
    # Row 41 stands 2 ft east of row 2, row 42 too but is of another size, row 43 is 4 ft away.
    for row, feet in ((41, 2.0), (42, -2.0), (43, 4.0)):
        moved = frame.geometry.loc[at[1]].x + feet * 0.3048, frame.geometry.loc[at[1]].y
        frame.loc[row, "geometry"] = gpd.points_from_xy([moved[0]], [moved[1]])[0]
    frame.loc[42, "depth_ft"] = 5.0
    survey = surveyed(frame)
    assert survey.twins.to_dict() == {41: "V1", 43: "V40"}


def test_a_twin_that_only_the_database_knows():
    frame = vaults(30, depth_ft=7.0)
    known = frame.iloc[[4]].assign(
        vault_id="OTHER", status=None, shape=None, length_ft=np.nan, width_ft=np.nan, gear_frac=0.1
    )
    around = Around(vaults=vault_facts(known))
    assert surveyed(frame, around=around).twins.to_dict() == {5: "OTHER"}
    # The vault itself is no twin of its own.
    own = Around(vaults=vault_facts(known.assign(vault_id="V4")))
    assert surveyed(frame, around=own).twins.empty


@pytest.mark.parametrize("ratio", [FOOT_RATIO, 1 / FOOT_RATIO])
def test_the_other_foot_is_known_by_vaults_in_the_database(ratio):
    crs = pyproj.CRS.from_epsg(2227)
    rng = np.random.default_rng(1)
    x, y = rng.uniform(6.0e6, 6.1e6, 50), rng.uniform(2.0e6, 2.1e6, 50)
    columns = dict.fromkeys(("kind", "status", "shape"))
    sizes = dict.fromkeys(("length_ft", "width_ft", "depth_ft", "gear_frac"), np.nan)
    frame = pd.DataFrame({"vault_id": [f"V{i}" for i in range(50)], **columns, **sizes})
    known = gpd.GeoDataFrame(frame, geometry=gpd.points_from_xy(x, y), crs=crs)
    around = Around(vaults=vault_facts(known))
    file = known.set_geometry(known.geometry.affine_transform([ratio, 0, 0, ratio, 0, 0]))
    file.index = pd.RangeIndex(1, 51)
    assert surveyed(file, crs, around).home.foot_ratio == pytest.approx(1 / ratio, abs=1e-12)
    assert surveyed(known, crs, around).home.foot_ratio == 1.0
