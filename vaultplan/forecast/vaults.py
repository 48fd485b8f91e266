"""The room a vault leaves for water: net plan area, depth and capacity."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.units import gal_from_cuft, in_from_ft

Floats = npt.NDArray[np.float64]

#: Inside sizes for a fleet in which nobody ever measured a vault (ft); assumed.
UNMEASURED_FT: Final = {"length_ft": 8.0, "width_ft": 6.0, "depth_ft": 7.0}
#: Gear never takes more than this share, or a forecast would have no room to speak of; assumed.
MOST_GEAR_FRAC: Final = 0.9


def vault_rooms(vaults: pd.DataFrame, *, gear_frac: float) -> pd.DataFrame:
    """Return how much water each vault can hold, one row per vault in the order given.

    Parameters
    ----------
    vaults
        ``vault_id``, ``kind``, ``shape``, ``length_ft`` (diameter if round), ``width_ft``,
        ``depth_ft``, ``gear_frac``; ``imputed`` if known.
    gear_frac
        Share of the room that gear takes where ``vaults.gear_frac`` is blank.

    Returns
    -------
    pandas.DataFrame
        ``vault_id``, ``area_sqft`` (plan area less gear), ``depth_in``, ``capacity_gal`` and
        ``is_measured``: False where a dimension is the median of the vault's kind and shape, taken
        here or, by ``imputed``, when it was loaded.

    Notes
    -----
    Walls are taken as upright and gear as spread evenly over the depth, so that gallons are
    ``area_sqft * depth_ft * 1728 / 231``. A blank shape counts as rectangular.

    Examples
    --------
    >>> one = pd.DataFrame({"vault_id": ["V1"], "kind": ["vault"], "shape": ["rectangular"],
    ...     "length_ft": [4.0], "width_ft": [4.0], "depth_ft": [1.0], "gear_frac": [0.0]})
    >>> round(float(vault_rooms(one, gear_frac=0.15)["capacity_gal"].iloc[0]), 4)
    119.6883
    """
    is_round = vaults["shape"].eq("round").fillna(False).to_numpy(bool)
    group = pd.DataFrame(
        {"kind": vaults["kind"].fillna("").to_numpy(), "round": is_round}, index=vaults.index
    )
    length, length_known = _filled(vaults["length_ft"], group, "length_ft")
    width, width_known = _filled(vaults["width_ft"].mask(is_round), group, "width_ft")
    depth, depth_known = _filled(vaults["depth_ft"], group, "depth_ft")
    gross = np.where(is_round, np.pi / 4.0 * length**2, length * width)
    gear = vaults["gear_frac"].fillna(gear_frac).clip(0.0, MOST_GEAR_FRAC).to_numpy(float)
    area = gross * (1.0 - gear)
    is_measured = length_known & depth_known & (width_known | is_round)
    if "imputed" in vaults:
        is_measured &= vaults["imputed"].isna().to_numpy(bool)
    return pd.DataFrame(
        {
            "vault_id": vaults["vault_id"].to_numpy(),
            "area_sqft": area,
            "depth_in": in_from_ft(depth),
            "capacity_gal": gal_from_cuft(area * depth),
            "is_measured": is_measured,
        },
        index=vaults.index,
    )


def gallons(depth_in: Floats, room_depth_in: Floats, capacity_gal: Floats) -> Floats:
    """Return gallons of water standing ``depth_in`` deep in rooms with upright walls."""
    filled: Floats = np.clip(depth_in / room_depth_in, 0.0, 1.0) * capacity_gal
    return filled


def _filled(
    values: pd.Series[float], group: pd.DataFrame, name: str
) -> tuple[Floats, npt.NDArray[np.bool_]]:
    known = values.where(values > 0)
    by_class = known.groupby([group["kind"], group["round"]]).transform("median")
    by_shape = known.groupby(group["round"]).transform("median")
    overall = known.median() if known.notna().any() else UNMEASURED_FT[name]
    filled = known.fillna(by_class).fillna(by_shape).fillna(overall)
    values_ft: Floats = np.asarray(filled, dtype=np.float64)
    return values_ft, known.notna().to_numpy(bool)
