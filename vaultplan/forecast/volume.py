"""How much water stands in a vault on a day to come, as a distribution.

Each vault is a linear reservoir: dh/dt = (rest - h) / tau + inflow from rain, wet ground,
irrigation and season, h held between floor and roof. For one residence time tau the level is
linear in the inflow coefficients, so that a vault's posterior is a closed-form regression; a grid
of tau is weighted by evidence, and what the fleet's other vaults teach is the prior.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import SchemaError
from vaultplan.forecast.bands import depth_and_volume
from vaultplan.forecast.confidence import judged
from vaultplan.forecast.distribution import DepthDistribution, rungs_of
from vaultplan.forecast.drivers import Ahead, Drivers, run_ahead
from vaultplan.forecast.features import RAIN_TERMS, Site, ahead_columns, elapsed_days, scatter
from vaultplan.forecast.firstlooks import FirstLooks
from vaultplan.forecast.posterior import Posterior, condition, linear
from vaultplan.forecast.predictive import (
    chance_below,
    expected,
    with_mean_rain,
    with_surprises,
)
from vaultplan.forecast.prior import TauPrior, tau_weights
from vaultplan.forecast.readings import Readings
from vaultplan.forecast.rows import (
    all_squares,
    first_sums,
    of_vaults,
    posterior_of,
    rows_of,
    scaled,
)
from vaultplan.forecast.weather import TAUS_DAYS, day_number
from vaultplan.settings import Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Result = TypeVar("Result")

CHUNK_VAULTS: Final = 16_384
MOST_THREADS: Final = 4
#: Residence times less likely than this are left out: in the end, and before readings are doubted.
LEAST_WEIGHT, LEAST_AT_FIRST = 0.01, 0.004


def threads() -> int:
    """Return how many threads work at once; what they find does not hang on it."""
    return min(os.cpu_count() or 1, MOST_THREADS)


@dataclass(frozen=True, slots=True)
class Strand:
    """One residence time of a batch: the points it is likely for, how likely, and posteriors."""

    k: int
    use: Ints
    weight: Floats
    posterior: Posterior


@dataclass(frozen=True, slots=True)
class Batch:
    """Some points with the posterior of their vaults: what a forecast is computed from.

    ``at`` are places among all points; ``vault`` and ``day`` one entry per point.
    """

    at: Ints
    vault: Ints
    day: Ints
    strands: tuple[Strand, ...]


@dataclass(frozen=True, slots=True)
class WaterModel:
    """A fleet's water as known on the as-of day; from ``fitting.fit_water``."""

    as_of: pd.Timestamp
    settings: Settings
    vault_ids: pd.Index[str]
    rooms: pd.DataFrame
    classes: pd.DataFrame
    site: Site
    readings: Readings
    drivers: Drivers
    traits: Floats
    priors: tuple[TauPrior, ...]
    shares: Floats
    first_looks: FirstLooks | None = None

    def forecast(self, points: pd.DataFrame) -> pd.DataFrame:
        """Return depth and volume bands for each point, in the order given.

        Parameters
        ----------
        points
            ``vault_id``, ``on`` (not before the as-of day).

        Returns
        -------
        pandas.DataFrame
            ``vault_id``, ``on``, ``as_of_on``, ``depth_in_p05`` to ``_p95`` by 5,
            ``volume_gal_p10/p50/p90/mean``, ``capacity_gal``, ``prob_dry``, ``prob_full``,
            ``visit_count``, ``confidence``, ``reason``.
        """
        vault, day = self.locate(points)
        return self.describe(points, vault, day, self.distribution(points))

    def distribution(
        self, points: pd.DataFrame, *, chunk_vaults: int = CHUNK_VAULTS
    ) -> DepthDistribution:
        """Return the distribution of depth at each point, in the order given."""
        vault, day = self.locate(points)
        room = self.site.depth_in[vault]
        result = DepthDistribution(rungs_of(room), np.zeros((len(rungs_of(room)), len(day))), room)
        ahead = self.ahead(day)
        for at, chance in self.each_batch(
            vault, day, lambda batch: self.chances(batch, ahead), chunk_vaults
        ):
            result.chance[:, at] = chance
        return result

    def locate(self, points: pd.DataFrame) -> tuple[Ints, Ints]:
        """Return the row of the vault and the day number of each point.

        Raises
        ------
        SchemaError
            If a vault is unknown or a day is blank or lies before the as-of day.
        """
        missing = [name for name in ("vault_id", "on") if name not in points.columns]
        if missing:
            raise SchemaError(f"points lack column(s) {', '.join(missing)}")
        vault = self.vault_ids.get_indexer(pd.Index(points["vault_id"])).astype(np.int64)
        if (vault < 0).any():
            unknown = sorted(set(points["vault_id"][vault < 0].astype(str)))
            shown = ", ".join(unknown[:5])
            raise SchemaError(
                f"{len(unknown)} vault(s) to forecast are not in the vaults table: {shown}; "
                "load them or leave them out"
            )
        on = pd.to_datetime(points["on"])
        early = on.isna() | (on < self.as_of)
        if early.any():
            named = ", ".join(points["vault_id"][early].astype(str).iloc[:5])
            raise SchemaError(
                f"{int(early.sum())} point(s) have no day or one before {self.as_of:%Y-%m-%d}, "
                f"the last day whose results are known ({named}); forecast later days or set an "
                "earlier as-of day"
            )
        return vault, day_number(on)

    def ahead(self, day: Ints, further_days: int = 0) -> Ahead:
        """Return the possible rain up to the last of the days, and a while further."""
        last = int(day.max(initial=self.drivers.source.as_of_day)) + further_days
        return run_ahead(self.drivers, last, self.settings.forecast)

    def each_batch(
        self,
        vault: Ints,
        day: Ints,
        work: Callable[[Batch], Result],
        chunk_vaults: int = CHUNK_VAULTS,
    ) -> Iterator[tuple[Ints, Result]]:
        """Yield places among the points and the work's result, a chunk of vaults at a time.

        Chunks run on several cores; each point's bits depend on its own vault only.
        """
        order = np.lexsort((day, vault))
        chosen, first = np.unique(vault[order], return_index=True)
        first = np.append(first, len(order))

        def run(begin: int) -> tuple[Ints, Result]:
            vaults = chosen[begin : begin + chunk_vaults]
            at = order[first[begin] : first[begin + len(vaults)]]
            return at, work(self._batch(vaults, at, vault[at], day[at]))

        with ThreadPoolExecutor(threads()) as pool:
            yield from pool.map(run, range(0, len(chosen), chunk_vaults))

    def chances(self, batch: Batch, ahead: Ahead) -> Floats:
        """Return the chance of no more than each rung of depth: (rungs, points of the batch)."""
        room = self.site.depth_in[batch.vault]
        rungs = rungs_of(room) / room
        chance = np.zeros(rungs.shape)
        for part in batch.strands:
            vault, day = batch.vault[part.use], batch.day[part.use]
            mu, variance = self.outcomes(part.k, vault, day, part.posterior, ahead)
            freedom = 2.0 * part.posterior.shape
            chance[:, part.use] += part.weight * chance_below(
                rungs[:, part.use], mu, variance, freedom
            )
        chance = np.maximum.accumulate(np.clip(chance, 0.0, 1.0), axis=0)
        new = np.flatnonzero(self.readings.visit_count[batch.vault] == 0)
        if self.first_looks is not None and len(new):
            paper = DepthDistribution(rungs[:, new] * room[new], chance[:, new], room[new])
            fill = paper.mean_in() / room[new]
            chance[:, new] = self.first_looks.corrected(chance[:, new], fill)
        return with_surprises(chance, rungs)

    def outcomes(
        self, k: int, vault: Ints, day: Ints, posterior: Posterior, ahead: Ahead
    ) -> tuple[Floats, Floats]:
        """Return the filled share per future (points, members), and its variance in any of them."""
        since = self.readings.last_since[vault]
        x, fallen, rain = ahead_columns(self.drivers, ahead, k, self.site, vault, day, since)
        scale = self.priors[k].scale
        x /= scale[:, None]
        rain /= scale[RAIN_TERMS][:, None, None]
        left = self.readings.last_left_in[vault] / self.site.depth_in[vault]
        mu = expected(x, rain, posterior) + (left * fallen)[:, None]
        at_once = scatter(elapsed_days(day, since), TAUS_DAYS[k])
        unsure = posterior.variance_factor(with_mean_rain(x, rain))
        return mu, posterior.scale / posterior.shape * (at_once + unsure)

    def describe(
        self, points: pd.DataFrame, vault: Ints, day: Ints, depth: DepthDistribution
    ) -> pd.DataFrame:
        """Return a distribution as the forecast's columns, with confidence and reason."""
        rooms = self.rooms.iloc[vault]
        room = rooms["depth_in"].to_numpy(float)
        frame = pd.DataFrame(
            {
                "vault_id": points["vault_id"].to_numpy(),
                "on": day.astype("datetime64[D]").astype("datetime64[s]"),
                "as_of_on": self.as_of,
            },
            index=points.index,
        )
        bands = depth_and_volume(depth, rooms)
        frame = frame.assign(**bands)
        frame["prob_dry"], frame["prob_full"] = depth.prob_dry, depth.prob_full
        frame["visit_count"] = self.readings.visit_count[vault]
        words = judged(
            self.readings,
            vault,
            is_measured=rooms["is_measured"].to_numpy(bool),
            band_frac=(bands["depth_in_p90"] - bands["depth_in_p10"]) / room,
            as_of_day=self.drivers.source.as_of_day,
            is_rain_known=self.drivers.source.is_known,
        )
        return frame.assign(**words)

    def _batch(self, vaults: Ints, at: Ints, vault: Ints, day: Ints) -> Batch:
        local = np.searchsorted(vaults, vault)
        found = self.posteriors(vaults)
        evidence = np.full((len(TAUS_DAYS), len(vaults)), -np.inf)
        for k, chosen, posterior in found:
            evidence[k, chosen] = posterior.log_evidence
        weight = tau_weights(evidence, self.shares)
        weight = np.where(weight < LEAST_WEIGHT, 0.0, weight)
        weight = weight / sum(weight)
        strands = []
        for k, chosen, posterior in found:
            use = np.flatnonzero(weight[k][local])
            if len(use):
                mine = local[use]
                part = posterior.take(np.searchsorted(chosen, mine))
                strands.append(Strand(k, use, weight[k][mine], part))
        return Batch(at, vault, day, tuple(strands))

    def posteriors(self, vaults: Ints) -> list[tuple[int, Ints, Posterior]]:
        """Return number, places among the vaults, and posteriors of each likely residence time.

        A first look at the evidence, before readings are imputed and doubted, leaves out what is
        hopeless.
        """
        means, rows, squares, firsts = [], [], [], []
        for k, prior in enumerate(self.priors):
            own = rows_of(self.drivers, k, self.site, self.readings, vaults)
            rows.append(scaled(own, prior.scale))
            means.append(linear(prior.traits, self.traits[:, vaults]))
            squares.append(all_squares(rows[k]))
            firsts.append(condition(prior.prior, means[k], first_sums(rows[k], squares[k])))
        evidence = np.stack([first.log_evidence for first in firsts])
        weight = tau_weights(evidence, self.shares)
        found = []
        for k, prior in enumerate(self.priors):
            chosen = np.flatnonzero(weight[k] >= LEAST_AT_FIRST)
            if len(chosen):
                mine, first = of_vaults(rows[k], chosen), firsts[k].take(chosen)
                full = squares[k][:, :, chosen]
                found.append(
                    (k, chosen, posterior_of(mine, prior.prior, means[k][:, chosen], full, first))
                )
        return found
