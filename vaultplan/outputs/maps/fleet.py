"""What a map of a large fleet shows: hexes for all vaults, points for those that matter now."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import h3
import numpy as np
import pandas as pd

from vaultplan import schema
from vaultplan.geometry import LONLAT
from vaultplan.outputs.maps.lines import Grid
from vaultplan.outputs.plan_view import part

#: h3 resolution: hexes of about 1.4 km edge, some thousands for a large fleet.
RESOLUTION: Final = 7


def planned_vaults(frames: schema.Frames) -> set[str]:
    """Return the vaults of planned stops and of orders that were left out."""
    stops, unserved = part(frames, "plan_stops"), part(frames, "plan_unserved")
    return set(stops["vault_id"].dropna()) | set(unserved["vault_id"])


def shown_vaults(frames: schema.Frames, vaults: pd.DataFrame, limit: int) -> pd.Series[Any]:
    """Return which vaults become points on the map, at most ``limit`` besides the week's own.

    The week's vaults come first, then those of ranked orders by rank, then the most expected
    dirty gallons. Columns required: vault_id, volume_gal_mean, prob_light, prob_heavy.
    """
    if len(vaults) <= limit:
        return pd.Series(True, index=vaults.index)
    is_planned = vaults["vault_id"].isin(planned_vaults(frames))
    ranks = part(frames, "rankings").groupby("vault_id")["rank"].min()
    rank = vaults["vault_id"].map(ranks).astype("Float64").astype(float).fillna(np.inf)
    dirty = vaults["volume_gal_mean"] * (vaults["prob_light"] + vaults["prob_heavy"])
    order = np.lexsort([-dirty.fillna(0.0), rank, ~is_planned])
    shown = np.zeros(len(vaults), bool)
    shown[order[: max(limit, int(is_planned.sum()))]] = True
    return pd.Series(shown, index=vaults.index)


def hexes(vaults: gpd.GeoDataFrame, planned: set[str], grid: Grid) -> dict[str, list[Any]]:
    """Return the fleet counted in hexes of h3 resolution 7.

    Per hex: ``ring`` (steps), ``count`` of vaults, ``known`` of them with grade chances, ``dirty``
    (mean chance of light or heavy, percent; None without any), ``gal`` (sum of expected gallons)
    and ``week`` (vaults in this week's plan). Columns required: vault_id, volume_gal_mean,
    prob_light, prob_heavy.
    """
    placed = vaults[vaults.geometry.notna()]
    degrees = placed.geometry.to_crs(LONLAT)
    lat, lon = degrees.y.to_numpy(float), degrees.x.to_numpy(float)
    cells = [h3.latlng_to_cell(y, x, RESOLUTION) for y, x in zip(lat, lon, strict=True)]
    dirty = placed["prob_light"].to_numpy(float) + placed["prob_heavy"].to_numpy(float)
    by_cell = pd.DataFrame(
        {
            "cell": cells,
            "dirty": dirty,
            "gal": placed["volume_gal_mean"].to_numpy(float),
            "week": placed["vault_id"].isin(planned).to_numpy(),
        }
    ).groupby("cell", sort=True)
    counts = by_cell.agg(
        count=("cell", "size"),
        known=("dirty", "count"),
        dirty=("dirty", "mean"),
        gal=("gal", "sum"),
        week=("week", "sum"),
    )
    return {
        "ring": [hex_ring(cell, grid) for cell in counts.index],
        "count": counts["count"].tolist(),
        "known": counts["known"].tolist(),
        "dirty": [None if np.isnan(share) else round(share * 100) for share in counts["dirty"]],
        "gal": counts["gal"].round().astype(int).tolist(),
        "week": counts["week"].astype(int).tolist(),
    }


def hex_ring(cell: str, grid: Grid) -> list[int]:
    """Return the edge of an h3 cell: first corner, then differences, in steps."""
    edge = np.array(h3.cell_to_boundary(cell))[:, ::-1]
    steps = grid.steps(np.vstack([edge, edge[:1]]))
    return [*steps[0].tolist(), *np.diff(steps, axis=0).ravel().tolist()]
