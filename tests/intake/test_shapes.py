"""Shapes: type, validity, place on Earth, and the database's CRS."""

from __future__ import annotations

import geopandas as gpd
import pytest
import shapely
from shapely import (
    GeometryCollection,
    LineString,
    MultiLineString,
    MultiPoint,
    MultiPolygon,
    Point,
    Polygon,
)

from vaultplan.columns import shape
from vaultplan.geometry import projected_crs
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.rules import asked_for
from vaultplan.intake.shapes import check_shapes
from vaultplan.intake.whereabouts import FOOT_RATIO, Home

UTM = projected_crs("EPSG:32606")
E, N = 500_000.0, 4_206_000.0
LINE = LineString([(E, N), (E + 10, N)])
SQUARE = Polygon([(E, N), (E + 9, N), (E + 9, N + 9), (E, N + 9)])
BOW = Polygon([(E, N), (E + 9, N + 9), (E + 9, N), (E, N + 9)])


def checked(kind, *shapes, crs="EPSG:32606", target=UTM, required=True):
    book = FindingBook()
    rows = range(1, 1 + len(shapes))
    column = shape(kind, "where", required=required)
    series = gpd.GeoSeries(list(shapes), index=rows, crs=crs)
    found = check_shapes(column, series, target, book)
    assert found.crs == target
    return list(found), [f"{f.row}: {f.fault} {f.value}".strip() for f in book.faults()]


@pytest.mark.parametrize(
    ("kind", "given", "kept"),
    [
        ("POINT", Point(E, N, 9), Point(E, N)),
        ("POINT", MultiPoint([(E, N)]), Point(E, N)),
        ("LINESTRING", MultiLineString([LINE]), LINE),
        ("LINESTRING", shapely.force_3d(LINE, 5), LINE),
        ("MULTIPOLYGON", SQUARE, MultiPolygon([SQUARE])),
        ("MULTIPOLYGON", MultiPolygon([SQUARE]), MultiPolygon([SQUARE])),
        ("GEOMETRY", LINE, LINE),
        ("GEOMETRY", SQUARE, SQUARE),
    ],
)
def test_shapes_are_brought_into_the_declared_type(kind, given, kept):
    (found,), faults = checked(kind, given)
    assert faults == []
    assert found.geom_type == kept.geom_type
    assert found.equals(kept)
    assert not found.has_z


@pytest.mark.parametrize(
    ("kind", "given", "told"),
    [
        ("POINT", None, "1: there is no shape"),
        ("POINT", Point(), "1: the shape is empty"),
        ("POINT", LINE, "1: is not a point LineString"),
        ("POINT", MultiPoint([(E, N), (E, N + 1)]), "1: is not a point MultiPoint"),
        ("LINESTRING", MultiLineString([LINE, LINE]), "1: is not a line MultiLineString"),
        ("LINESTRING", LineString([(E, N), (E, N)]), "1: the shape is broken Too few points"),
        ("MULTIPOLYGON", LINE, "1: is not a polygon LineString"),
        ("MULTIPOLYGON", BOW, "1: the shape is broken Self-intersection"),
        ("GEOMETRY", BOW, "1: the shape is broken Self-intersection"),
        ("GEOMETRY", GeometryCollection(), "1: the shape is empty"),
        ("POINT", Point(float("inf"), N), "1: the shape is broken Invalid Coordinate"),
    ],
)
def test_shapes_that_are_refused(kind, given, told):
    _, faults = checked(kind, given)
    (fault,) = faults
    assert fault.startswith(told)


def test_a_shape_may_be_missing_where_none_is_required():
    assert checked("POINT", None, required=False) == ([None], [])


def test_a_fault_leaves_its_neighbours_alone():
    found, faults = checked("POINT", Point(E, N), LINE, Point(E, N + 1))
    assert [faults[0][:2], len(faults)] == ["2:", 1]
    assert (found[0], found[2]) == (Point(E, N), Point(E, N + 1))


def test_degrees_are_brought_into_metres():
    (found,), faults = checked("POINT", Point(-147.0, 38.0), crs="EPSG:4326")
    assert faults == []
    # On the central meridian of zone 6 the easting is 500 km by definition.
    assert found.x == pytest.approx(500_000.0, abs=1e-6)


@pytest.mark.parametrize(
    ("point", "crs", "told"),
    [
        (Point(38.0, -147.0), "EPSG:4326", "has x and y swapped"),
        (Point(147.0, 38.0), "EPSG:4326", "has a longitude without its sign"),
        (Point(0.0, 0.0), "EPSG:4326", "lies at 0, 0"),
        (Point(-122.4, 37.75), "EPSG:4326", "lies outside the area of use of WGS 84 / UTM zone 6N"),
        (Point(-147.0, 38.0), "EPSG:32606", "is in longitude and latitude"),
        (Point(38.0, -147.0), "EPSG:32606", "is in latitude and longitude"),
        (Point(N, E), "EPSG:32606", "has x and y swapped"),
        (Point(E / 0.3048, N / 0.3048), "EPSG:32606", "is in WGS 84 / UTM zone 6N, but in feet"),
        (Point(0.0, 0.0), "EPSG:2227", "lies at 0, 0"),
        (Point(1e7, -9e7), "EPSG:32606", "lies outside the area of use of WGS 84 / UTM zone 6N"),
    ],
)
def test_a_point_in_the_wrong_place(point, crs, told):
    _, (fault,) = checked("POINT", point, crs=crs)
    assert fault.startswith(f"1: {told}")


@pytest.mark.parametrize(
    ("given", "crs"),
    [
        (Point(38.0, -147.0), "EPSG:4326"),
        (Point(147.0, 38.0), "EPSG:4326"),
        (Point(-147.0, 38.0), "EPSG:32606"),
        (Point(4206000.0, 500000.0), "EPSG:32606"),
        (Point(500000 / 0.3048, 4206000 / 0.3048), "EPSG:32606"),
    ],
)
def test_a_point_in_the_wrong_place_is_brought_home_when_asked(given, crs):
    book = FindingBook(apply=asked_for(["all"]))
    series = gpd.GeoSeries([given], index=[1], crs=crs)
    (found,) = check_shapes(shape("POINT", "where"), series, UTM, book)
    assert not book
    assert found.distance(Point(E, N)) < 400.0
    (change,) = book.take_chunk()[1].itertuples()
    assert change.before == given.wkt
    assert change.after == found.wkt


def test_what_lies_at_home_is_left_alone_and_what_lies_far_is_told():
    home = Home((E - 1000, N - 1000, E + 1000, N + 1000))
    book = FindingBook(apply=asked_for(["all"]))
    points = [Point(E, N), Point(E + 50_000, N), Point(N, E)]
    series = gpd.GeoSeries(points, index=[1, 2, 3], crs=UTM)
    found = check_shapes(shape("POINT", "where"), series, UTM, book, home=home)
    assert list(found) == [Point(E, N), Point(E + 50_000, N), Point(E, N)]
    told = book.findings()
    assert list(zip(told["row"], told["rule"], strict=True)) == [
        (2, "outside_area"),
        (3, "swapped_axes"),
    ]


def test_the_other_foot_is_read_when_asked():
    # NIST Handbook 44, Appendix C: 1 international foot is 0.999998 US survey foot.
    home = Home((0, 0, 1e7, 1e7), foot_ratio=FOOT_RATIO)
    book = FindingBook(apply=asked_for(["mixed_feet"]))
    series = gpd.GeoSeries([Point(6_000_000, 2_000_000)], index=[1], crs="EPSG:2227")
    target = projected_crs("EPSG:2227")
    (found,) = check_shapes(shape("POINT", "where"), series, target, book, home=home)
    assert found.x == pytest.approx(6_000_000 + 12.0, abs=0.001)
    assert found.y == pytest.approx(2_000_000 + 4.0, abs=0.001)


@pytest.mark.parametrize(
    ("kind", "given", "mended"),
    [
        ("POINT", SQUARE, Point(E + 4.5, N + 4.5)),
        ("LINESTRING", MultiLineString([LINE, LineString([(E + 10, N), (E + 20, N)])]), None),
        ("MULTIPOLYGON", LineString(SQUARE.exterior.coords), MultiPolygon([SQUARE])),
        ("MULTIPOLYGON", GeometryCollection([SQUARE, Point(E, N)]), MultiPolygon([SQUARE])),
        ("MULTIPOLYGON", BOW, None),
    ],
)
def test_shapes_are_mended_when_asked(kind, given, mended):
    book = FindingBook(apply=asked_for(["shape_type", "shape_broken"]))
    series = gpd.GeoSeries([given], index=[1], crs=UTM)
    (found,) = check_shapes(shape(kind, "where"), series, UTM, book)
    assert not book
    assert found.is_valid
    assert found.geom_type.upper() == kind
    if mended is not None:
        assert found.equals(mended)
    elif kind == "LINESTRING":
        assert found.length == pytest.approx(20.0)
    else:
        assert found.area == pytest.approx(2 * 4.5 * 9 / 2)


def test_a_little_beyond_the_edge_of_a_zone_is_well():
    assert checked("POINT", Point(-150.5, 38.0), crs="EPSG:4326")[1] == []
    assert len(checked("POINT", Point(-151.5, 38.0), crs="EPSG:4326")[1]) == 1


def test_longitudes_counted_to_360():
    (found,), faults = checked("POINT", Point(213.0, 38.0), crs="EPSG:4326")
    assert faults == []
    assert found.x == pytest.approx(500_000.0, abs=1e-6)


def test_an_area_of_use_across_the_180th_meridian():
    chatham = projected_crs("EPSG:3832")  # Pacific-centred Mercator
    for lon in (179.0, -179.0):
        given = Point(lon, -20.0)
        assert checked("POINT", given, crs="EPSG:4326", target=chatham)[1] == []


def test_a_wide_area_that_only_touches_is_kept():
    sea = shapely.box(-160, 30, -140, 45)
    found, faults = checked("GEOMETRY", sea, crs="EPSG:4326")
    assert faults == []
    assert found[0].geom_type == "Polygon"
