"""How far to trust a forecast, and in words what it rests on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from vaultplan.forecast.readings import NEVER, Readings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MANY_VISITS, FEW_YEARS, WIDE_FRAC = 5, 3.0, 0.6  # bounds between high, medium and low; assumed


def judged(
    readings: Readings,
    vault: Ints,
    *,
    is_measured: npt.NDArray[np.bool_],
    band_frac: Floats,
    as_of_day: int,
    is_rain_known: bool,
) -> dict[str, list[str]]:
    """Return ``confidence`` and ``reason`` of forecasts of the vaults.

    ``band_frac`` is the depth band from p10 to p90 as a share of the room.
    """
    count, opened = readings.visit_count[vault], readings.lid_count[vault]
    last = readings.last_seen_day[vault]
    old = (last != NEVER) & (as_of_day - last > FEW_YEARS * 365.25)
    low = (count == 0) | ~is_measured
    medium = (count < MANY_VISITS) | old | (band_frac > WIDE_FRAC) | (not is_rain_known)
    confidence = np.where(low, "low", np.where(medium, "medium", "high"))
    days = np.where(last == NEVER, 0, last).astype("datetime64[D]").astype(str)
    tail = "" if is_rain_known else "; no rain record"
    reasons = [
        (f"{seen} reading{'s' if seen > 1 else ''}, last {day}" if seen else _unseen(lids))
        + ("" if known else "; dimensions assumed from vaults of its kind and shape")
        + tail
        for seen, lids, day, known in zip(
            count.tolist(), opened.tolist(), days.tolist(), is_measured.tolist(), strict=True
        )
    ]
    return {"confidence": confidence.tolist(), "reason": reasons}


def _unseen(lids: int) -> str:
    if lids:
        return f"opened {lids} time{'s' if lids > 1 else ''}, water never seen; from similar vaults"
    return "never visited; from similar vaults"
