"""What removing a year's water cost, beside the ways of before; never a price times jobs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schema import GRADES, METHODS
from vaultplan.settings import ReportSettings, ScheduleSettings

Floats = npt.NDArray[np.float64]

_GRADES: Final = (*GRADES, "unknown")


@dataclass(frozen=True, slots=True)
class Prices:
    """Prices an hour and a gallon, and where they come from in words."""

    crew_usd_per_hour: float
    vacuum_usd_per_hour: float
    disposal_usd_per_gal: float
    source: str


@dataclass(frozen=True, slots=True)
class Costs:
    """A year's reckoned costs beside those of the baseline's ways.

    ``spent``, ``before`` and ``saved`` are low, middle and high USD; ``shares`` a row per grade:
    grade, events, vacuum_frac_now, vacuum_frac_before, events_before; ``left_out`` pump-outs that
    are in none of it; ``without_gallons`` those reckoned with the usual gallons of their grade.
    """

    spent: tuple[float, float, float]
    before: tuple[float, float, float]
    saved: tuple[float, float, float]
    shares: pd.DataFrame
    events: int
    left_out: int
    without_gallons: int

    @property
    def is_told_apart(self) -> bool:
        """Whether the interval of the difference lies on one side of nothing."""
        return self.saved[0] > 0 or self.saved[2] < 0


def prices_of(trucks: pd.DataFrame, sites: pd.DataFrame, settings: ScheduleSettings) -> Prices:
    """Return the mean prices that trucks and disposal sites state, else those of the settings."""
    told, stated = [], []
    for kind, usual in (
        ("crew", settings.crew_usd_per_hour),
        ("vacuum", settings.vacuum_usd_per_hour),
    ):
        hourly = trucks.loc[trucks["kind"].eq(kind), "usd_per_hour"].dropna()
        told.append(float(hourly.mean()) if len(hourly) else usual)
        stated.append(f"{kind} trucks' own prices" if len(hourly) else f"assumed {kind} price")
    dump = sites["usd_per_gal"].dropna()
    told.append(float(dump.mean()) if len(dump) else settings.disposal_usd_per_gal)
    stated.append("disposal sites' own prices" if len(dump) else "assumed disposal price")
    crew, vacuum, disposal = told
    return Prices(crew, vacuum, disposal, ", ".join(stated))


def week_cells(events: pd.DataFrame) -> dict[str, Floats]:
    """Return pump-outs, and gallons and pump-outs of known gallons, by week, grade and method.

    Parameters
    ----------
    events
        week (any number that a calendar week has to itself), grade, method, tenths.

    Returns
    -------
    dict
        ``count``, ``gal`` and ``known``, each (weeks, grades, methods).
    """
    weeks = np.unique(events["week"].to_numpy(np.int64), return_inverse=True)
    size = (len(weeks[0]), len(_GRADES), len(METHODS))
    grade = pd.Index(_GRADES).get_indexer(pd.Index(events["grade"], dtype=object))
    method = pd.Index(METHODS).get_indexer(pd.Index(events["method"], dtype=object))
    fits = (grade >= 0) & (method >= 0)
    cell = np.ravel_multi_index((weeks[1][fits], grade[fits], method[fits]), size)
    tenths = events["tenths"].to_numpy(dtype=float, na_value=np.nan)[fits]

    def added(weights: Floats) -> Floats:
        sums = np.bincount(cell, weights, minlength=int(np.prod(size)))
        return np.asarray(sums, dtype=np.float64).reshape(size)

    known = ~np.isnan(tenths)
    return {
        "count": added(np.ones(len(tenths))),
        "gal": added(np.where(known, tenths, 0.0) / 10.0),
        "known": added(known.astype(float)),
    }


def costs_of_year(
    now: pd.DataFrame,
    before: pd.DataFrame,
    prices: Prices,
    settings: ReportSettings,
    schedule: ScheduleSettings,
) -> Costs | None:
    """Return what a year's pump-outs cost, and would have cost done as in the baseline years.

    Parameters
    ----------
    now, before
        Pump-outs of the year and of the baseline years: week, grade, method, tenths.
    prices
        From :func:`prices_of`.
    settings, schedule
        Minutes and prices of a job with their ranges; pumping rates.

    Returns
    -------
    Costs or None
        Nothing where there is no pump-out of the baseline.

    Notes
    -----
    What would have been done is not known: the year's own pump-outs, grade by grade, are given the
    methods in the shares of the baseline years. A vacuum truck that a grade would not have got
    then saves nothing now, so clear water in a filter sock is no saving. Gallons are the year's
    mean of a grade on both sides: with equal shares the difference is exactly nothing. Pump-outs of
    a grade that the baseline never had, or by an unknown method, are on neither side.

    The interval is of draws in which the calendar weeks of both spans are drawn anew with
    replacement (weeks rather than jobs, for jobs of a week share weather and hands), and in which
    minutes and prices lie anywhere in their ranges. It does not cover whether the baseline's ways
    are what else would have been done.

    References
    ----------
    Efron, B., Tibshirani, R. J. (1993), An Introduction to the Bootstrap, Chapman & Hall, chapters
    8 and 13. Kunsch, H. R. (1989), The jackknife and the bootstrap for general stationary
    observations, Annals of Statistics 17(3), 1217-1241, doi:10.1214/aos/1176347265.
    """
    cells, base = week_cells(now), week_cells(before)
    if not base["count"].sum() or not cells["count"].sum():
        return None
    rng = np.random.default_rng(settings.seed)
    drawn_now = _redrawn(len(cells["count"]), settings.draws, rng)
    drawn_base = _redrawn(len(base["count"]), settings.draws, rng)
    middle = _money(
        {name: values.sum(0)[None] for name, values in cells.items()},
        base["count"].sum(0)[None],
        _unit_prices(prices, settings, schedule, None, 1),
        base["count"].sum(0),
    )
    drawn = _money(
        {name: np.tensordot(drawn_now, values, 1) for name, values in cells.items()},
        np.tensordot(drawn_base, base["count"], 1),
        _unit_prices(prices, settings, schedule, rng, settings.draws),
        base["count"].sum(0),
    )
    tail = 50.0 * (1.0 - settings.interval)
    bands = []
    for centre, draws in zip(middle, drawn, strict=True):
        low, high = np.percentile(draws, [tail, 100.0 - tail])
        bands.append((float(low), float(centre[0]), float(high)))
    told = cells["count"].sum(0)
    has_base = base["count"].sum(0).sum(-1) > 0
    reckoned = int(told[has_base].sum())
    known = int(cells["known"].sum(0)[has_base].sum())
    spent, ways, saved = bands
    return Costs(
        spent=spent,
        before=ways,
        saved=saved,
        shares=_shares(told, base["count"].sum(0)),
        events=reckoned,
        left_out=len(now) - reckoned,
        without_gallons=reckoned - known,
    )


def _redrawn(weeks: int, draws: int, rng: np.random.Generator) -> Floats:
    """Return how often each week is in each draw."""
    return rng.multinomial(weeks, np.full(weeks, 1.0 / weeks), size=draws).astype(float)


def _unit_prices(
    prices: Prices,
    settings: ReportSettings,
    schedule: ScheduleSettings,
    rng: np.random.Generator | None,
    draws: int,
) -> Mapping[str, Floats]:
    """Return USD a job and a gallon of each method, (draws, methods), in their middle or drawn."""

    def between(least: float, most: float) -> Floats:
        share = np.full(draws, 0.5) if rng is None else rng.random(draws)
        return least + share * (most - least)

    def about(price: float) -> Floats:
        spread = settings.price_spread_frac
        return between(price * (1.0 - spread), price * (1.0 + spread))

    crew, vacuum = about(prices.crew_usd_per_hour) / 60.0, about(prices.vacuum_usd_per_hour) / 60.0
    crew_job = between(*settings.crew_minutes) * crew
    sock = between(*settings.sock_usd) * max(1, schedule.socks_per_job)
    vacuum_job = between(*settings.vacuum_minutes) * vacuum
    by_job = np.stack([crew_job, crew_job + sock, vacuum_job], axis=1)
    by_gal = np.stack(
        [
            crew / schedule.pump_gpm,
            crew / schedule.sock_gpm,
            vacuum / schedule.pump_gpm + about(prices.disposal_usd_per_gal),
        ],
        axis=1,
    )
    return {"job": by_job, "gal": by_gal}


def _money(
    cells: Mapping[str, Floats], base: Floats, unit: Mapping[str, Floats], ever: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return spent, what the baseline's ways cost, and the difference, per draw."""
    count = cells["count"]  # (draws, grades, methods)
    of_grade = count.sum(2)
    known = cells["known"].sum(2)
    whole = cells["known"].sum((1, 2)), cells["gal"].sum((1, 2))
    mean_all = np.divide(whole[1], whole[0], out=np.zeros_like(whole[0]), where=whole[0] > 0)
    gal = np.divide(
        cells["gal"].sum(2), known, out=np.repeat(mean_all[:, None], len(_GRADES), 1),
        where=known > 0,
    )  # fmt: skip
    usual = ever / np.maximum(ever.sum(-1, keepdims=True), 1.0)
    total = base.sum(2, keepdims=True)
    # A grade that no drawn week of the baseline had keeps the shares of all its weeks.
    shares = np.where(total > 0, base / np.maximum(total, 1.0), usual)
    price = unit["job"][:, None, :] + gal[:, :, None] * unit["gal"][:, None, :]
    has_base = ever.sum(-1) > 0
    spent = (count * price)[:, has_base].sum((1, 2))
    before = (of_grade[:, :, None] * shares * price)[:, has_base].sum((1, 2))
    return spent, before, before - spent


def _shares(now: Floats, before: Floats) -> pd.DataFrame:
    vacuum = METHODS.index("vacuum_truck")
    rows = []
    for place, grade in enumerate(_GRADES):
        mine, base = now[place], before[place]
        rows.append(
            {
                "grade": grade,
                "events": int(mine.sum()),
                "vacuum_frac_now": mine[vacuum] / mine.sum() if mine.sum() else np.nan,
                "events_before": int(base.sum()),
                "vacuum_frac_before": base[vacuum] / base.sum() if base.sum() else np.nan,
            }
        )
    return pd.DataFrame(rows)
