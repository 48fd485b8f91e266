"""Rain as the vaults feel it: exponentially fading sums, past and to come."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.spatial import cKDTree

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Residence times of water, days: from an open drain to a tight box; assumed, spans what is seen.
TAUS_DAYS: Final = tuple(float(tau) for tau in np.geomspace(4.0, 1300.0, 8).round(3))
LONGEST_RECORD_DAYS: Final = 40 * 366
SEASON_RUN_IN_DAYS: Final = 6000
#: A past year stands for the days asked for, and moved by so many days for as many more: the
#: calendar is not that exact, and ten years are few. On invented fleets worth 1 % of the CRPS.
SHIFTS_DAYS: Final = (0, 12, -12, 24, -24)
MOST_MEMBERS: Final = 50
YEAR_DAYS: Final = 365.25


def day_number(days: pd.Series[pd.Timestamp] | pd.DatetimeIndex) -> Ints:
    """Return local dates as whole days since 1970-01-01."""
    return np.asarray(days.to_numpy(), "datetime64[D]").astype(np.int64)


def local_day_number(times: pd.Series[pd.Timestamp], time_zone: str) -> Ints:
    """Return the local day of each aware time, as days since 1970-01-01."""
    local = times.dt.tz_convert(time_zone).dt.tz_localize(None)
    return np.asarray(local.to_numpy(), "datetime64[D]").astype(np.int64)


@dataclass(frozen=True, slots=True)
class Rain:
    """Daily rain of every gauge from ``first_day`` to the as-of day, without gaps.

    ``rain_in`` is (gauges + 1, days); its last row is the mean of all gauges and stands for
    vaults that have none. ``outlook`` maps a gauge's row to days ahead x members. ``years`` past
    years can stand for unknown rain. ``is_known`` is False if there is no rain record at all.
    """

    gauge_ids: tuple[str, ...]
    first_day: int
    as_of_day: int
    rain_in: Floats
    by_month_in: Floats
    outlook: dict[int, Floats]
    years: int
    is_known: bool

    def ahead(self, days: int) -> Floats:
        """Return possible rain of the next ``days`` days as gauges x members x days.

        Members of the outlook come first while they last; then the same calendar days of past
        years, moved by ``SHIFTS_DAYS``: member i goes on with year i, counted round. Beyond a
        record shorter than a year, the monthly mean. All gauges of one member share the weather
        of one year.
        """
        issued = max((members.shape[1] for members in self.outlook.values()), default=1)
        count = min(max(issued, self.years * len(SHIFTS_DAYS), 1), MOST_MEMBERS)
        gauges = len(self.rain_in)
        future = np.empty((gauges, count, days))
        coming = self.as_of_day + 1 + np.arange(days)
        usual = self.by_month_in[:, month_of(coming)]
        for member in range(count):
            if self.years == 0:
                future[:, member] = usual
                continue
            back = member % self.years + 1 + np.arange(days) // 365
            moved = SHIFTS_DAYS[member // self.years % len(SHIFTS_DAYS)]
            at = coming - np.round(YEAR_DAYS * back).astype(np.int64) - self.first_day + moved
            inside = (at >= 0) & (at < self.rain_in.shape[1])
            past = self.rain_in[:, np.clip(at, 0, self.rain_in.shape[1] - 1)]
            future[:, member] = np.where(inside, past, usual)
        for gauge, members in self.outlook.items():
            span = min(days, len(members))
            chosen = np.linspace(0, members.shape[1] - 1, min(members.shape[1], count)).round()
            for member in range(count):
                told = members[:span, int(chosen[member % len(chosen)])]
                kept = future[gauge, member, :span]
                future[gauge, member, :span] = np.where(np.isnan(told), kept, told)
        if self.outlook:
            # Vaults without a gauge get the mean of the gauges in every member.
            future[-1] = future[:-1].mean(axis=0)
        return future


def month_of(days: Ints) -> Ints:
    """Return the month of each day number, 0 for January."""
    months: Ints = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12
    return months


def read_rain(
    rainfall: pd.DataFrame,
    rain_outlook: pd.DataFrame,
    *,
    as_of_day: int,
    first_visit_day: int,
    rain_years: int,
    time_zone: str,
) -> Rain:
    """Return the rain known on the as-of day.

    Parameters
    ----------
    rainfall
        ``gauge_id``, ``fell_on``, ``rain_in``; rows after the as-of day are left out.
    rain_outlook
        ``gauge_id``, ``issued_at``, ``falls_on``, ``member``, ``rain_in``; of each gauge the
        latest issue that is not after the as-of day.
    as_of_day, first_visit_day
        Day numbers.

    Notes
    -----
    A missing day takes the mean of the other gauges on that day, else the month's mean of that
    gauge: a gap is never read as a dry spell.
    """
    day = day_number(rainfall["fell_on"])
    keep = (day <= as_of_day) & (day > as_of_day - LONGEST_RECORD_DAYS)
    keep &= rainfall["rain_in"].notna().to_numpy(bool)
    day, amount = day[keep], rainfall["rain_in"].to_numpy(float)[keep]
    codes, ids = pd.factorize(rainfall["gauge_id"].to_numpy()[keep], sort=True)
    first_rain = int(day.min()) if len(day) else as_of_day
    first = max(min(first_rain, first_visit_day), as_of_day - LONGEST_RECORD_DAYS)
    span = as_of_day - first + 1
    seen = np.full((len(ids) + 1, span), np.nan)
    seen[codes, day - first] = amount
    day_mean = _mean(seen[:-1], 0)
    seen = np.where(np.isnan(seen), day_mean, seen)
    months = month_of(first + np.arange(span))
    by_month = np.stack([_mean(seen[:, months == month], 1) for month in range(12)], axis=1)
    overall = _mean(seen, 1)
    by_month = np.where(np.isnan(by_month), np.nan_to_num(overall)[:, None], by_month)
    rain = np.where(np.isnan(seen), by_month[:, months], seen)
    return Rain(
        gauge_ids=tuple(str(name) for name in ids),
        first_day=first,
        as_of_day=as_of_day,
        rain_in=rain,
        by_month_in=by_month,
        outlook=_latest_outlook(rain_outlook, tuple(ids), as_of_day, time_zone),
        years=int(min(rain_years, (as_of_day - first_rain + 1) // YEAR_DAYS)),
        is_known=len(ids) > 0,
    )


def gauges_of_vaults(
    vaults: pd.DataFrame, gauges: pd.DataFrame, rain: Rain, used: int = 1
) -> tuple[Ints, Floats]:
    """Return the rows of ``rain.rain_in`` that stand for each vault, and what each counts for.

    The vault's own ``gauge_id`` if that gauge has a record, else the ``used`` nearest gauges that
    have one, weighted by one over the squared distance, else the mean of all gauges.

    Returns
    -------
    tuple
        Rows and shares, both (used, vaults); shares sum to 1.
    """
    index = pd.Index(list(rain.gauge_ids), dtype="str")
    own = index.get_indexer(pd.Index(vaults["gauge_id"].astype("str"))).astype(np.int64)
    used = max(min(used, len(index)), 1)
    row = np.tile(np.where(own < 0, len(index), own), (used, 1))
    share = np.zeros(row.shape)
    share[0] = 1.0
    placed = gauges[gauges["gauge_id"].isin(index)].sort_values("gauge_id")
    lost = own < 0
    if lost.any() and len(placed) and "geometry" in gauges and "geometry" in vaults:
        placed = placed[placed.geometry.notna()]
        here = vaults.geometry[lost]
        known = here.notna().to_numpy(bool)
        if len(placed) and known.any():
            tree = cKDTree(np.column_stack([placed.geometry.x, placed.geometry.y]))
            spots = np.column_stack([here[known].x, here[known].y])
            near = min(used, len(placed))
            away, found = tree.query(spots, k=list(range(1, near + 1)))
            pull = 1.0 / np.maximum(away, 1.0) ** 2
            at = np.flatnonzero(lost)[known]
            row[:near, at] = index.get_indexer(pd.Index(placed["gauge_id"]))[found].T
            share[:near, at] = (pull / pull.sum(axis=1, keepdims=True)).T
    return row, share


def fading_sum(series: Floats, tau_days: float, before: Floats | None = None) -> Floats:
    """Return ``F(t) = sum over s <= t of exp(-(t - s) / tau) * series(s)`` along the last axis.

    ``before`` is F on the day before the series begins; its steady value if not given, as though
    the mean of the series had always been.

    >>> fading_sum(np.array([1.0, 0.0, 0.0]), 1.0, np.array(0.0)).round(3)
    array([1.   , 0.368, 0.135])
    """
    # It takes longer to load than all of numpy: only who sums rain waits for it.
    from scipy.signal import lfilter

    keep = np.exp(-1.0 / tau_days)
    if before is None:
        before = series.mean(axis=-1) / (1.0 - keep)
    state = (keep * before)[..., None]
    summed: Floats = lfilter([1.0], [1.0, -keep], series, axis=-1, zi=state)[0]
    return summed


def runoff_in(rain_in: Floats, curve_number: float) -> Floats:
    """Return the runoff (in) of a day's rain (in) from ground of a curve number.

    Notes
    -----
    ``Q = (P - 0.2 S)^2 / (P + 0.8 S)`` where P exceeds 0.2 S, else 0, ``S = 1000 / CN - 10``.

    References
    ----------
    USDA-NRCS (1986), Urban Hydrology for Small Watersheds, Technical Release 55, 2nd ed.,
    eq. 2-3 and 2-4.

    >>> runoff_in(np.array([0.1, 3.0]), 80.0).round(2)
    array([0.  , 1.25])
    """
    storage = 1000.0 / curve_number - 10.0
    over = np.maximum(rain_in - 0.2 * storage, 0.0)
    runoff: Floats = over * over / (rain_in + 0.8 * storage + (over == 0))
    return runoff


def season_drivers(days: Ints, irrigation_from: str, irrigation_to: str) -> Floats:
    """Return irrigation (1 while it runs), cosine and sine of the year, as 3 x days."""
    dates = days.astype("datetime64[D]")
    year = dates.astype("datetime64[Y]")
    in_year = (dates - year.astype("datetime64[D]")).astype(np.int64)
    month = month_of(days) + 1
    in_month = (dates - dates.astype("datetime64[M]").astype("datetime64[D]")).astype(np.int64) + 1
    key = month * 100 + in_month
    start, end = (int(text[:2]) * 100 + int(text[3:]) for text in (irrigation_from, irrigation_to))
    inside = (key >= start) & (key <= end) if start <= end else (key >= start) | (key <= end)
    turn = 2.0 * np.pi * in_year / YEAR_DAYS
    return np.stack([inside.astype(float), np.cos(turn), np.sin(turn)])


def _mean(values: Floats, axis: int) -> Floats:
    known = ~np.isnan(values)
    count = known.sum(axis=axis)
    total = np.where(known, values, 0.0).sum(axis=axis)
    mean: Floats = np.where(count > 0, total / np.maximum(count, 1), np.nan)
    return mean


def _latest_outlook(
    outlook: pd.DataFrame, gauge_ids: tuple[str, ...], as_of_day: int, time_zone: str
) -> dict[int, Floats]:
    """Return the latest outlook of each gauge with a record: days ahead x members."""
    if outlook.empty or not gauge_ids:
        return {}
    known = outlook[local_day_number(outlook["issued_at"], time_zone) <= as_of_day]
    known = known[known["gauge_id"].isin(gauge_ids)]
    ahead = pd.Series(day_number(known["falls_on"]) - as_of_day - 1, known.index)
    latest = known.groupby("gauge_id")["issued_at"].transform("max")
    known = known.assign(ahead=ahead)[(known["issued_at"] == latest) & (ahead >= 0)]
    members = {}
    for gauge_id, rows in known.groupby("gauge_id"):
        wide = rows.pivot_table("rain_in", "ahead", "member", aggfunc="mean", sort=True)
        wide = wide.reindex(range(int(wide.index.max()) + 1))
        members[gauge_ids.index(str(gauge_id))] = wide.to_numpy(float)
    return members
