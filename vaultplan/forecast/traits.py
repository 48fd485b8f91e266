"""What each vault is like on paper, as columns from which the fleet's likes can be told."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

from vaultplan.forecast.readings import Readings
from vaultplan.units import in_from_ft

Floats = npt.NDArray[np.float64]

NEIGHBOURS: Final = 8
CLASSES: Final = ("kind", "setting", "shape", "lid", "soil_group", "land_use")
MOST_LEVELS: Final = 10


def traits(vaults: pd.DataFrame, rooms: pd.DataFrame, readings: Readings) -> Floats:
    """Return the vaults' static columns (q, vaults), standardised, the first one constant.

    Parameters
    ----------
    vaults
        Schema table ``vaults``, sorted by ``vault_id``.
    rooms
        From :func:`vaultplan.forecast.vaults.vault_rooms`, same rows.
    readings
        Readings of those vaults; they enter only as the mean fill of each vault's nearest
        neighbours, without its own.

    Notes
    -----
    A blank value lies at the mean of its column (0 after standardising): it says nothing.
    """
    columns = [np.ones(len(vaults))]
    depth = rooms["depth_in"].to_numpy(float)
    groundwater = depth - in_from_ft(vaults["water_table_ft"].to_numpy(float))
    numbers = [
        np.log(rooms["area_sqft"].to_numpy(float)),
        np.log(depth),
        np.log1p(vaults["water_table_ft"].to_numpy(float)),
        np.clip(groundwater / depth, 0.0, 1.0),
        vaults["rim_elev_ft"].to_numpy(float),
        vaults["has_irrigation"].astype("Float64").to_numpy(float, na_value=np.nan),
        _neighbour_fill(vaults, depth, readings),
    ]
    columns += [_standard(number) for number in numbers]
    for name in CLASSES:
        values = vaults[name]
        counts = values.value_counts()
        levels = sorted(counts[counts >= max(0.01 * len(values), 5)].index)[:MOST_LEVELS]
        for level in levels[1:]:
            dummy = values.eq(level).astype(float).to_numpy()
            columns.append(_standard(np.where(values.isna(), np.nan, dummy)))
    return np.stack(columns)


def _neighbour_fill(vaults: pd.DataFrame, depth: Floats, readings: Readings) -> Floats:
    """Return the mean fill of the readings at the nearest visited vaults, the own left out."""
    count = np.diff(readings.start)
    owner = np.repeat(np.arange(len(vaults)), count)
    total = np.bincount(owner, readings.depth_in / depth[owner], minlength=len(vaults))
    blank = np.full(len(vaults), np.nan)
    if "geometry" not in vaults:
        return blank
    placed = vaults.geometry.notna().to_numpy(bool)
    visited = np.flatnonzero((count > 0) & placed)
    if len(visited) < 2:
        return blank
    where = np.full((len(vaults), 2), np.nan)
    where[placed, 0] = vaults.geometry[placed].x
    where[placed, 1] = vaults.geometry[placed].y
    asked = np.flatnonzero(placed)
    near = min(NEIGHBOURS + 1, len(visited))
    found = visited[cKDTree(where[visited]).query(where[asked], k=near)[1]]
    other = found != asked[:, None]
    other[:, -1] &= ~other[:, :-1].all(axis=1) | (near <= NEIGHBOURS)
    overall = total.sum() / count.sum()
    rows = np.where(other, count[found], 0).sum(axis=1)
    fill = np.where(other, total[found], 0.0).sum(axis=1)
    blank[asked] = (fill + 3.0 * overall) / (rows + 3.0)
    return blank


def _standard(values: Floats) -> Floats:
    known = values[np.isfinite(values)]
    spread = known.std() if len(known) else 0.0
    if spread < 1e-9:
        return np.zeros(len(values))
    return np.where(np.isfinite(values), (values - known.mean()) / spread, 0.0)
