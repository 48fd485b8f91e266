"""How many of the vaults looked at in a quarter of the year held dirty water."""

from __future__ import annotations

from dataclasses import asdict
from typing import Final

import numpy as np
import pandas as pd
from scipy import stats

from vaultplan.analysis.trends import trend_of

#: A quarter in which fewer vaults were looked at has no share.
LEAST_LOOKED: Final = 10
_GRADES: Final = {"clear": 0, "light": 1, "heavy": 2}


def quarters(
    visits: pd.DataFrame, group: pd.Series[str], time_zone: str, least_grade: str = "light"
) -> pd.DataFrame:
    """Return the share of vaults seen dirty by group and quarter.

    Parameters
    ----------
    visits
        ``vault_id``, ``visited_at``, ``grade``.
    group
        Group of each vault, by vault_id; vaults without one are left out.
    least_grade
        What counts as dirty: this look or worse.

    Returns
    -------
    pandas.DataFrame
        ``group``, ``year``, ``quarter`` (1 to 4), ``looked_count`` (vaults graded in the quarter),
        ``dirty_count``, ``dirty_frac`` (NaN where fewer than ten were looked at).

    Notes
    -----
    A vault counts once a quarter, by its worst look: who comes back to a dirty vault ten times has
    found one. Which vaults are looked at is nobody's draw; a share can change because others are
    visited.
    """
    graded = visits[visits["grade"].notna()]
    local = graded["visited_at"].dt.tz_convert(time_zone)
    looks = pd.DataFrame(
        {
            "group": graded["vault_id"].map(group),
            "vault_id": graded["vault_id"],
            "year": local.dt.year,
            "quarter": local.dt.quarter,
            "grade": graded["grade"].map(_GRADES).astype(int),
        }
    ).dropna(subset="group")
    key = ["group", "year", "quarter"]
    worst = looks.groupby([*key, "vault_id"], observed=True)["grade"].max()
    is_dirty = worst >= _GRADES[least_grade]
    counted = is_dirty.groupby(level=key).agg(looked_count="size", dirty_count="sum").reset_index()
    share = counted["dirty_count"] / counted["looked_count"]
    is_enough = counted["looked_count"] >= LEAST_LOOKED
    return counted.assign(dirty_frac=share.where(is_enough).astype("float64"))


def trends(told: pd.DataFrame) -> pd.DataFrame:
    """Return the trend of each group's share over the quarters.

    Columns: ``group``, ``looked_count`` and ``dirty_count`` of all quarters, those of
    :class:`vaultplan.analysis.trends.Trend` (``slope`` in shares a year), seasonal, with the
    quarters of a year taken to hang together, and ``chance_adjusted``: where trends are held to be
    real below some level of it, so many of them are not, at most (Benjamini and Hochberg 1995,
    Journal of the Royal Statistical Society B 57(1):289-300).
    """
    rows = []
    for name, mine in told.groupby("group", sort=True):
        season = mine["quarter"].to_numpy(np.int64)
        found = trend_of(
            mine["dirty_frac"].to_numpy(float),
            mine["year"].to_numpy(float) + (season - 1) / 4.0,
            season,
            is_dependent=True,
        )
        sums = {column: int(mine[column].sum()) for column in ("looked_count", "dirty_count")}
        rows.append({"group": name, **sums, **asdict(found)})
    columns = [
        *("group", "looked_count", "dirty_count", "count", "score", "variance", "chance"),
        *("slope", "slope_low", "slope_high"),
    ]
    told_of = pd.DataFrame(rows, columns=columns)
    known = told_of["chance"].notna()
    adjusted = pd.Series(np.nan, index=told_of.index)
    if known.any():
        adjusted[known] = stats.false_discovery_control(told_of.loc[known, "chance"].astype(float))
    return told_of.assign(chance_adjusted=adjusted)
