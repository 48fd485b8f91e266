"""Invented daily rain: wet winters, dry summers, and near gauges that agree."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from fleet.ground import Array

LAST_DAY = np.datetime64("2026-10-30")
MEMBERS, OUTLOOK_DAYS = 20, 10
ISSUED_AT = "2026-10-30T14:00:00Z"


@dataclass
class Rain:
    """Rain by gauge and day in inches; ``days`` are the local dates."""

    gauge_ids: list[str]
    xy: Array
    days: Any
    rain_in: Array


def let_it_rain(gauge_ids: list[str], xy: Array, years: int, rng: np.random.Generator) -> Rain:
    """Return daily rain at every gauge for whole years up to the last day."""
    start = (
        pd.Timestamp(LAST_DAY) - pd.DateOffset(years=years) + pd.Timedelta(days=1)
    ).to_datetime64()
    days = np.arange(start.astype("datetime64[D]"), LAST_DAY + np.timedelta64(1, "D"))
    root = _likeness(xy)
    season = _season(days)
    region = 0.0
    wetness = rng.normal(0, 0.12, years + 2)
    year = days.astype("datetime64[Y]").astype(int)
    rain = np.zeros((len(gauge_ids), len(days)))
    size = np.exp(rng.normal(0, 0.08, len(gauge_ids)))
    for d in range(len(days)):
        region = 0.55 * region + np.sqrt(1 - 0.55**2) * rng.normal()
        local = root @ rng.normal(size=len(gauge_ids))
        over = 0.90 * region + 0.44 * local - season[d] + wetness[year[d] - year[0]]
        rain[:, d] = np.where(
            over > 0,
            0.47
            * size
            * np.exp(0.22 * (root @ rng.normal(size=len(gauge_ids))))
            * np.maximum(over, 0) ** 1.7
            * (1.25 - 0.15 * season[d]),
            0,
        )
    rain = np.round(rain, 2)
    return Rain(gauge_ids, xy, days, rain)


def outlook(rain: Rain, rng: np.random.Generator) -> pd.DataFrame:
    """Return an ensemble for the next ten days, a storm about Wednesday 4 November."""
    root = _likeness(rain.xy)
    ahead = np.arange(1, OUTLOOK_DAYS + 1)
    days = LAST_DAY + ahead
    season = _season(days)
    fall = np.zeros((len(rain.gauge_ids), OUTLOOK_DAYS, MEMBERS))
    for m in range(MEMBERS):
        centre = 5.0 + rng.normal(0, 0.7)
        peak = rng.gamma(2.2, 0.55)
        storm = peak * np.exp(-(((ahead - centre) / 0.75) ** 2))
        drift = 0.0
        for d in range(OUTLOOK_DAYS):
            drift = 0.5 * drift + 0.87 * rng.normal()
            local = root @ rng.normal(size=len(rain.gauge_ids))
            over = 0.90 * drift + 0.44 * local - season[d] - 0.35
            base = np.where(over > 0, 0.40 * np.maximum(over, 0) ** 1.7, 0.0)
            fall[:, d, m] = base + storm[d] * np.exp(0.18 * local)
    fall[fall < 0.02] = 0.0
    g, d, m = (index.ravel() for index in np.indices(fall.shape))
    return pd.DataFrame(
        {
            "gauge_id": np.array(rain.gauge_ids, dtype=object)[g],
            "issued_at": ISSUED_AT,
            "falls_on": days[d],
            "member": m + 1,
            "rain_in": np.round(fall, 2)[g, d, m],
        }
    )


def _likeness(xy: Array) -> Array:
    gap_km = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1)) / 1000
    return np.linalg.cholesky(np.exp(-gap_km / 12.0) + 1e-6 * np.eye(len(xy)))


def _season(days: Any) -> Array:
    """Return what the weather must exceed to bring rain: low in January, high in July."""
    first = days.astype("datetime64[Y]")
    day = (days - first.astype("datetime64[D]")).astype(int)
    return np.asarray(1.00 - 0.80 * np.cos(2 * np.pi * (day - 15) / 365.25))
