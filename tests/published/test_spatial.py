"""One question, three answers: shapely in memory, PostGIS, and the embedded store.

Each store is held to shapely (or geopandas) on the same data, and so to the other. The layers in
memory are read from the demo's own files, not through a store.

Sources
-------
Open Geospatial Consortium (2011), Simple feature access, part 1: common architecture, OGC 06-103r4,
clauses 6.1.2.3 (what a geometry is asked), 6.1.2.4 (distance), 6.1.15 (relations by interiors,
boundaries and exteriors): the boundary belongs to the shape, so touching is intersecting.
Clause numbers from memory.
PostGIS 3 manual: ``ST_DWithin`` includes its distance, ``ST_Length`` of an area is 0, ``<->`` sorts
by distance; the figures of ``EXAMPLES`` are its own. From memory.
geopandas 1 manual, ``sjoin_nearest``: "multiple output records for a single input record where
there are multiple equidistant nearest" neighbours.
"""

from functools import cache

import geopandas as gpd
import numpy as np
import pytest
import shapely
import sqlalchemy as sa
from geoalchemy2 import WKBElement
from hypothesis import assume, example, given
from hypothesis import strategies as st
from shapely import GeometryCollection, LineString, MultiPoint, MultiPolygon, Point, Polygon, box

from vaultplan import pipeline
from vaultplan.drainage.snap import CANDIDATES, snap_to_inlets
from vaultplan.schema import table
from vaultplan.settings import DrainageSettings
from vaultplan.store.database import open_database
from vaultplan.store.geopackage import touches_box
from vaultplan.store.read import read_table
from vaultplan.store.write import upsert
from vaultplan.units import M_PER_FT

SRID = 32606
LAYERS = {
    "vaults": "vault_id",
    "inlets": "inlet_id",
    "drain_pipes": "pipe_id",
    "roads": "road_id",
    "sensitive_areas": "area_id",
    "drainage_areas": "area_id",
    "receiving_waters": "water_id",
}


@pytest.fixture(
    scope="module", params=["embedded", pytest.param("postgis", marks=pytest.mark.postgis)]
)
def store(request):
    """The demo town on each store in turn, to ask only."""
    if request.param == "embedded":
        location = str(request.getfixturevalue("demo_file"))
    else:
        server = request.getfixturevalue("postgis_server")
        location = f"{server}/{request.getfixturevalue('demo_on_server')}"
    with open_database(location) as database:
        yield database


@pytest.fixture(scope="module")
def layers():
    """The demo's layers, straight from its file."""
    place = pipeline.demo_folder() / "spatial.gpkg"
    return {
        name: gpd.read_file(place, layer=name).set_index(key).sort_index()
        for name, key in LAYERS.items()
    }


def ask(store, query):
    with store.reading() as connection:
        return connection.execute(query).all()


def as_stored(shape):
    """The shape as a value for a query; exact, where text could be rounded."""
    return sa.func.ST_GeomFromWKB(shapely.to_wkb(shape), SRID)


def element(shape):
    return WKBElement(shapely.to_wkb(shape), srid=SRID)


def key_of(store, name):
    return store.tables[name].c[LAYERS[name]]


def found(store, name, *conditions):
    """Keys of a layer's rows that meet all conditions."""
    return {key for (key,) in ask(store, sa.select(key_of(store, name)).where(*conditions))}


# Windows


@cache
def vault_coordinates():
    frame = gpd.read_file(pipeline.demo_folder() / "spatial.gpkg", layer="vaults", columns=[])
    return frame.geometry.x.tolist(), frame.geometry.y.tolist()


@st.composite
def windows(draw, west=498500.0, south=4205300.0):
    """Windows of any size; their edges often run through a vault or a hair beside it."""
    x, y = vault_coordinates()

    def edge(values, low):
        anywhere = st.floats(low - 500, low + 5000)
        through = st.sampled_from(values)
        beside = through.flatmap(
            lambda at: st.sampled_from([np.nextafter(at, -np.inf), np.nextafter(at, np.inf)])
        )
        return float(draw(st.one_of(anywhere, through, beside)))

    left, right = sorted((edge(x, west), edge(x, west)))
    bottom, top = sorted((edge(y, south), edge(y, south)))
    return left, bottom, right, top


def inside(frame, window, slack=(0.0, 0.0)):
    """Keys of the shapes whose own box shares at least a point with the window."""
    west, south, east, north = window
    within = box(west - slack[0], south - slack[1], east + slack[0], north + slack[1])
    return set(frame.index[shapely.intersects(shapely.envelope(frame.geometry.values), within)])


@pytest.mark.parametrize("name", LAYERS)
def test_a_window_gives_the_same_rows(store, layers, name):
    key, frame = LAYERS[name], layers[name]
    sizes = set()

    @given(windows())
    @example((490000.0, 4200000.0, 510000.0, 4220000.0))
    @example((0.0, 0.0, 1.0, 1.0))
    def check(window):
        expected = inside(frame, window)
        sizes.add(len(expected))
        assert set(read_table(store, name, bbox=window)[key]) == expected
        # The index alone keeps single precision, rounded outward: twice, once per box.
        by_index = found(store, name, touches_box(store.tables[name].c.geometry, window))
        slack = [2 * float(np.spacing(np.float32(abs(edge)))) for edge in window[2:]]
        assert expected <= by_index <= inside(frame, window, slack)

    check()
    assert {0, len(frame)} <= sizes


def test_a_window_touches_with_its_edges_and_corners(store, layers):
    frame = layers["vaults"]
    name, place = frame.index[7], frame.geometry.iloc[7]
    x, y = place.x, place.y
    less, more = np.nextafter((x, y), -np.inf), np.nextafter((x, y), np.inf)
    touching = {
        "west": (x, y - 1, x + 1, y + 1),
        "east": (x - 1, y - 1, x, y + 1),
        "south": (x - 1, y, x + 1, y + 1),
        "north": (x - 1, y - 1, x + 1, y),
        "corner": (x, y, x + 1, y + 1),
        "no area": (x, y, x, y),
    }
    beside = {
        "west": (more[0], y - 1, x + 1, y + 1),
        "east": (x - 1, y - 1, less[0], y + 1),
        "south": (x - 1, more[1], x + 1, y + 1),
        "north": (x - 1, y - 1, x + 1, less[1]),
        "no area": (more[0], y, more[0], y),
    }
    for edge, window in touching.items():
        assert name in set(read_table(store, "vaults", bbox=window)["vault_id"]), edge
    for edge, window in beside.items():
        assert name not in set(read_table(store, "vaults", bbox=window)["vault_id"]), edge


# Areas over the town


def star(middle, radii):
    turns = np.linspace(0, 2 * np.pi, len(radii), endpoint=False)
    around = np.column_stack([np.cos(turns), np.sin(turns)]) * np.asarray(radii)[:, None]
    return Polygon(np.round(around + middle))


@st.composite
def areas(draw):
    """Concave areas with holes, in several parts now and then, at whole metres of the town."""
    steps = st.integers(0, 36)

    def boxes(least, most):
        corners = draw(st.lists(st.tuples(steps, steps, steps, steps), min_size=least, max_size=10))
        return shapely.union_all(
            [
                box(
                    498500 + 100 * min(a, c),
                    4205300 + 100 * min(b, d),
                    498500 + 100 * max(a, c) + 100,
                    4205300 + 100 * max(b, d) + 100,
                )
                for a, b, c, d in corners[:most]
            ]
        )

    if draw(st.booleans()):
        shape = boxes(1, 5).difference(boxes(0, 5))
    else:
        middle = draw(st.tuples(st.integers(498600, 502000), st.integers(4205500, 4209000)))
        radii = draw(st.lists(st.integers(50, 2000), min_size=3, max_size=9))
        outer = star(middle, radii)
        shape = outer.difference(star(middle, [radius // 3 for radius in radii]))
    assume(shape.is_valid and shape.geom_type in ("Polygon", "MultiPolygon") and shape.area > 0)
    return shape


#: A ring road with a bay cut into it, and its court.
CONCAVE = Polygon(
    [(499000, 4206000), (501500, 4206000), (500200, 4207000), (501500, 4208500), (499000, 4208500)],
    [[(499300, 4206300), (499300, 4208000), (500000, 4207000)]],
)


@pytest.mark.parametrize("name", ["vaults", "drain_pipes", "sensitive_areas", "receiving_waters"])
def test_an_area_meets_the_same_rows(store, layers, name):
    frame = layers[name]
    shapes, sizes = frame.geometry.values, set()
    geometry = store.tables[name].c.geometry

    @given(areas())
    @example(CONCAVE)
    def check(area):
        expected = set(frame.index[shapely.intersects(shapes, area)])
        sizes.add(len(expected))
        meets = sa.func.ST_Intersects(geometry, element(area))
        near = touches_box(geometry, shapely.bounds(area).tolist())
        assert found(store, name, near, meets) == expected
        within = set(frame.index[shapely.within(shapes, area)])
        assert found(store, name, near, sa.func.ST_Within(geometry, element(area))) == within

    check()
    assert len(sizes) > 2


def test_a_vault_on_an_outline_meets_the_area(store, layers):
    """The boundary belongs to the shape, a hole's too; what a hole holds does not."""
    frame = layers["vaults"]
    corners = frame.geometry.iloc[[3, 400, 900]]
    hull = Polygon([(point.x, point.y) for point in corners.tolist()])
    middle = hull.centroid
    around = hull.buffer(500).envelope.exterior.coords
    holed = Polygon(around, [hull.exterior.coords])
    meets = {
        shape: found(
            store,
            "vaults",
            sa.func.ST_Intersects(store.tables["vaults"].c.geometry, element(shape)),
        )
        for shape in (hull, holed)
    }
    assert set(corners.index) <= meets[hull]
    assert set(corners.index) <= meets[holed]
    assert meets[hull] & meets[holed] == set(frame.index[shapely.touches(frame.geometry, hull)])
    assert hull.contains(middle)
    assert not holed.intersects(middle)


def test_the_same_rows_lie_within_a_distance(store, layers):
    for name, reach in (("vaults", 250.0), ("drain_pipes", 60.0), ("sensitive_areas", 700.0)):
        frame, geometry = layers[name], store.tables[name].c.geometry
        for here in (Point(500300, 4207000), LineString([(499000, 4206000), (501000, 4208000)])):
            apart = shapely.distance(frame.geometry.values, here)
            near = sa.func.ST_DWithin(geometry, element(here), reach)
            assert found(store, name, near) == set(frame.index[apart <= reach])
            assert (apart <= reach).any()
            asked = sa.select(key_of(store, name), sa.func.ST_Distance(geometry, element(here)))
            told = dict(ask(store, asked.order_by(sa.literal_column("1"))))
            assert [told[key] for key in frame.index] == pytest.approx(apart, rel=1e-12, abs=1e-9)


def test_the_same_lengths_and_areas(store, layers):
    for name, frame in layers.items():
        geometry = store.tables[name].c.geometry
        measures = (sa.func.ST_Length(geometry), sa.func.ST_Area(geometry))
        told = {key: rest for key, *rest in ask(store, sa.select(key_of(store, name), *measures))}
        assert set(told) == set(frame.index)
        is_line = shapely.get_dimensions(frame.geometry.values) == 1
        length = np.where(is_line, frame.geometry.length, 0.0)
        lengths, sizes = zip(*(told[key] for key in frame.index), strict=True)
        assert lengths == pytest.approx(length, rel=1e-12)
        assert sizes == pytest.approx(frame.geometry.area.to_numpy(), rel=1e-12, abs=1e-9)


# Shapes of any kind, against each other

WHOLE = st.integers(-9, 9)
SPOTS = st.tuples(WHOLE, WHOLE)
POINTS = st.builds(Point, SPOTS)
LINES = st.lists(SPOTS, min_size=2, max_size=5, unique=True).map(LineString)
BOXES = st.tuples(WHOLE, WHOLE, st.integers(1, 9), st.integers(1, 9)).map(
    lambda at: box(at[0], at[1], at[0] + at[2], at[1] + at[3])
)
TRIANGLES = st.lists(SPOTS, min_size=3, max_size=3, unique=True).map(Polygon)
RINGS = st.tuples(BOXES, TRIANGLES).map(lambda pair: pair[0].difference(pair[1]))
SHAPES = st.one_of(
    POINTS,
    LINES,
    BOXES,
    TRIANGLES.filter(lambda shape: shape.is_valid),
    RINGS.filter(lambda shape: not shape.is_empty),
    st.lists(SPOTS, min_size=1, max_size=4, unique=True).map(MultiPoint),
)


@given(one=SHAPES, other=SHAPES, reach=st.integers(0, 12))
@example(one=Point(0, 0), other=Point(3, 4), reach=5)
@example(one=box(0, 0, 2, 2), other=box(2, 2, 4, 4), reach=0)
@example(one=Polygon(), other=Point(0, 0), reach=3)
@example(one=Point(), other=LineString(), reach=3)
@example(one=box(0, 0, 9, 9).difference(box(1, 1, 8, 8)), other=Point(4, 4), reach=3)
def test_shapes_of_any_kind_relate_alike(store, one, other, reach):
    apart = float(shapely.distance(one, other))
    # Between points whole numbers are exact; elsewhere the last digit may fall either way.
    assume(one.geom_type == other.geom_type == "Point" or not 0 < abs(apart - reach) < 1e-9)
    a, b = as_stored(one), as_stored(other)
    query = sa.select(
        sa.func.ST_Intersects(a, b),
        sa.func.ST_Within(a, b),
        sa.func.ST_Contains(a, b),
        sa.func.ST_DWithin(a, b, float(reach)),
        sa.func.ST_Distance(a, b),
        sa.func.ST_Area(a),
        sa.func.ST_Length(b),
        sa.func.ST_IsEmpty(a),
    )
    ((meets, within, contains, near, distance, area, length, is_empty),) = ask(store, query)
    assert bool(meets) == one.intersects(other)
    assert bool(within) == one.within(other)
    assert bool(contains) == one.contains(other)
    assert bool(near) == (apart <= reach)
    assert bool(is_empty) == one.is_empty
    if np.isnan(apart):
        assert distance is None
    else:
        assert distance == pytest.approx(apart, rel=1e-12, abs=1e-12)
    assert area == pytest.approx(one.area, rel=1e-12)
    assert length == pytest.approx(other.length if other.geom_type == "LineString" else 0)


def test_a_collection_measures_its_lines_and_its_areas(store):
    mixed = GeometryCollection([box(0, 0, 2, 3), LineString([(0, 0), (3, 4)]), Point(9, 9)])
    nested = GeometryCollection([mixed, MultiPolygon([box(5, 5, 6, 6)])])
    for shape, length, area in ((mixed, 5.0, 6.0), (nested, 5.0, 7.0)):
        there = as_stored(shape)
        (told,) = ask(store, sa.select(sa.func.ST_Length(there), sa.func.ST_Area(there)))
        assert tuple(told) == pytest.approx((length, area))


#: What the PostGIS manual prints below its examples.
HOUSE = "(743238 2967416,743238 2967450,743265 2967450,743265.625 2967416,743238 2967416)"
EXAMPLES = [
    ("ST_Intersects", "POINT(0 0)", "LINESTRING(2 0,0 2)", False),
    ("ST_Intersects", "POINT(0 0)", "LINESTRING(0 0,0 2)", True),
    ("ST_Length", f"LINESTRING{HOUSE}", None, 122.630744000095),
    ("ST_Area", f"POLYGON({HOUSE})", None, 928.625),
    (
        "ST_Distance",
        "POINT(-72.1235 42.3521)",
        "LINESTRING(-72.1260 42.45,-72.123 42.1546)",
        0.00150567726382282,
    ),
]


@pytest.mark.parametrize(("function", "one", "other", "printed"), EXAMPLES)
def test_figures_of_the_manual(store, function, one, other, printed):
    given_ = [sa.func.ST_GeomFromText(text, SRID) for text in (one, other) if text]
    ((told,),) = ask(store, sa.select(getattr(sa.func, function)(*given_)))
    assert told == pytest.approx(printed, rel=1e-12)


# The nearest inlet


def nearest_by_sql(store, points):
    """Keys of the inlets nearest to each point, all that are equally near, by plain SQL.

    The window grows until what it holds is surely nearest: nothing outside it can be nearer than
    its own half width.
    """
    inlets = store.tables["inlets"]
    nearest = {}
    with store.reading() as connection:
        for name, point in points.items():
            reach = 50.0
            while name not in nearest:
                window = (point.x - reach, point.y - reach, point.x + reach, point.y + reach)
                apart = sa.func.ST_Distance(inlets.c.geometry, element(point))
                query = sa.select(inlets.c.inlet_id, apart)
                query = query.where(touches_box(inlets.c.geometry, window))
                rows = connection.execute(query).all()
                least = min((distance for _, distance in rows), default=np.inf)
                if least <= reach:
                    nearest[name] = {key for key, distance in rows if distance == least}
                reach *= 2
    return nearest


def nearest_by_geopandas(vaults, inlets):
    joined = vaults[["geometry"]].sjoin_nearest(inlets[["geometry"]], distance_col="apart")
    return joined.groupby(level=0)["inlet_id"].agg(set).to_dict()


def by_program(vaults, inlets):
    """The program's choice where neither streets nor curbs are known, and nothing is too far."""
    snapped = snap_to_inlets(
        vaults.reset_index(),
        inlets.reset_index(),
        1 / M_PER_FT,
        settings=DrainageSettings(max_gutter_ft=1e6),
    )
    return dict(zip(vaults.index, inlets.index[snapped.first], strict=True))


def test_the_nearest_inlet_of_every_vault(store, layers):
    vaults, inlets = layers["vaults"], layers["inlets"]
    expected = nearest_by_geopandas(vaults, inlets)
    assert nearest_by_sql(store, vaults.geometry) == expected
    assert by_program(vaults, inlets) == {name: min(keys) for name, keys in expected.items()}
    assert len({min(keys) for keys in expected.values()}) > 300


@pytest.mark.postgis
def test_the_nearest_inlet_by_the_servers_own_order(postgis_server, demo_on_server, layers):
    expected = nearest_by_geopandas(layers["vaults"], layers["inlets"])
    nearest = """
        SELECT v.vault_id, i.inlet_id FROM vaults v CROSS JOIN LATERAL (
            SELECT inlet_id FROM inlets
            ORDER BY inlets.geometry <-> v.geometry, inlet_id COLLATE "C" LIMIT 1) i"""
    with (
        open_database(f"{postgis_server}/{demo_on_server}") as database,
        database.reading() as connection,
    ):
        told = dict(connection.exec_driver_sql(nearest).all())
    assert told == {name: min(keys) for name, keys in expected.items()}


@given(
    st.lists(SPOTS, min_size=1, max_size=12),
    st.lists(SPOTS, min_size=1, max_size=6, unique=True),
)
@example([(0, 0)], [(3, 4), (-3, 4), (5, 0), (0, -5)])
def test_of_inlets_equally_near_all_are_told_and_the_first_is_taken(places, spots):
    def frame(kind, at):
        index = [f"{kind}-{number:02d}" for number in range(len(at))]
        points = [Point(x, y) for x, y in at]
        named = gpd.GeoDataFrame({f"{kind}_id": index}, geometry=points, crs=f"EPSG:{SRID}")
        return named.set_index(f"{kind}_id")

    vaults, inlets = frame("vault", places), frame("inlet", spots)
    expected = nearest_by_geopandas(vaults, inlets)
    apart = shapely.distance(vaults.geometry.to_numpy()[:, None], inlets.geometry.to_numpy())
    for row, name in enumerate(vaults.index):
        assert expected[name] == set(inlets.index[apart[row] == apart[row].min()])
    assert by_program(vaults, inlets) == {name: min(keys) for name, keys in expected.items()}


@pytest.mark.parametrize("count", [4, 12])
def test_ties_are_told_by_both_stores(database, count):
    """Inlets on a circle of whole numbers: 5 from the middle in twelve directions."""
    around = [(5, 0), (-5, 0), (0, 5), (0, -5)]
    around += [(x * a, y * b) for x, y in ((3, 4), (4, 3)) for a in (1, -1) for b in (1, -1)]
    places = np.asarray(around[:count]) + np.array((500000, 4207000))
    inlets = gpd.GeoDataFrame(
        {"inlet_id": [f"I-{number:02d}" for number in range(count)], "node_id": "N"},
        geometry=[Point(place) for place in places],
        crs=f"EPSG:{SRID}",
    )
    with database.writing() as connection:
        upsert(connection, "inlets", table("inlets").conform(inlets))
    middle = gpd.GeoDataFrame(
        geometry=[Point(500000, 4207000)], index=["V"], crs=f"EPSG:{SRID}"
    ).rename_axis("vault_id")
    indexed = inlets.set_index("inlet_id")
    expected = nearest_by_geopandas(middle, indexed)
    assert len(expected["V"]) == count
    assert nearest_by_sql(database, middle.geometry) == expected
    if count <= CANDIDATES:
        assert by_program(middle, indexed) == {"V": "I-00"}
