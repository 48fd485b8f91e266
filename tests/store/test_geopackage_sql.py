"""Three answers to one question: shapely, the embedded store, PostGIS."""

import sqlite3

import numpy as np
import pytest
import shapely
import sqlalchemy as sa
from geoalchemy2 import WKTElement
from shapely import LineString, MultiPolygon, Point, Polygon, box

from vaultplan.store.geopackage_blob import encode
from vaultplan.store.geopackage_sql import register_functions

SRID = 32606


def random_shapes(count, seed):
    rng = np.random.default_rng(seed)
    makers = (
        lambda at: Point(at),
        lambda at: LineString(at + rng.uniform(-30, 30, (3, 2))),
        lambda at: Point(at).buffer(rng.uniform(2, 25), quad_segs=3),
        lambda at: box(*at, *(at + rng.uniform(5, 30, 2))),
        lambda at: MultiPolygon([box(*at, *(at + 5)), box(*(at + 8), *(at + 12))]),
    )
    # Whole numbers make shapes touch now and then.
    return [makers[rng.integers(len(makers))](rng.integers(0, 100, 2)) for _ in range(count)]


PAIRS = list(zip(random_shapes(60, 1), random_shapes(60, 2), strict=True))


def sql_answers(connection):
    def one(function, *more):
        given = sa.func.ST_GeomFromText
        columns = [
            getattr(sa.func, function)(
                given(shapely.to_wkt(a, rounding_precision=-1), SRID),
                given(shapely.to_wkt(b, rounding_precision=-1), SRID),
                *more,
            )
            for a, b in PAIRS
        ]
        return [connection.execute(sa.select(column)).scalar() for column in columns]

    return one


def test_spatial_relations_agree_with_shapely(database):
    with database.reading() as connection:
        ask = sql_answers(connection)
        for name, predicate in {
            "ST_Intersects": shapely.intersects,
            "ST_Within": shapely.within,
            "ST_Contains": shapely.contains,
        }.items():
            expected = [bool(predicate(a, b)) for a, b in PAIRS]
            assert [bool(answer) for answer in ask(name)] == expected, name
            assert name != "ST_Intersects" or len(set(expected)) == 2
        apart = [shapely.distance(a, b) for a, b in PAIRS]
        assert ask("ST_Distance") == pytest.approx(apart, abs=1e-9)
        near = [bool(answer) for answer in ask("ST_DWithin", 20.0)]
        assert near == [distance <= 20.0 for distance in apart]
        assert len(set(near)) == 2


def test_measures_agree_with_shapely(database):
    shapes = random_shapes(40, 3)
    with database.reading() as connection:
        for shape in shapes:
            text = shapely.to_wkt(shape, rounding_precision=-1)
            there = sa.func.ST_GeomFromText(text, SRID)
            names = ("ST_Area", "ST_Length", "ST_MinX", "ST_MaxY", "ST_SRID", "ST_IsEmpty")
            if database.is_embedded:
                row = connection.execute(
                    sa.select(*(getattr(sa.func, name)(there) for name in names))
                ).one()
            else:
                names = ("ST_Area", "ST_Length", "ST_XMin", "ST_YMax", "ST_SRID", "ST_IsEmpty")
                row = connection.execute(
                    sa.select(*(getattr(sa.func, name)(there) for name in names))
                ).one()
            _, _, _, north = shape.bounds
            length = 0.0 if shape.area else shape.length
            assert tuple(row) == pytest.approx(
                (shape.area, length, shape.bounds[0], north, SRID, 0), abs=1e-9
            )


def test_model_queries_with_spatial_functions_give_the_same_rows(database, vaults):
    from vaultplan.store.write import upsert

    with database.writing() as connection:
        upsert(connection, "vaults", vaults)
    table = database.tables["vaults"]
    here = WKTElement("POINT(500000 4200000)", srid=SRID)
    with database.reading() as connection:
        near = sa.select(table.c.vault_id).where(table.c.geometry.ST_DWithin(here, 120.0))
        assert sorted(connection.scalars(near)) == ["V-1", "V-2"]
        far = sa.select(sa.func.ST_Distance(table.c.geometry, here)).where(
            table.c.vault_id == "V-2"
        )
        assert connection.scalar(far) == pytest.approx((100**2 + 50**2) ** 0.5)
        text = sa.select(sa.func.ST_AsText(table.c.geometry)).where(table.c.vault_id == "V-3")
        assert shapely.from_wkt(connection.scalar(text)) == Point(500900, 4200900)
        middle = sa.select(sa.func.ST_X(sa.func.ST_Centroid(table.c.geometry)))
        assert sorted(connection.scalars(middle)) == [500000, 500100, 500900]


@pytest.fixture
def plain():
    connection = sqlite3.connect(":memory:")
    register_functions(connection)
    yield connection
    connection.close()


def test_blank_in_gives_blank_out(plain):
    one = encode([Point(0, 0)], SRID)[0]
    row = plain.execute("SELECT ST_MinX(NULL), ST_Intersects(?, NULL), ST_SRID(NULL)", (one,))
    assert row.fetchone() == (None, None, None)


def test_empty_shapes_have_no_edges_and_no_distance(plain):
    empty, one = encode([Polygon(), Point(0, 0)], SRID)
    row = plain.execute(
        "SELECT ST_MinX(?), ST_IsEmpty(?), ST_Distance(?, ?)", (empty,) * 3 + (one,)
    )
    assert row.fetchone() == (None, 1, None)


def test_shapes_in_two_coordinate_systems_do_not_mix(plain):
    two = encode([Point(0, 0)], 2227) + encode([Point(0, 0)], SRID)
    with pytest.raises(sqlite3.OperationalError):
        plain.execute("SELECT ST_Intersects(?, ?)", two).fetchone()


def test_text_and_binary_forms_round_trip(plain):
    shape = LineString([(0.1, 0.2), (1 / 3, 5)])
    for forth, back in (("ST_AsText", "ST_GeomFromText"), ("ST_AsBinary", "ST_GeomFromWKB")):
        blob = encode([shape], SRID)[0]
        row = plain.execute(f"SELECT {back}({forth}(?), {SRID})", (blob,)).fetchone()
        assert row == (blob,)
    ewkb = plain.execute("SELECT ST_GeomFromEWKB(ST_AsEWKB(?))", encode([shape], SRID)).fetchone()
    assert ewkb == tuple(encode([shape], SRID))
