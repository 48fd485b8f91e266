"""From a fleet's tables to what is known about its water, at once or as new visits come in."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from typing import Protocol, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import SchemaError
from vaultplan.forecast.distribution import DepthDistribution, rungs_of
from vaultplan.forecast.drivers import Drivers, build_drivers
from vaultplan.forecast.features import Site
from vaultplan.forecast.firstlooks import FirstLooks, learn
from vaultplan.forecast.posterior import condition, gather, linear
from vaultplan.forecast.predictive import chance_below
from vaultplan.forecast.prior import TauPrior, fit_tau, sample_of, tau_shares
from vaultplan.forecast.readings import (
    DRY,
    FULL,
    NEVER,
    Readings,
    read_visits,
    sorted_visits,
    spliced,
)
from vaultplan.forecast.rows import rows_of, scaled
from vaultplan.forecast.traits import CLASSES, traits
from vaultplan.forecast.vaults import no_shallower, vault_rooms
from vaultplan.forecast.volume import WaterModel, threads
from vaultplan.forecast.weather import (
    TAUS_DAYS,
    Rain,
    day_number,
    gauges_of_vaults,
    read_rain,
)
from vaultplan.schema import Frames, table
from vaultplan.settings import Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Progress: TypeAlias = Callable[[int, int], None]
Learned: TypeAlias = list[tuple[TauPrior, Floats]]


class Learner(Protocol):
    """Learns every residence time, as :func:`learn_taus` does; ``tell`` hears how many are done."""

    def __call__(
        self,
        drivers: Drivers,
        site: Site,
        readings: Readings,
        static: Floats,
        sample: Ints,
        tell: Callable[[int], None],
    ) -> Learned:
        """Return the prior of each residence time, and the evidence of the sample for it."""


def learn_taus(
    drivers: Drivers,
    site: Site,
    readings: Readings,
    static: Floats,
    sample: Ints,
    tell: Callable[[int], None],
) -> Learned:
    """Return :func:`vaultplan.forecast.prior.fit_tau` of every residence time, here."""

    def learn_tau(k: int) -> tuple[TauPrior, Floats]:
        return fit_tau(drivers, k, site, readings, static, sample)

    learned: Learned = []
    with ThreadPoolExecutor(threads()) as pool:
        for found in pool.map(learn_tau, range(len(TAUS_DAYS))):
            learned.append(found)
            tell(len(learned))
    return learned


def fit_water(
    frames: Frames,
    *,
    as_of: pd.Timestamp,
    settings: Settings,
    on_progress: Progress | None = None,
    learner: Learner = learn_taus,
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
    learner
        Who learns the residence times, the longest part of the work.

    Raises
    ------
    SchemaError
        If ``vaults`` or ``visits`` is missing, or a vault is listed twice.
    """
    for name in ("vaults", "visits"):
        if name not in frames:
            raise SchemaError(f"a forecast needs the {name} table; pass it, empty if need be")
    as_of = pd.Timestamp(as_of).normalize()
    as_of_day = _day(as_of)
    vaults = frames["vaults"].sort_values("vault_id", ignore_index=True)
    vault_ids = pd.Index(vaults["vault_id"])
    if vault_ids.has_duplicates:
        twice = ", ".join(sorted(set(vault_ids[vault_ids.duplicated()].astype(str)))[:5])
        raise SchemaError(f"vaults listed more than once: {twice}; keep one row of each")
    visits, owner, day = sorted_visits(
        frames["visits"], vault_ids, as_of_day=as_of_day, time_zone=settings.time_zone
    )
    deepest = np.zeros(len(vaults))
    np.maximum.at(deepest, owner, np.nan_to_num(visits["depth_in"].to_numpy(float)))
    rooms = no_shallower(vault_rooms(vaults, gear_frac=settings.forecast.gear_frac), deepest)
    depth, area = rooms["depth_in"].to_numpy(float), rooms["area_sqft"].to_numpy(float)
    readings = read_visits(visits, owner, day, room_depth_in=depth, area_sqft=area)
    rain = _rain_known(frames, as_of_day, int(day.min(initial=as_of_day)), settings)
    gauges = frames.get("gauges", table("gauges").empty())
    irrigated = vaults["has_irrigation"].astype("Float64").to_numpy(float, na_value=np.nan)
    usual = float(np.nanmean(irrigated)) if np.isfinite(irrigated).any() else 0.0
    gauge, share = gauges_of_vaults(vaults, gauges, rain, settings.forecast.gauges_used)
    site = Site(
        gauge=gauge,
        share=share,
        depth_in=depth,
        area_sqft=area,
        irrigated=np.where(np.isfinite(irrigated), irrigated, usual),
    )
    drivers = build_drivers(rain, settings.forecast)
    static = traits(vaults, rooms, readings)
    sample = sample_of(readings)

    def tell(done: int) -> None:
        if on_progress is not None:
            on_progress(done, 2 * len(TAUS_DAYS))

    learned = learner(drivers, site, readings, static, sample, tell)
    priors, evidence = [prior for prior, _ in learned], [found for _, found in learned]
    shares = tau_shares(np.stack(evidence))
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
        shares=shares,
        first_looks=_first_looks(drivers, site, readings, static, priors, shares, sample),
    )


def refit(
    model: WaterModel, frames: Frames, *, vault_ids: Sequence[str], as_of: pd.Timestamp
) -> WaterModel:
    """Return the model with what was seen since, without learning the whole fleet anew.

    Parameters
    ----------
    model
        From :func:`fit_water`, or from here.
    frames
        ``visits``: all visits, old and new, of the vaults in ``vault_ids`` and maybe of others;
        ``rainfall`` and ``rain_outlook`` as they are now. Rows after the as-of day are not read.
    vault_ids
        Vaults with new or changed visits; the readings of all others stay as they were.
    as_of
        Last local day whose results are known now.

    Raises
    ------
    SchemaError
        If a vault is unknown, or the as-of day lies before that of the model.

    Notes
    -----
    What the fleet teaches (priors, shares of residence times, first looks) stays as it was at the
    last full fit; only the vaults' own readings, and the rain, are new.
    """
    as_of = pd.Timestamp(as_of).normalize()
    if as_of < model.as_of:
        raise SchemaError(
            f"the model already knows {model.as_of:%Y-%m-%d}; fit anew for {as_of:%Y-%m-%d}"
        )
    as_of_day = _day(as_of)
    touched = model.vault_ids.get_indexer(pd.Index(sorted(set(vault_ids)))).astype(np.int64)
    if (touched < 0).any():
        raise SchemaError("a vault with new visits is not in the model: fit anew to take it in")
    touched = np.sort(touched)
    settings, site = model.settings, model.site
    visits, owner, day = sorted_visits(
        frames["visits"],
        model.vault_ids[touched],
        as_of_day=as_of_day,
        time_zone=settings.time_zone,
    )
    fresh = read_visits(
        visits,
        owner,
        day,
        room_depth_in=site.depth_in[touched],
        area_sqft=site.area_sqft[touched],
    )
    rain = _rain_known(frames, as_of_day, model.drivers.first_day, settings)
    if rain.gauge_ids != model.drivers.source.gauge_ids:
        raise SchemaError("gauges came or went since the fit: fit anew")
    return replace(
        model,
        as_of=as_of,
        readings=spliced(model.readings, touched, fresh),
        drivers=build_drivers(rain, settings.forecast),
    )


def _day(day: pd.Timestamp) -> int:
    return int(day_number(pd.DatetimeIndex([day]))[0])


def _rain_known(frames: Frames, as_of_day: int, first_visit_day: int, settings: Settings) -> Rain:
    return read_rain(
        frames.get("rainfall", table("rainfall").empty()),
        frames.get("rain_outlook", table("rain_outlook").empty()),
        as_of_day=as_of_day,
        first_visit_day=first_visit_day,
        rain_years=settings.forecast.rain_years,
        time_zone=settings.time_zone,
    )


def _first_looks(
    drivers: Drivers,
    site: Site,
    readings: Readings,
    static: Floats,
    priors: list[TauPrior],
    shares: Floats,
    sample: Ints,
) -> FirstLooks | None:
    """Return how the sample's first looks at vaults came out against the fleet's prior alone."""
    first = readings.start[sample]
    never = readings.since[first] == NEVER
    vaults, first = sample[never], first[never]
    if not len(vaults):
        return None
    room = site.depth_in[vaults]
    rungs = rungs_of(room) / room
    nothing = np.zeros(len(vaults) + 1, np.int64)
    chance = np.zeros(rungs.shape)
    for k, share in enumerate(shares):
        rows = scaled(rows_of(drivers, k, site, readings, vaults), priors[k].scale)
        pick = rows.start[:-1]
        x, y, weight = rows.x[:, pick], rows.y[pick], rows.weight[pick]
        sums = gather(x[:, :0], y[:0], weight[:0], nothing)
        alone = condition(priors[k].prior, linear(priors[k].traits, static[:, vaults]), sums)
        mu = np.zeros(len(vaults))
        for column, coefficient in zip(x, alone.mean, strict=True):
            mu += column * coefficient
        variance = alone.scale / alone.shape * (1.0 / weight + alone.variance_factor(x))
        chance += share * chance_below(rungs, mu[:, None], variance, 2.0 * alone.shape)
    paper = DepthDistribution(rungs * room, np.maximum.accumulate(chance, axis=0), room)
    found = readings.depth_in[first]
    is_dry, is_full = readings.kind[first] == DRY, readings.kind[first] == FULL
    reached = paper.chance_at(found)
    to = np.where(is_dry, paper.prob_dry, np.where(is_full, 1.0, reached))
    least = np.where(is_dry, 0.0, np.where(is_full, 1.0 - paper.prob_full, reached))
    return learn(to, least, paper.mean_in() / room)
