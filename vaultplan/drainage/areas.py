"""Drainage areas: the outfall of a vault whose path through the pipes is not known."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.drainage.follow import BoolArray, IntArray
from vaultplan.drainage.places import spots_of


def outfalls_by_area(
    vaults: gpd.GeoDataFrame,
    asked: BoolArray,
    drainage_areas: gpd.GeoDataFrame,
    outfalls: pd.DataFrame,
) -> tuple[IntArray, npt.NDArray[Any]]:
    """Return the row of the outfall by area (-1: none), and others whose areas hold the vault too.

    Parameters
    ----------
    vaults, asked
        Points, and which of them are looked up.
    drainage_areas, outfalls
        Tables of those names. Of areas that overlap, the first outfall in text order is named
        and the others come as ``outfall_id=share``, all alike: nobody knows better.
    """
    row = np.full(len(vaults), -1, dtype=np.int64)
    others = np.full(len(vaults), None, dtype=object)
    points = spots_of(vaults)
    at = np.flatnonzero(asked & np.isfinite(points).all(axis=1))
    if not len(at) or not len(drainage_areas):
        return row, others
    tree = shapely.STRtree(drainage_areas.geometry.to_numpy())
    vault, area = tree.query(shapely.points(points[at]), predicate="intersects")
    named = drainage_areas["outfall_id"].to_numpy(dtype=object)[area]
    found = pd.DataFrame({"vault": at[vault], "outfall": named}).drop_duplicates()
    place = pd.Index(outfalls["outfall_id"]).get_indexer(pd.Index(found["outfall"]))
    found = found.assign(row=place)[place >= 0].sort_values(["vault", "outfall"])
    first = found.drop_duplicates("vault")
    row[first["vault"].to_numpy()] = first["row"].to_numpy()
    each = 1.0 / found.groupby("vault")["outfall"].transform("size")
    told = found["outfall"] + "=" + each.map("{:.2f}".format).astype("str")
    rest = told[found.duplicated("vault")].groupby(found["vault"]).agg(";".join)
    others[rest.index.to_numpy()] = rest.to_numpy(dtype=object)
    return row, others
