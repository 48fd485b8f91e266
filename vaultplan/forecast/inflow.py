"""What fills a vault: the share of each way in which water comes, told from its own readings."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.drivers import SERIES
from vaultplan.forecast.features import RAIN_TERMS, TERMS
from vaultplan.forecast.volume import Batch, WaterModel
from vaultplan.forecast.weather import TAUS_DAYS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: What each term of the model tells of. Rain that comes through wet ground counts as groundwater.
WAYS: Final = ("rain", "groundwater", "irrigation")
_WAY_OF: Final = {
    "seepage": "groundwater",
    "runoff": "rain",
    "wet_ground": "groundwater",
    "deep_ground": "groundwater",
    "irrigation": "irrigation",
}
FILLING_DAYS: Final = 90.0  # a filling after which the ways are weighed against each other; assumed
FEWEST_READINGS: Final = 3  # fewer say too little of how a vault fills; assumed
MOST_FRAC: Final = 0.5  # a way that brings more than this drives the vault; assumed
YEAR: Final = 365


def inflow_ways(model: WaterModel, vault_ids: pd.Series[str]) -> pd.DataFrame:
    """Return what fills each vault in an average season after it was emptied.

    Parameters
    ----------
    model
        From :func:`vaultplan.forecast.fitting.fit_water`.
    vault_ids
        Vaults to tell of, in any order.

    Returns
    -------
    pandas.DataFrame
        ``vault_id``; ``inflow``: ``rain``, ``groundwater``, ``irrigation``, ``mixed``, ``tight``
        (less than working depth comes back in 90 days) or ``unknown`` (fewer than three readings);
        ``inflow_rain_frac``, ``inflow_groundwater_frac``, ``inflow_irrigation_frac`` of the water
        that comes in; ``filling_in``: depth (in) that 90 average days bring.

    Notes
    -----
    Each coefficient's expected value times its driver at its mean over the last year, over a
    filling of 90 days, averaged over the residence times. What drains is left out: a term that
    takes water away has no share.
    """
    points = pd.DataFrame({"vault_id": vault_ids.to_numpy(), "on": model.as_of})
    vault, day = model.locate(points)
    brought = np.zeros((len(TERMS), len(vault)))
    for at, found in model.each_batch(vault, day, lambda batch: _brought(model, batch)):
        brought[:, at] = found
    room = model.site.depth_in[vault]
    total_in = brought.sum(axis=0) * room
    ways = np.zeros((len(WAYS), len(vault)))
    for name, way in _WAY_OF.items():
        ways[WAYS.index(way)] += np.maximum(brought[TERMS.index(name)], 0.0)
    whole = ways[0] + ways[1] + ways[2]
    frac = np.divide(ways, whole, out=np.zeros_like(ways), where=whole > 0.0)
    first = frac.argmax(axis=0)
    word = np.where(frac[first, np.arange(len(vault))] > MOST_FRAC, np.array(WAYS)[first], "mixed")
    word = np.where(total_in < model.settings.forecast.working_depth_in, "tight", word)
    word = np.where(model.readings.visit_count[vault] < FEWEST_READINGS, "unknown", word)
    frame = pd.DataFrame({"vault_id": points["vault_id"], "inflow": word}, index=points.index)
    for place, way in enumerate(WAYS):
        frame[f"inflow_{way}_frac"] = frac[place]
    frame["filling_in"] = np.clip(total_in, 0.0, room)
    return frame.set_axis(vault_ids.index)


def _brought(model: WaterModel, batch: Batch) -> Floats:
    """Return the filled share that each term brings in a filling: (terms, points of the batch)."""
    site, drivers = model.site, model.drivers
    year = slice(max(drivers.rain.shape[3] - YEAR, 0), None)
    brought = np.zeros((len(TERMS), len(batch.vault)))
    for part in batch.strands:
        vault = batch.vault[part.use]
        tau, scale = TAUS_DAYS[part.k], model.priors[part.k].scale
        filled = 1.0 - np.exp(-FILLING_DAYS / tau)
        x = np.zeros((len(TERMS), len(vault)))
        x[0] = filled
        usual = drivers.rain[part.k][:, :, year].mean(axis=2) * filled
        per_inch = site.per_inch(vault)
        for place in range(len(SERIES)):
            for gauge, share in zip(site.gauge, site.share, strict=True):
                wet = usual[place][gauge[vault]]
                x[RAIN_TERMS.start + place] += share[vault] * wet * per_inch
        season = drivers.season[part.k][0, year].mean() * filled
        x[TERMS.index("irrigation")] = season * site.irrigated[vault] / site.depth_in[vault]
        for term in range(len(TERMS)):
            brought[term, part.use] += (
                part.weight * part.posterior.mean[term] * x[term] / scale[term]
            )
    return brought
