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

#: Scatter of a size's logarithm: where too few of its kind are known to tell, and its bounds, so
#: that a size nobody measured is never sure; assumed.
UNKNOWN_LOG_SD, LEAST_LOG_SD, MOST_LOG_SD = 0.35, 0.05, 0.8
FEWEST_OF_KIND: Final = 5
SD_TO_P90: Final = 1.2816
DEEPEST_IN: Final = 300.0  # deeper readings are entries gone wrong; assumed


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
        ``vault_id``, ``area_sqft`` (plan area less gear), ``depth_in``, ``capacity_gal``;
        ``is_measured``: False where a dimension is the median of the vault's kind and shape, taken
        here or, by ``imputed``, when it was loaded; ``depth_log_sd`` and ``size_log_sd``: standard
        deviation of the logarithm of depth and of capacity, 0 where all is measured.

    Notes
    -----
    How far a size that was filled in may be off is the scatter of the logarithms of its like's
    sizes, or, by ``imputed``, a band from the 10th to the 90th percentile. Walls are taken as
    upright and gear as spread evenly over the depth, so that gallons are
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
    doubt = {
        "length_ft": np.where(length_known, 0.0, _log_sd(vaults["length_ft"], group)),
        "width_ft": np.where(width_known | is_round, 0.0, _log_sd(vaults["width_ft"], group)),
        "depth_ft": np.where(depth_known, 0.0, _log_sd(vaults["depth_ft"], group)),
    }
    if "imputed" in vaults:
        is_measured &= vaults["imputed"].isna().to_numpy(bool)
        for name in doubt:
            doubt[name] = np.maximum(doubt[name], _imputed_log_sd(vaults["imputed"], name))
    # A round room's area goes with the square of its one length.
    across = np.where(is_round, 2.0, 1.0) * doubt["length_ft"]
    return pd.DataFrame(
        {
            "vault_id": vaults["vault_id"].to_numpy(),
            "area_sqft": area,
            "depth_in": in_from_ft(depth),
            "capacity_gal": gal_from_cuft(area * depth),
            "is_measured": is_measured,
            "depth_log_sd": doubt["depth_ft"],
            "size_log_sd": np.sqrt(across**2 + doubt["width_ft"] ** 2 + doubt["depth_ft"] ** 2),
        },
        index=vaults.index,
    )


def no_shallower(rooms: pd.DataFrame, found_in: Floats) -> pd.DataFrame:
    """Return the rooms, those of unmeasured depth at least as deep as the water once found there.

    ``found_in`` is the deepest reading of each vault, 0 if there is none.
    """
    depth = rooms["depth_in"].to_numpy(float)
    unsure = rooms["depth_log_sd"].to_numpy(float) > 0.0
    deeper = np.where(unsure & (found_in > depth) & (found_in <= DEEPEST_IN), found_in, depth)
    capacity = rooms["capacity_gal"].to_numpy(float) * deeper / depth
    return rooms.assign(depth_in=deeper, capacity_gal=capacity)


def gallons(depth_in: Floats, room_depth_in: Floats, capacity_gal: Floats) -> Floats:
    """Return gallons of water standing ``depth_in`` deep in rooms with upright walls."""
    filled: Floats = np.clip(depth_in / room_depth_in, 0.0, 1.0) * capacity_gal
    return filled


def _log_sd(values: pd.Series[float], group: pd.DataFrame) -> Floats:
    """Return the scatter of a size's logarithm within each vault's kind and shape."""
    logs = pd.Series(np.log(values.where(values > 0).to_numpy(float)), index=group.index)
    by = logs.groupby([group["kind"], group["round"]])
    own = by.transform("std").where(by.transform("count") >= FEWEST_OF_KIND)
    overall = logs.std() if logs.notna().sum() >= FEWEST_OF_KIND else UNKNOWN_LOG_SD
    scatter: Floats = own.fillna(overall).clip(LEAST_LOG_SD, MOST_LOG_SD).to_numpy(float)
    return scatter


def _imputed_log_sd(imputed: pd.Series[str], name: str) -> Floats:
    """Return the scatter that ``name=low-high`` tells of, 0 where it says nothing of the size."""
    scatter = np.zeros(len(imputed))
    noted = np.flatnonzero(imputed.notna().to_numpy(bool))
    words = imputed.iloc[noted].astype("str")
    found = words.str.extract(rf"(?:^|;)\s*{name}=([\d.]+)-([\d.]+)")
    low, high = (pd.to_numeric(found[side], errors="coerce") for side in (0, 1))
    told = ((low > 0) & (high > 0)).to_numpy(bool)
    ratio = (high[told] / low[told]).to_numpy(float)
    wide = np.abs(np.log(ratio)) / (2.0 * SD_TO_P90)
    scatter[noted[told]] = np.clip(wide, LEAST_LOG_SD, MOST_LOG_SD)
    return scatter


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
