"""The chance of a wet day, from the members of the latest rain outlook."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.geometry import require_same_crs


def wet_day_chance(
    rain_outlook: pd.DataFrame, *, known_until: pd.Timestamp, wet_day_in: float
) -> pd.DataFrame:
    """Return, for each gauge and day of its latest outlook, the share of members that are wet.

    Parameters
    ----------
    rain_outlook
        Table ``rain_outlook``; an older outlook of a gauge is dropped whole, even for days that the
        latest one does not reach.
    known_until
        Outlooks issued at or after this moment are not looked at.
    wet_day_in
        Rain from which a day is wet, inches.

    Returns
    -------
    pandas.DataFrame
        gauge_id, on, prob_wet_day.
    """
    known = rain_outlook[rain_outlook["issued_at"] < known_until]
    newest = known.groupby("gauge_id")["issued_at"].transform("max")
    latest = known[known["issued_at"] == newest]
    wet = (latest["rain_in"] >= wet_day_in).astype("float64")
    chance = wet.groupby([latest["gauge_id"], latest["falls_on"]]).mean()
    named = chance.rename("prob_wet_day").reset_index()
    return named.rename(columns={"falls_on": "on"})


def wet_members(
    rain_outlook: pd.DataFrame, *, known_until: pd.Timestamp, wet_day_in: float
) -> dict[tuple[str, pd.Timestamp], npt.NDArray[np.bool_]]:
    """Return, by gauge and day of its latest outlook, whether each member makes the day wet.

    Members are in the order of their numbers; the same number is the same future at every gauge.
    """
    known = rain_outlook[rain_outlook["issued_at"] < known_until]
    newest = known.groupby("gauge_id")["issued_at"].transform("max")
    latest = known[known["issued_at"] == newest].sort_values("member")
    wet = latest["rain_in"] >= wet_day_in
    return {
        (str(gauge), pd.Timestamp(str(day))): flags.to_numpy(bool)
        for (gauge, day), flags in wet.groupby([latest["gauge_id"], latest["falls_on"]])
    }


def gauges_with_outlook(
    vaults: gpd.GeoDataFrame,
    gauges: gpd.GeoDataFrame,
    rain_outlook: pd.DataFrame,
    *,
    known_until: pd.Timestamp,
) -> pd.Series[Any]:
    """Return the gauge whose outlook stands for each vault: its own, else the nearest with one.

    Parameters
    ----------
    vaults
        gauge_id, which may be blank, and point.
    gauges
        gauge_id and point.
    rain_outlook
        gauge_id, issued_at.
    known_until
        Outlooks issued at or after this moment are not looked at.

    Returns
    -------
    pandas.Series
        Gauge ids in the index of the vaults; a vault stays as it is where it, or every gauge with
        an outlook, is not on the map.

    Raises
    ------
    CRSError
        If the tables differ in CRS or have none.
    """
    known = rain_outlook.loc[rain_outlook["issued_at"] < known_until, "gauge_id"].unique()
    own: pd.Series[Any] = vaults["gauge_id"]
    near = gauges[gauges["gauge_id"].isin(known) & _is_placed(gauges)].sort_values("gauge_id")
    lost = ~own.isin(known) & _is_placed(vaults)
    if not lost.any() or near.empty:
        return own
    require_same_crs(vaults=vaults, gauges=near)
    tree = shapely.STRtree(near.geometry.to_numpy())
    nearest = near["gauge_id"].to_numpy()[tree.nearest(vaults.geometry[lost].to_numpy())]
    filled = own.to_numpy(dtype=object).copy()
    filled[np.flatnonzero(lost)] = nearest
    return pd.Series(filled, own.index, dtype="str")


def _is_placed(frame: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    shapes = frame.geometry.to_numpy()
    return np.asarray(~(shapely.is_missing(shapes) | shapely.is_empty(shapes)), dtype=bool)
