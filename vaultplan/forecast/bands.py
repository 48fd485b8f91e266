"""Bands of depth and volume from a distribution of depth, sizes that nobody measured included."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri

from vaultplan.forecast.distribution import DepthDistribution
from vaultplan.forecast.vaults import SD_TO_P90, gallons
from vaultplan.schema import DEPTH_PERCENTS

Floats = npt.NDArray[np.float64]

VOLUME_PERCENTS: Final = (10, 50, 90)
#: An unmeasured size is tried at these points of its range, equally likely.
TRIED: Final = ndtri(np.array([0.1, 0.3, 0.5, 0.7, 0.9]))


def depth_and_volume(depth: DepthDistribution, rooms: pd.DataFrame) -> dict[str, Floats]:
    """Return columns of depth (in) and volume (gal) per point.

    Parameters
    ----------
    depth
        Distribution of depth in rooms of the size given.
    rooms
        A row per point, as of :func:`vaultplan.forecast.vaults.vault_rooms`.

    Returns
    -------
    dict
        ``depth_in_p05`` to ``_p95``, ``volume_gal_p10/p50/p90/mean``, ``capacity_gal``. Where a
        size is not measured, the share filled is forecast as in any room and the range of the size
        is carried into depth and volume; ``capacity_gal`` is then the upper end of its range.
    """
    room = rooms["depth_in"].to_numpy(float)
    capacity = rooms["capacity_gal"].to_numpy(float)
    size_sd = rooms["size_log_sd"].to_numpy(float)
    found = np.stack([depth.quantile(percent / 100.0) for percent in DEPTH_PERCENTS])
    volume = gallons(found, room, capacity)
    mean = gallons(depth.mean_in(), room, capacity)
    unsure = np.flatnonzero(size_sd > 0.0)
    most = capacity.copy()
    if len(unsure):
        most[unsure] *= np.exp(SD_TO_P90 * size_sd[unsure])
        depth_sd = rooms["depth_log_sd"].to_numpy(float)[unsure]
        found[:, unsure] = _spread(found[:, unsure], depth_sd, np.full(len(unsure), np.inf))
        volume[:, unsure] = _spread(volume[:, unsure], size_sd[unsure], most[unsure])
        mean[unsure] *= np.exp(np.outer(TRIED, size_sd[unsure])).mean(axis=0)
        mean[unsure] = np.minimum(mean[unsure], most[unsure])
    columns = {
        f"depth_in_p{percent:02d}": found[place] for place, percent in enumerate(DEPTH_PERCENTS)
    }
    for percent in VOLUME_PERCENTS:
        columns[f"volume_gal_p{percent}"] = volume[DEPTH_PERCENTS.index(percent)]
    return {**columns, "volume_gal_mean": mean, "capacity_gal": most}


def _spread(values: Floats, log_sd: Floats, most: Floats) -> Floats:
    """Return percentiles (percents, points) of values whose size may be off by ``log_sd``."""
    tried = values[:, None, :] * np.exp(np.outer(TRIED, log_sd))[None]
    pooled = np.sort(tried.reshape(-1, values.shape[1]), axis=0)
    # Percentile p of equally likely percentiles 5 to 95, each tried at five sizes.
    at = np.array(DEPTH_PERCENTS) / 100.0 * len(pooled) - 0.5
    low = np.clip(np.floor(at).astype(int), 0, len(pooled) - 2)
    rest = (at - low)[:, None]
    spread: Floats = np.minimum(pooled[low] * (1.0 - rest) + pooled[low + 1] * rest, most)
    return spread
