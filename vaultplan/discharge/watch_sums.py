"""Gallons that a week's discharges add up to: by water, outfall and day, and beside the caps."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.discharge.ways import ways_out

Floats = npt.NDArray[np.float64]
_SUMS: Final = ("discharges", "volume_gal_p10", "volume_gal_p50", "volume_gal_p90", "days_gone")


def add_up(
    listed: pd.DataFrame, by: Sequence[str], points: pd.DataFrame, volumes: Floats
) -> pd.DataFrame:
    """Return the gallons expected of each group of discharges, with the band of their sum.

    Parameters
    ----------
    listed
        From :func:`vaultplan.discharge.watch.watch_list`: the columns ``by``, vault_id, on, share,
        volume_gal_mean and is_ahead.
    by
        Columns to group by; a blank is a group of its own.
    points, volumes
        Vaults and days (``vault_id``, ``on``), and their gallons in joint draws (draws, points).

    Returns
    -------
    pandas.DataFrame
        The columns ``by``, discharges (all), days_gone (those not counted in the gallons, as their
        day is over), volume_gal_p50 (sum of the means) and volume_gal_p10, _p90 (of the draws'
        sums). The gallons are blank where a discharge has no forecast.

    Notes
    -----
    Percentiles are never added: each draw is one future in which all vaults are summed. A
    discharge counts by its share, so whole where it might enter a second inlet.
    """
    groups = listed.assign(**{name: listed[name].fillna("") for name in by if name != "on"})
    indices = groups.groupby(list(by), sort=True, observed=True).indices
    drawn = _Draws(points, volumes)
    rows: list[dict[str, Any]] = []
    for names, at in indices.items():
        one = listed.iloc[np.asarray(at)]
        ahead = one[one["is_ahead"].astype(bool)]
        told = dict(zip(by, names if isinstance(names, tuple) else (names,), strict=True))
        told |= {"discharges": len(one), "days_gone": len(one) - len(ahead)}
        sums = drawn.sums(ahead)
        if sums is not None:
            low, high = np.quantile(sums, [0.1, 0.9])
            each = ahead.drop_duplicates(["vault_id", "on"])
            mean = float((each["volume_gal_mean"] * each["share"]).sum())
            told |= {"volume_gal_p10": low, "volume_gal_p50": mean, "volume_gal_p90": high}
        rows.append(told)
    return pd.DataFrame(rows, columns=[*by, *_SUMS])


class _Draws:
    """Gallons in joint draws, found by vault and day."""

    def __init__(self, points: pd.DataFrame, volumes: Floats) -> None:
        self.place = pd.MultiIndex.from_frame(points[["vault_id", "on"]])
        self.volumes = volumes

    def sums(self, ahead: pd.DataFrame) -> Floats | None:
        """Return the sum of each draw; None where something has no forecast.

        A vault on a day is one water, however many orders it is emptied for.
        """
        each = ahead.drop_duplicates(["vault_id", "on"])
        if each.empty or each["volume_gal_mean"].isna().any():
            return None
        at = self.place.get_indexer(pd.MultiIndex.from_frame(each[["vault_id", "on"]]))
        if (at < 0).any():
            return None
        return np.asarray(self.volumes[:, at] @ each["share"].to_numpy(float), np.float64)


def outfall_days(
    discharges: pd.DataFrame,
    traces: pd.DataFrame,
    outfalls: pd.DataFrame,
    points: pd.DataFrame,
    volumes: Floats,
) -> pd.DataFrame:
    """Return what each outfall gets on each day, beside the most it may get.

    Parameters
    ----------
    discharges
        From :func:`vaultplan.discharge.watch.planned_discharges`: all of the week.
    traces, outfalls
        Tables of those names.
    points, volumes
        As for :func:`add_up`.

    Returns
    -------
    pandas.DataFrame
        outfall_id, on, the columns of :func:`add_up`, daily_cap_gal, prob_above_cap and cap_words.

    Notes
    -----
    Below the cap means that nine in ten futures stay below it. Whatever may enter by a second
    inlet counts whole at both ends.
    """
    ways = ways_out(traces).groupby(["vault_id", "outfall_id"], as_index=False)["share"].sum()
    ways["share"] = ways["share"].clip(upper=1.0)
    listed = discharges.merge(ways, on="vault_id", how="inner")
    found = add_up(listed, ("outfall_id", "on"), points, volumes)
    caps = outfalls.drop_duplicates("outfall_id").set_index("outfall_id")["daily_cap_gal"]
    found["daily_cap_gal"] = found["outfall_id"].map(caps).astype("float64")
    drawn = _Draws(points, volumes)
    chances = []
    for outfall, on, cap in found[["outfall_id", "on", "daily_cap_gal"]].itertuples(index=False):
        mine = listed[listed["outfall_id"].eq(outfall) & listed["on"].eq(on)]
        sums = drawn.sums(mine[mine["is_ahead"].astype(bool)])
        is_known = sums is not None and not np.isnan(cap)
        chances.append(float((sums > cap).mean()) if is_known else np.nan)
    found["prob_above_cap"] = pd.Series(chances, index=found.index, dtype="float64")
    found["cap_words"] = _cap_words(found)
    return found


def _cap_words(found: pd.DataFrame) -> pd.Series[Any]:
    """Return whether the day stays below the outfall's cap."""
    chance = found["prob_above_cap"]
    told = (100.0 * chance).round().map("{:.0f} %".format).astype("str").to_numpy(dtype=object)
    cap = found["daily_cap_gal"].to_numpy(float)
    words = np.select(
        [
            np.isnan(cap),
            chance.isna().to_numpy(),
            found["volume_gal_p50"].to_numpy(float) > cap,
            found["volume_gal_p90"].to_numpy(float) >= cap,
        ],
        [
            np.full(len(found), "no cap is set", dtype=object),
            np.full(len(found), "not known: no forecast of that day", dtype=object),
            "above the cap is likely, chance " + told,
            "may go above the cap, chance " + told,
        ],
        "stays below the cap in nine of ten futures",
    )
    return pd.Series(words, index=found.index, dtype="str")
