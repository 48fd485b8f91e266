"""What moved a forecast since an earlier day: the weather, or what was found in the vault."""

from __future__ import annotations

import pandas as pd

from vaultplan.forecast.fitting import fit_water, refit
from vaultplan.forecast.readings import sorted_visits
from vaultplan.forecast.weather import day_number
from vaultplan.schema import Frames
from vaultplan.settings import Settings


def what_moved(
    frames: Frames,
    points: pd.DataFrame,
    *,
    since: pd.Timestamp,
    as_of: pd.Timestamp,
    settings: Settings,
) -> pd.DataFrame:
    """Return each point's forecast then and now, and what made the difference.

    Parameters
    ----------
    frames
        As for :func:`vaultplan.forecast.fitting.fit_water`.
    points
        ``vault_id``, ``on`` (not before ``as_of``).
    since, as_of
        The two days whose knowledge is compared.

    Returns
    -------
    pandas.DataFrame
        ``vault_id``, ``on``, ``volume_gal_p50_before``, ``volume_gal_p50``; ``moved_by_rain_gal``:
        what the rain and outlook of the days between did; ``moved_by_visits_gal``: what visits to
        the vault itself did, a pump-out included; ``visits_since`` and ``reason`` in words.

    Notes
    -----
    Both steps keep what the fleet taught on the earlier day, so that they add up to the whole.
    """
    before = fit_water(frames, as_of=since, settings=settings)
    rained = refit(before, frames, vault_ids=[], as_of=as_of)
    _, owner, day = sorted_visits(
        frames["visits"],
        before.vault_ids,
        as_of_day=int(day_number(pd.DatetimeIndex([as_of]))[0]),
        time_zone=settings.time_zone,
    )
    new = owner[day > before.drivers.source.as_of_day]
    asked = set(points["vault_id"])
    touched = [name for name in before.vault_ids[sorted(set(new.tolist()))] if name in asked]
    now = refit(rained, frames, vault_ids=touched, as_of=as_of)
    steps = [model.forecast(points)["volume_gal_p50"] for model in (before, rained, now)]
    counts = pd.Series(before.vault_ids[new]).value_counts()
    frame = pd.DataFrame(
        {
            "vault_id": points["vault_id"],
            "on": points["on"],
            "volume_gal_p50_before": steps[0],
            "volume_gal_p50": steps[2],
            "moved_by_rain_gal": steps[1] - steps[0],
            "moved_by_visits_gal": steps[2] - steps[1],
            "visits_since": points["vault_id"].map(counts).fillna(0).astype("int64"),
        }
    )
    told = zip(
        frame["moved_by_rain_gal"].tolist(),
        frame["moved_by_visits_gal"].tolist(),
        frame["visits_since"].tolist(),
        strict=True,
    )
    frame["reason"] = [_words(rain, seen, count) for rain, seen, count in told]
    return frame


def _words(rain_gal: float, visits_gal: float, count: int) -> str:
    said = [f"weather {rain_gal:+.0f} gal"]
    if count:
        said.append(f"{count} visit{'s' if count > 1 else ''} {visits_gal:+.0f} gal")
    return ", ".join(said)
