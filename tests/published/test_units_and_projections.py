"""Units, projections and the geodesic against published values.

Where a test loads a file, it goes through vaultplan's own reading, checking and reprojection. Where
it calls pyproj alone, it guards the library that this reprojection rests on, and says so.
"""

from __future__ import annotations

from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyproj
import pytest
from shapely import Point

from vaultplan.geometry import foot_of, projected_crs
from vaultplan.intake import ColumnMap, read_table
from vaultplan.units import convert, cuft_from_gal, factor_between, gal_from_cuft


def degrees(whole: int, minutes: float, seconds: float = 0.0) -> float:
    return whole + minutes / 60 + seconds / 3600


def loaded(name: str, path: Path, crs: str, given: ColumnMap | None = None) -> gpd.GeoDataFrame:
    return pd.concat(list(read_table(name, path, crs=crs, column_map=given)), ignore_index=True)


def placed(folder: Path, x: float, y: float, file_crs: str, crs: str) -> Point:
    """Return where a gauge that a text file places in ``file_crs`` lands in ``crs``."""
    path = folder / "gauges.csv"
    path.write_text(f"gauge_id,x,y\nG1,{x!r},{y!r}\n", encoding="utf-8")
    return loaded("gauges", path, crs, ColumnMap(crs=file_crs)).geometry.iloc[0]


# NIST Handbook 44, Appendix C, "General Tables of Units of Measurement" (read in a secondary copy):
# "1 cubic foot (ft3) 7.481 gallons. 28.316 cubic decimeters"; "1 gallon (gal) (U.S.) 231 cubic
# inches (exactly)". The table rounds to three decimals.
GALLONS_IN_CUBIC_FOOT = 7.481
LITRES_IN_CUBIC_FOOT = 28.316
CUBIC_INCHES_IN_GALLON = 231


def test_the_us_gallon_and_the_cubic_foot():
    # 28.3168 is printed cut, not rounded: hence one unit of the last place.
    assert gal_from_cuft(1.0) == pytest.approx(GALLONS_IN_CUBIC_FOOT, abs=0.0005)
    assert convert(1.0, "cuft", "gal") == pytest.approx(GALLONS_IN_CUBIC_FOOT, abs=0.0005)
    assert convert(1.0, "cuft", "l") == pytest.approx(LITRES_IN_CUBIC_FOOT, abs=0.001)
    assert cuft_from_gal(1.0) * 12**3 == pytest.approx(CUBIC_INCHES_IN_GALLON, rel=1e-15)
    assert factor_between("cuft", "gal") * CUBIC_INCHES_IN_GALLON == 12**3
    # Follows exactly from the two definitions: 231 x 2.54^3 / 1000.
    assert convert(1.0, "gal", "l") == pytest.approx(3.785411784, rel=1e-15)


def test_a_file_in_cubic_feet_is_loaded_in_gallons(tmp_path):
    path = tmp_path / "visits.csv"
    path.write_text(
        "visit_id,vault_id,visited_at,volume_gal\n1,A,2024-01-05T09:30Z,100\n", encoding="utf-8"
    )
    frame = loaded("visits", path, "EPSG:32606", ColumnMap(units={"volume_gal": "cuft"}))
    assert frame.loc[0, "volume_gal"] == pytest.approx(100 * GALLONS_IN_CUBIC_FOOT, abs=0.05)


def test_transverse_mercator(tmp_path):
    # IOGP Publication 373-7-2 (EPSG Guidance Note 7-2), Transverse Mercator, OSGB 1936 / British
    # National Grid: 50d30'N 0d30'E -> E 577274.99, N 69740.50 m (read in a secondary copy of an
    # older edition). It reckons with k0 rounded to 0.9996013, PROJ with 0.9996012717: hence 1 cm.
    found = placed(tmp_path, 0.5, 50.5, "EPSG:4277", "EPSG:27700")
    assert found.x == pytest.approx(577_274.99, abs=0.01)
    assert found.y == pytest.approx(69_740.50, abs=0.01)


def test_lambert_conic_in_us_survey_feet(tmp_path):
    # IOGP Publication 373-7-2 (EPSG Guidance Note 7-2), Lambert Conic Conformal (2SP), NAD27 /
    # Texas South Central: 28d30'N 96d00'W -> E 2963503.91, N 254759.80 US survey feet (read in
    # several open test suites that quote it).
    found = placed(tmp_path, -96.0, 28.5, "EPSG:4267", "EPSG:32040")
    assert found.x == pytest.approx(2_963_503.91, abs=0.01)
    assert found.y == pytest.approx(254_759.80, abs=0.01)
    assert foot_of(projected_crs("EPSG:32040")).name == "US survey foot"


def test_geodesic_from_flinders_peak_to_buninyong():
    # Geoscience Australia, GRS80: 54972.271 m, azimuth 306d52'05.37", reverse azimuth 127d10'25.07"
    # (read in several open test suites that quote ga.gov.au). Guards pyproj, which our reprojection
    # and distances on the map rest on; vaultplan has no geodesic of its own.
    flinders = (degrees(144, 25, 29.52440), -degrees(37, 57, 3.72030))
    buninyong = (degrees(143, 55, 35.38390), -degrees(37, 39, 10.15610))
    there, back, metres = pyproj.Geod(ellps="GRS80").inv(*flinders, *buninyong)
    assert metres == pytest.approx(54_972.271, abs=0.0005)
    assert there % 360 == pytest.approx(degrees(306, 52, 5.37), abs=0.01 / 3600)
    assert back % 360 == pytest.approx(degrees(127, 10, 25.07), abs=0.01 / 3600)


# The same point in California zone 3 in US survey feet and in metres: computed with PROJ 9.5.1
# beforehand, so a reference library's values and not published ones.
ZONE_3_LONLAT = (-122.4, 37.75)
ZONE_3_US_FEET = (6_012_378.893, 2_101_130.042)
ZONE_3_METRES = (1_832_576.7517, 640_425.7176)


def test_the_us_survey_foot_is_1200_over_3937_metres():
    # NIST Handbook 44, Appendix C: US survey foot 1200/3937 m, international foot 0.3048 m, both
    # exactly.
    assert convert(3937.0, "us_ft", "m") == pytest.approx(1200.0, rel=1e-15)
    assert convert(1.0, "ft", "m") == 0.3048
    assert foot_of(projected_crs("EPSG:2227")).metres == pytest.approx(1200 / 3937, rel=1e-15)
    assert foot_of(projected_crs("EPSG:26943")).metres == 0.3048


def test_a_file_in_us_survey_feet_lands_where_its_metres_do(tmp_path):
    path = tmp_path / "gauges.gpkg"
    given = gpd.GeoDataFrame({"gauge_id": ["G1"]}, geometry=[Point(ZONE_3_US_FEET)], crs=2227)
    given.to_file(path, engine="pyogrio")
    metres = loaded("gauges", path, "EPSG:26943").geometry.iloc[0]
    assert (metres.x, metres.y) == pytest.approx(ZONE_3_METRES, abs=0.001)
    from_degrees = placed(tmp_path, *ZONE_3_LONLAT, "EPSG:4269", "EPSG:2227")
    assert (from_degrees.x, from_degrees.y) == pytest.approx(ZONE_3_US_FEET, abs=0.001)


# California zone 3 as EPSG:2227 defines it, but in international feet; no such grid is in use.
ZONE_3_IN_INTERNATIONAL_FEET = (
    "+proj=lcc +lat_0=36.5 +lon_0=-120.5 +lat_1=38.4333333333333 +lat_2=37.0666666666667 "
    "+x_0=2000000.0001016 +y_0=500000.0001016 +datum=NAD83 +units=ft +no_defs"
)


def test_us_survey_feet_called_international_feet_land_12_feet_off(tmp_path):
    right = placed(tmp_path, *ZONE_3_US_FEET, "EPSG:2227", "EPSG:2227")
    wrong = placed(tmp_path, *ZONE_3_US_FEET, ZONE_3_IN_INTERNATIONAL_FEET, "EPSG:2227")
    # 2 parts in a million of the coordinates; same provenance as ZONE_3_US_FEET.
    assert (right.x, right.y) == pytest.approx(ZONE_3_US_FEET, abs=1e-6)
    assert right.x - wrong.x == pytest.approx(12.024, abs=0.002)
    assert right.y - wrong.y == pytest.approx(4.202, abs=0.002)


def test_lengths_follow_the_foot_of_the_database(tmp_path):
    path = tmp_path / "vaults.csv"
    path.write_text("vault_id,length_ft,x,y\nA,1200,-122.4,37.75\n", encoding="utf-8")
    given = ColumnMap(crs="EPSG:4269", units={"length_ft": "m"})
    assert loaded("vaults", path, "EPSG:2227", given).loc[0, "length_ft"] == pytest.approx(
        3937.0, rel=1e-14
    )
    assert loaded("vaults", path, "EPSG:26943", given).loc[0, "length_ft"] == pytest.approx(
        1200 / 0.3048, rel=1e-14
    )
