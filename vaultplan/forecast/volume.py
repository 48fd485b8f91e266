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
from typing import Final, TypeAlias, TypeVar

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import SchemaError
from vaultplan.forecast.distribution import DepthDistribution, rungs_of, student_chance
from vaultplan.forecast.features import (
    CLASSES,
    Ahead,
    Drivers,
    Site,
    ahead_columns,
    build_drivers,
    elapsed_days,
    run_ahead,
    scatter,
    traits,
)
from vaultplan.forecast.posterior import Posterior, linear
from vaultplan.forecast.prior import (
    TauPrior,
    fit_tau,
    posterior_of,
    rows_of,
    sample_of,
    scaled,
    tau_shares,
    tau_weights,
)
from vaultplan.forecast.readings import NEVER, Readings, read_visits, sorted_visits
from vaultplan.forecast.vaults import gallons, vault_rooms
from vaultplan.forecast.weather import (
    TAUS_DAYS,
    day_number,
    gauge_of_vaults,
    read_rain,
)
from vaultplan.schema import Frames, table
from vaultplan.settings import Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Progress: TypeAlias = Callable[[int, int], None]
Result = TypeVar("Result")

CHUNK_VAULTS: Final = 8192
MOST_THREADS: Final = 4
LEAST_WEIGHT: Final = 0.003  # residence times less likely than this are left out
MANY_VISITS, FEW_YEARS, WIDE_FRAC = 5, 3.0, 0.6  # bounds between high, medium and low; assumed


@dataclass(frozen=True, slots=True)
class Batch:
    """Some points with the posterior of their vaults: what a forecast is computed from.

    ``at`` are places among all points; ``vault`` and ``day`` one entry per point. Each of
    ``taus`` holds the number of a residence time, its weight per point and the posteriors.
    """

    at: Ints
    vault: Ints
    day: Ints
    taus: tuple[tuple[int, Floats, Posterior], ...]


@dataclass(frozen=True, slots=True)
class WaterModel:
    """A fleet's water as known on the as-of day; from :func:`fit_water`."""

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

    def forecast(self, points: pd.DataFrame) -> pd.DataFrame:
        """Return depth and volume bands for each point, in the order given.

        Parameters
        ----------
        points
            ``vault_id``, ``on`` (not before the as-of day).

        Returns
        -------
        pandas.DataFrame
            ``vault_id``, ``on``, ``as_of_on``, ``depth_in_p10/p50/p90``,
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

        with ThreadPoolExecutor(min(os.cpu_count() or 1, MOST_THREADS)) as pool:
            yield from pool.map(run, range(0, len(chosen), chunk_vaults))

    def chances(self, batch: Batch, ahead: Ahead) -> Floats:
        """Return the chance of no more than each rung of depth: (rungs, points of the batch)."""
        room = self.site.depth_in[batch.vault]
        rungs = rungs_of(room) / room
        chance = np.zeros(rungs.shape)
        for k, weight, posterior in batch.taus:
            use = np.flatnonzero(weight)
            if not len(use):
                continue
            vault, day = batch.vault[use], batch.day[use]
            part = posterior.take(use)
            since = self.readings.last_since[vault]
            at_once = scatter(elapsed_days(day, since), TAUS_DAYS[k])
            freedom = 2.0 * part.shape
            share = weight[use] / ahead.members
            added = np.zeros((len(rungs), len(use)))
            for member in range(ahead.members):
                x, fallen = ahead_columns(
                    self.drivers, ahead, k, member, self.site, vault, day, since
                )
                x /= self.priors[k].scale[:, None]
                mu = self.readings.last_left_in[vault] * fallen / room[use]
                for column, coefficient in zip(x, part.mean, strict=True):
                    mu += column * coefficient
                variance = part.scale / part.shape * (at_once + part.variance_factor(x))
                sd = np.sqrt(variance)
                for rung, depth in enumerate(rungs):
                    added[rung] += share * student_chance((depth[use] - mu) / sd, freedom)
            chance[:, use] += added
        return np.maximum.accumulate(np.clip(chance, 0.0, 1.0), axis=0)

    def describe(
        self, points: pd.DataFrame, vault: Ints, day: Ints, depth: DepthDistribution
    ) -> pd.DataFrame:
        """Return a distribution as the forecast's columns, with confidence and reason."""
        rooms = self.rooms.iloc[vault]
        capacity = rooms["capacity_gal"].to_numpy(float)
        room = rooms["depth_in"].to_numpy(float)
        frame = pd.DataFrame(
            {
                "vault_id": points["vault_id"].to_numpy(),
                "on": day.astype("datetime64[D]").astype("datetime64[s]"),
                "as_of_on": self.as_of,
            },
            index=points.index,
        )
        for percent in (10, 50, 90):
            frame[f"depth_in_p{percent}"] = depth.quantile(percent / 100.0)
        for percent in (10, 50, 90):
            found = frame[f"depth_in_p{percent}"].to_numpy(float)
            frame[f"volume_gal_p{percent}"] = gallons(found, room, capacity)
        frame["volume_gal_mean"] = gallons(depth.mean_in(), room, capacity)
        frame["capacity_gal"] = capacity
        frame["prob_dry"], frame["prob_full"] = depth.prob_dry, depth.prob_full
        frame["visit_count"] = self.readings.visit_count[vault]
        band = (frame["depth_in_p90"] - frame["depth_in_p10"]).to_numpy(float) / room
        measured = rooms["is_measured"].to_numpy(bool)
        return frame.assign(**self._judged(vault, measured, band))

    def _batch(self, vaults: Ints, at: Ints, vault: Ints, day: Ints) -> Batch:
        local = np.searchsorted(vaults, vault)
        posteriors = [self._posterior(k, vaults) for k in range(len(TAUS_DAYS))]
        evidence = np.stack([posterior.log_evidence for posterior in posteriors])
        weight = tau_weights(evidence, self.shares)
        weight = np.where(weight < LEAST_WEIGHT, 0.0, weight)
        total = sum(weight)
        return Batch(
            at,
            vault,
            day,
            tuple(
                (k, (weight[k] / total)[local], posterior.take(local))
                for k, posterior in enumerate(posteriors)
            ),
        )

    def _posterior(self, k: int, vaults: Ints) -> Posterior:
        rows = scaled(
            rows_of(self.drivers, k, self.site, self.readings, vaults), self.priors[k].scale
        )
        prior_mean = linear(self.priors[k].traits, self.traits[:, vaults])
        return posterior_of(rows, self.priors[k], prior_mean)

    def _judged(
        self, vault: Ints, measured: npt.NDArray[np.bool_], band: Floats
    ) -> dict[str, list[str]]:
        readings, rain_known = self.readings, self.drivers.source.is_known
        count, opened = readings.visit_count[vault], readings.lid_count[vault]
        last = readings.last_seen_day[vault]
        as_of_day = self.drivers.source.as_of_day
        old = (last != NEVER) & (as_of_day - last > FEW_YEARS * 365.25)
        low = (count == 0) | ~measured
        medium = (count < MANY_VISITS) | old | (band > WIDE_FRAC) | (not rain_known)
        confidence = np.where(low, "low", np.where(medium, "medium", "high"))
        days = np.where(last == NEVER, 0, last).astype("datetime64[D]").astype(str)
        tail = "" if rain_known else "; no rain record"
        reasons = [
            (f"{seen} reading{'s' if seen > 1 else ''}, last {day}" if seen else _unseen(lids))
            + ("" if known else "; dimensions assumed from vaults of its kind and shape")
            + tail
            for seen, lids, day, known in zip(
                count.tolist(), opened.tolist(), days.tolist(), measured.tolist(), strict=True
            )
        ]
        return {"confidence": confidence.tolist(), "reason": reasons}


def fit_water(
    frames: Frames,
    *,
    as_of: pd.Timestamp,
    settings: Settings,
    on_progress: Progress | None = None,
) -> WaterModel:
    """Return what is known about the fleet's water on the as-of day.

    Parameters
    ----------
    frames
        Schema tables ``vaults`` and ``visits``; ``gauges``, ``rainfall`` and ``rain_outlook`` if
        there are any. Rows after the as-of day are never read.
    as_of
        Last local day whose results are known.
    settings
        ``time_zone`` and ``forecast``.
    on_progress
        Called with steps done and steps in all.

    Raises
    ------
    SchemaError
        If ``vaults`` or ``visits`` is missing, or a vault is listed twice.
    """
    for name in ("vaults", "visits"):
        if name not in frames:
            raise SchemaError(f"a forecast needs the {name} table; pass it, empty if need be")
    as_of = pd.Timestamp(as_of).normalize()
    as_of_day = int(day_number(pd.DatetimeIndex([as_of]))[0])
    vaults = frames["vaults"].sort_values("vault_id", ignore_index=True)
    vault_ids = pd.Index(vaults["vault_id"])
    if vault_ids.has_duplicates:
        twice = ", ".join(sorted(set(vault_ids[vault_ids.duplicated()].astype(str)))[:5])
        raise SchemaError(f"vaults listed more than once: {twice}; keep one row of each")
    rooms = vault_rooms(vaults, gear_frac=settings.forecast.gear_frac)
    depth, area = rooms["depth_in"].to_numpy(float), rooms["area_sqft"].to_numpy(float)
    visits, owner, day = sorted_visits(
        frames["visits"], vault_ids, as_of_day=as_of_day, time_zone=settings.time_zone
    )
    readings = read_visits(visits, owner, day, room_depth_in=depth, area_sqft=area)
    rain = read_rain(
        frames.get("rainfall", table("rainfall").empty()),
        frames.get("rain_outlook", table("rain_outlook").empty()),
        as_of_day=as_of_day,
        first_visit_day=int(day.min(initial=as_of_day)),
        rain_years=settings.forecast.rain_years,
        time_zone=settings.time_zone,
    )
    gauges = frames.get("gauges", table("gauges").empty())
    irrigated = vaults["has_irrigation"].astype("Float64").to_numpy(float, na_value=np.nan)
    usual = float(np.nanmean(irrigated)) if np.isfinite(irrigated).any() else 0.0
    site = Site(
        gauge=gauge_of_vaults(vaults, gauges, rain),
        depth_in=depth,
        area_sqft=area,
        irrigated=np.where(np.isfinite(irrigated), irrigated, usual),
    )
    drivers = build_drivers(rain, settings.forecast)
    static = traits(vaults, rooms, readings)
    sample = sample_of(readings)
    priors, evidence = [], []
    for k in range(len(TAUS_DAYS)):
        tau_prior, found = fit_tau(drivers, k, site, readings, static, sample)
        priors.append(tau_prior)
        evidence.append(found)
        if on_progress is not None:
            on_progress(k + 1, 2 * len(TAUS_DAYS))
    return WaterModel(
        as_of=as_of,
        settings=settings,
        vault_ids=vault_ids,
        rooms=rooms,
        classes=pd.DataFrame(vaults[list(CLASSES)]),
        site=site,
        readings=readings,
        drivers=drivers,
        traits=static,
        priors=tuple(priors),
        shares=tau_shares(np.stack(evidence)),
    )


def _unseen(lids: int) -> str:
    if lids:
        return f"opened {lids} time{'s' if lids > 1 else ''}, water never seen; from similar vaults"
    return "never visited; from similar vaults"
