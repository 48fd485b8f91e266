"""The chance of a wet day, from the members of the latest rain outlook."""

from __future__ import annotations

import pandas as pd


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
