"""What drives the water in a vault, turned into columns of a linear model."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

from vaultplan.forecast.drivers import SERIES, Ahead, Drivers
from vaultplan.forecast.readings import NEVER
from vaultplan.forecast.weather import TAUS_DAYS

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

TERMS: Final = ("seepage", *SERIES, "irrigation", "cosine", "sine")
RAIN_TERMS: Final = slice(1, 1 + len(SERIES))
_IRRIGATION, _COSINE, _SINE = (TERMS.index(name) for name in ("irrigation", "cosine", "sine"))
USUAL_AREA_SQFT: Final = 60.0  # only sets the scale of the rain coefficients
NEVER_EMPTIED_DAYS: Final = 4000.0  # time for which such a vault is taken to have filled; assumed
#: Share of the scatter that is there at once (reading error, uneven floors); the rest builds up
#: with time since the last known state, as scatter in a linear reservoir does; assumed.
SCATTER_AT_ONCE: Final = 0.15


@dataclass(frozen=True, slots=True)
class Site:
    """What each vault is to the model.

    ``gauge`` and ``share`` are (gauges used, vaults): rows of the rain record and what each counts
    for; ``depth_in``, net ``area_sqft`` and the share ``irrigated`` are one number per vault.
    """

    gauge: Ints
    share: Floats
    depth_in: Floats
    area_sqft: Floats
    irrigated: Floats

    def per_inch(self, vault: Ints) -> Floats:
        """Return the filled share that an inch of water on the usual area makes."""
        return USUAL_AREA_SQFT / (self.area_sqft[vault] * self.depth_in[vault])


def elapsed_days(day: Ints, since: Ints) -> Floats:
    """Return days since the last known state; ``NEVER_EMPTIED_DAYS`` where there is none."""
    return np.where(since == NEVER, NEVER_EMPTIED_DAYS, day - since)


def scatter(elapsed: Floats, tau_days: float) -> Floats:
    """Return how large the variance of a reading is against that long after an emptying.

    Notes
    -----
    A linear reservoir fed by white noise has variance ``1 - exp(-2 D / tau)`` of its final one
    after D days; ``SCATTER_AT_ONCE`` of the whole is taken to be there from the start.
    """
    grown: Floats = 1.0 - np.exp(-2.0 * elapsed / tau_days)
    return SCATTER_AT_ONCE + (1.0 - SCATTER_AT_ONCE) * grown


def past_columns(
    drivers: Drivers, k: int, site: Site, vault: Ints, day: Ints, since: Ints
) -> tuple[Floats, Floats]:
    """Return the model's columns (p, rows) for past readings, and what is left of old water.

    The second array is ``exp(-D / tau)``, by which the depth at the last known state has fallen.
    """
    x, fallen = _before_rain(drivers, k, site, vault, day, since, drivers.season[k])
    at = np.clip(day - drivers.first_day, 0, drivers.rain.shape[3] - 1)
    per_inch = site.per_inch(vault)
    for place, series in enumerate(drivers.rain[k], start=RAIN_TERMS.start):
        for gauge, share in zip(site.gauge, site.share, strict=True):
            x[place] += share[vault] * series[gauge[vault], at] * per_inch
    return x, fallen


def ahead_columns(
    drivers: Drivers, ahead: Ahead, k: int, site: Site, vault: Ints, day: Ints, since: Ints
) -> tuple[Floats, Floats, Floats]:
    """Return the columns for days to come without the rain that every future has of its own.

    Returns
    -------
    tuple
        Columns (p, rows) as of :func:`past_columns`, to which rain is still to be added; what is
        left of old water; that rain, (series, rows, members).
    """
    x, fallen = _before_rain(drivers, k, site, vault, day, since, ahead.season[k])
    step = day - ahead.as_of_day
    per_inch = site.per_inch(vault)
    rain = np.zeros((len(SERIES), len(vault), ahead.members))
    for series, total in zip(ahead.rain[k], rain, strict=True):
        for gauge, share in zip(site.gauge, site.share, strict=True):
            total += (share[vault] * per_inch)[:, None] * series[gauge[vault], step]
    return x, fallen, rain


def _before_rain(
    drivers: Drivers, k: int, site: Site, vault: Ints, day: Ints, since: Ints, season: Floats
) -> tuple[Floats, Floats]:
    """Return the columns with the rain up to the last known state taken off, none yet put on."""
    tau = TAUS_DAYS[k]
    elapsed = elapsed_days(day, since)
    fallen = np.exp(-elapsed / tau)
    carry = np.where(since == NEVER, 0.0, fallen)
    at = np.clip(since - drivers.first_day, 0, drivers.rain.shape[3] - 1)
    turned = season[:, np.clip(day - drivers.first_day, 0, season.shape[1] - 1)]
    turned = turned - carry * drivers.season[k][:, at]
    per_inch = site.per_inch(vault)
    x = np.empty((len(TERMS), len(elapsed)))
    x[0] = 1.0 - fallen
    for place, series in enumerate(drivers.rain[k], start=RAIN_TERMS.start):
        x[place] = 0.0
        for gauge, share in zip(site.gauge, site.share, strict=True):
            x[place] -= carry * share[vault] * series[gauge[vault], at] * per_inch
    x[_IRRIGATION] = turned[0] * site.irrigated[vault] / site.depth_in[vault]
    x[_COSINE] = turned[1] / tau
    x[_SINE] = turned[2] / tau
    return x, fallen
