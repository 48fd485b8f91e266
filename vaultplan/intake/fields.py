"""How full and how plausible each field of a table is, district by district."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from vaultplan.columns import Table
from vaultplan.geometry import feet_per_unit
from vaultplan.intake.plausible import Broken, Linked, Mask, Positions
from vaultplan.schema import Frames, table

FIELD_COLUMNS: Final = (
    *("table", "district", "column", "rows", "filled", "completeness", "implausible"),
    *("plausibility", "blank_is_fine"),
)
EVERYWHERE: Final = "(all)"
#: A drain belongs to the district of the nearest vault within this; assumed.
_NEAR_MI: Final = 0.5
_FT_PER_MI: Final = 5280.0
_DRAINS: Final = ("drain_pipes", "inlets", "outfalls")


def fields_of(
    linked: Linked, declared: Table, faults: Iterable[Broken], fine: Collection[str]
) -> pd.DataFrame:
    """Return, for one table that has rows, a row per column and district: ``FIELD_COLUMNS``.

    ``faults`` are what is wrong with its rows, ``fine`` the columns whose blanks may be meant.
    """
    frame = linked.frames[declared.name]
    codes, districts = _district_of(linked, declared.name)
    count = len(districts)
    rows = np.bincount(codes, minlength=count)
    doubted: dict[str, Mask] = {}
    for fault in faults:
        if fault.doubts and fault.where.any():
            for name in fault.column.split(", "):
                known = doubted.get(name)
                doubted[name] = fault.where if known is None else known | fault.where
    parts = []
    for column in declared.columns:
        is_filled = frame[column.name].notna().to_numpy(dtype=bool)
        filled = np.bincount(codes[is_filled], minlength=count)
        odd = np.zeros(count, dtype=np.int64)
        if column.name in doubted:
            odd = np.bincount(codes[is_filled & doubted[column.name]], minlength=count)
        told = _field(districts, rows, filled, odd)
        told.insert(0, "table", declared.name)
        told.insert(2, "column", column.name)
        parts.append(told.assign(blank_is_fine=column.name in fine))
    return pd.concat(parts, ignore_index=True)


def _field(
    districts: list[str],
    rows: npt.NDArray[np.int64],
    filled: npt.NDArray[np.int64],
    odd: npt.NDArray[np.int64],
) -> pd.DataFrame:
    """Return the counts of one column by district, and of all together."""
    held = rows > 0
    kept = [district for district, is_held in zip(districts, held, strict=True) if is_held]
    rows, filled, odd = (np.append(each[held], each.sum()) for each in (rows, filled, odd))
    with np.errstate(invalid="ignore", divide="ignore"):
        plausibility = 1.0 - odd / np.where(filled > 0, filled, np.nan)
    return pd.DataFrame(
        {
            "district": [*kept, EVERYWHERE],
            "rows": rows,
            "filled": filled,
            "completeness": filled / rows,
            "implausible": odd,
            "plausibility": plausibility,
        }
    )


def _district_of(linked: Linked, name: str) -> tuple[Positions, list[str]]:
    """Return the number of each row's district, and the districts; the first is ``''``."""
    frames = linked.frames
    everywhere = np.zeros(len(frames[name]), dtype=np.int64)
    if not linked.has("vaults"):
        return everywhere, [""]
    own, names = linked.numbered("vaults", "district")
    own, districts = own + 1, ["", *names.astype("str")]
    if name == "vaults":
        return own, districts
    if name in _DRAINS:
        at = _nearest_vault(frames, name)
    elif name == "samples" and linked.has("visits"):
        visit = linked.rows_of("samples", "visit_id", "visits", "visit_id")
        of_visit = linked.rows_of("visits", "vault_id", "vaults", "vault_id")
        at = np.where(visit < 0, -1, of_visit[visit])
    elif "vault_id" in table(name).column_names:
        at = linked.rows_of(name, "vault_id", "vaults", "vault_id")
    else:
        return everywhere, [""]
    return np.append(own, 0)[np.where(at < 0, len(own), at)], districts


def _nearest_vault(frames: Frames, name: str) -> Positions:
    """Return the row of the vault nearest to the middle of each shape; -1 if none is near."""
    drains, vaults = frames[name], frames["vaults"]
    found = np.full(len(drains), -1, dtype=np.int64)
    crs = getattr(drains, "crs", None)
    if crs is None or crs != getattr(vaults, "crs", None):
        return found
    shapes = drains["geometry"].to_numpy()
    if name == "drain_pipes":
        shapes = shapely.line_interpolate_point(shapes, 0.5, normalized=True)
    here, there = _xy(shapes), _xy(vaults["geometry"].to_numpy())
    placed, held = np.isfinite(here).all(axis=1), np.flatnonzero(np.isfinite(there).all(axis=1))
    if not placed.any() or not len(held):
        return found
    reach = _NEAR_MI * _FT_PER_MI / feet_per_unit(vaults)
    _, nearest = cKDTree(there[held]).query(here[placed], distance_upper_bound=reach)
    found[placed] = np.append(held, -1)[nearest]
    return found


def _xy(shapes: Any) -> npt.NDArray[np.float64]:
    return np.column_stack([shapely.get_x(shapes), shapely.get_y(shapes)])
