"""Receiving waters and the waters they run into."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import pandas as pd
import shapely


def waters_passed(receiving_waters: pd.DataFrame) -> pd.Series[str]:
    """Return, for each water, the waters passed from it down, itself first, joined with ``;``.

    Parameters
    ----------
    receiving_waters
        water_id, downstream_water_id. A circle of waters is gone round once; a water below that
        the table does not list is the last one named.

    Examples
    --------
    >>> waters_passed(pd.DataFrame({"water_id": ["creek", "bay"],
    ...                             "downstream_water_id": ["bay", None]})).to_dict()
    {'creek': 'creek;bay', 'bay': 'bay'}
    """
    known = receiving_waters.dropna(subset=["water_id"])
    below = dict(zip(known["water_id"], known["downstream_water_id"], strict=True))
    chains: dict[str, str] = {}
    for water_id in below:
        chain: dict[str, None] = {}
        here = water_id
        while isinstance(here, str) and here not in chain:
            chain[here] = None
            here = below.get(here)
        chains[water_id] = ";".join(chain)
    return pd.Series(chains, dtype="str")


def waters_of_outfalls(outfalls: pd.DataFrame, receiving_waters: pd.DataFrame) -> pd.Series[str]:
    """Return, by ``outfall_id``, the waters passed from there down, joined with ``;``.

    Blank where an outfall names no water that is listed.
    """
    passed = outfalls["water_id"].map(waters_passed(receiving_waters))
    return pd.Series(passed.to_numpy(dtype=object), outfalls["outfall_id"], dtype="str")


def feet_to_waters(
    outfalls: gpd.GeoDataFrame, receiving_waters: gpd.GeoDataFrame, unit_ft: float
) -> pd.Series[str]:
    """Return, by ``outfall_id``, how far down each water begins, as ``water_id=feet`` with ``;``.

    Parameters
    ----------
    outfalls, receiving_waters
        Tables of those names, in one projected CRS.
    unit_ft
        Feet in a unit of that CRS.

    Notes
    -----
    Along a creek drawn as one line the feet are measured on the line, from where the outfall or the
    water above comes to it to where it comes nearest to the water below; across any other shape
    in a straight line, which is the least that it can be. A water without a place ends the list.
    """
    waters = receiving_waters.dropna(subset=["water_id"]).drop_duplicates("water_id")
    shape = dict(zip(waters["water_id"], waters.geometry, strict=True))
    passed = waters_of_outfalls(outfalls, receiving_waters)
    steps: dict[tuple[str, str], Any] = {}
    told: list[str | None] = []
    for outfall, chain in zip(outfalls.geometry, passed, strict=True):
        is_known = isinstance(chain, str) and outfall is not None and not outfall.is_empty
        told.append(_feet_down(outfall, chain, shape, steps, unit_ft) if is_known else None)
    return pd.Series(told, passed.index, dtype="str")


def _feet_down(
    outfall: Any, chain: str, shape: dict[str, Any], steps: dict[tuple[str, str], Any], unit: float
) -> str:
    names, here, run, words = chain.split(";"), outfall, 0.0, []
    for name, below in zip(names, [*names[1:], None], strict=True):
        own = shape.get(name)
        if own is None or own.is_empty:
            break
        words.append(f"{name}={run * unit:.0f}")
        following = shape.get(below) if below is not None else None
        if following is None or following.is_empty:
            break
        if (name, str(below)) not in steps:
            steps[name, str(below)] = shapely.get_point(shapely.shortest_line(own, following), 0)
        leave = steps[name, str(below)]
        if own.geom_type == "LineString":
            run += abs(own.project(leave) - own.project(here))
        else:
            run += here.distance(leave)
        here = leave
    return ";".join(words)
