"""A town of a few streets, drawn in metres at the open-sea origin, with lengths given in feet."""

from types import SimpleNamespace

import geopandas as gpd
import pandas as pd
import pytest
from shapely import LineString, Point, box

from vaultplan.schema import table

CRS = "EPSG:32606"
X0, Y0 = 500_000.0, 4_206_000.0


def at(x, y):
    return Point(X0 + x, Y0 + y)


def _frame(name, rows):
    if not rows:
        return table(name).empty(CRS)
    return table(name).conform(gpd.GeoDataFrame(rows, geometry="geometry", crs=CRS))


def make_vaults(**places):
    return _frame("vaults", [{"vault_id": k, "geometry": at(*v)} for k, v in places.items()])


def make_inlets(**places):
    """Give ``name=(x, y, node)``."""
    return _frame(
        "inlets",
        [
            {"inlet_id": name, "node_id": node, "geometry": at(x, y)}
            for name, (x, y, node) in places.items()
        ],
    )


def make_pipes(*rows, line=True):
    """Give ``(id, from, to, length_ft, extras)``; each 10 m long and far apart if not drawn."""
    made = []
    for number, row in enumerate(rows):
        pipe_id, start, stop, length_ft, *extra = row
        more = dict(extra[0]) if extra else {}
        where = 1000 * (number + 1)  # far from all else, so that no gap is bridged by chance
        shape = LineString([at(0, where), at(10, where)]) if line else None
        made.append(
            {
                "pipe_id": pipe_id,
                "from_node": start,
                "to_node": stop,
                "length_ft": length_ft,
                "geometry": shape,
                **more,
            }
        )
    return _frame("drain_pipes", made)


def make_outfalls(*rows):
    """Give ``(id, node, water)`` or ``(id, node, water, x, y)``."""
    return _frame(
        "outfalls",
        [
            {
                "outfall_id": row[0],
                "node_id": row[1],
                "water_id": row[2],
                "geometry": at(*(row[3:] or (100, 0))),
            }
            for row in rows
        ],
    )


def make_waters(**below):
    return _frame(
        "receiving_waters",
        [
            {
                "water_id": name,
                "name": name.title(),
                "downstream_water_id": down,
                "geometry": box(X0, Y0, X0 + 1, Y0 + 1),
            }
            for name, down in below.items()
        ],
    )


@pytest.fixture
def town():
    return SimpleNamespace(
        at=at,
        vaults=make_vaults,
        inlets=make_inlets,
        pipes=make_pipes,
        outfalls=make_outfalls,
        waters=make_waters,
        pd=pd,
    )
