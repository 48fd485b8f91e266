"""How good forecasts would have been: made again for past days, and held against later visits."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.forecast.fitting import fit_water
from vaultplan.forecast.grade import fit_grades
from vaultplan.forecast.looks import Looks, looks_of
from vaultplan.forecast.rivals import RIVALS
from vaultplan.forecast.skill_points import MODEL, depth_points, grade_points
from vaultplan.forecast.skill_refill import refill_cases
from vaultplan.forecast.weather import TAUS_DAYS, day_number
from vaultplan.schema import Frames
from vaultplan.settings import Settings

Progress = Callable[[int, int], None]

TREES: Final = "boosted trees"
#: Readings known on the origin day from which on a fleet's forecast can be scored; assumed.
LEAST_KNOWN: Final = 50
STEP_MONTHS: Final = 3
USUAL_ORIGINS: Final = 8
HORIZON_DAYS: Final = 90


@dataclass(frozen=True, slots=True)
class Backtest:
    """Past forecasts beside what visits found; from :func:`backtest`.

    ``points`` has a row per origin and vault looked into; ``refills`` a row per vault pumped dry
    after an origin and looked into again. ``methods`` are the forecasts of depth compared, the
    model's first. ``looked_at`` counts the first looks there were; ``points`` may be a sample.
    """

    points: pd.DataFrame
    refills: pd.DataFrame
    methods: tuple[str, ...]
    origins: tuple[pd.Timestamp, ...]
    horizon_days: int
    as_of: pd.Timestamp
    looked_at: int
    working_depth_in: float


def origin_days(
    as_of: pd.Timestamp,
    *,
    first: pd.Timestamp | None = None,
    last: pd.Timestamp | None = None,
    count: int = USUAL_ORIGINS,
    horizon_days: int = HORIZON_DAYS,
) -> list[pd.Timestamp]:
    """Return days to forecast from, three months apart.

    From ``first`` on if it is given, else ``count`` days back from ``last``; the last is, unless
    given, the latest day whose horizon was over on the as-of day.

    Raises
    ------
    SettingsError
        If ``first`` comes after the last day, or no day is asked for.

    Examples
    --------
    >>> [str(day.date()) for day in origin_days(pd.Timestamp("2026-10-30"), count=2)]
    ['2026-05-01', '2026-08-01']
    """
    end = last if last is not None else pd.Timestamp(as_of) - pd.Timedelta(days=horizon_days)
    end = pd.Timestamp(end).normalize().as_unit("s")
    if count < 1:
        raise SettingsError("forecast from one day at least")
    if first is None:
        return [end - pd.DateOffset(months=STEP_MONTHS * back) for back in reversed(range(count))]
    start = pd.Timestamp(first).normalize().as_unit("s")
    if start > end:
        raise SettingsError(
            f"the first day to forecast from, {start:%Y-%m-%d}, comes after the last, "
            f"{end:%Y-%m-%d}; name an earlier one, or a shorter horizon"
        )
    days: list[pd.Timestamp] = []
    while (day := start + pd.DateOffset(months=STEP_MONTHS * len(days))) <= end:
        days.append(day)
    return days


def backtest(
    frames: Frames,
    *,
    settings: Settings,
    as_of: pd.Timestamp,
    origins: Sequence[pd.Timestamp],
    horizon_days: int = HORIZON_DAYS,
    with_trees: bool = False,
    most_points: int = 20_000,
    seed: int = 1,
    on_progress: Progress | None = None,
) -> Backtest:
    """Return past forecasts of depth, refill and grade beside what was found.

    From each origin, with what was known on that day, every vault is forecast for the day of its
    first look after the origin: only then is its state on the origin day also its state before
    the look.

    Parameters
    ----------
    frames
        Schema tables ``vaults`` and ``visits``; ``gauges``, ``rainfall`` and ``rain_outlook`` if
        there are any.
    settings
        ``time_zone``, ``forecast``.
    as_of
        Last day whose visits are held against forecasts.
    origins
        Last days known to the forecasts; days too early or not before ``as_of`` are left out.
    horizon_days
        Looks later than this after the origin are not forecast.
    with_trees
        Compare with boosted trees too, which takes some minutes and needs scikit-learn.
    most_points
        Vaults forecast per origin, drawn at random where more were looked into.
    seed
        Of that draw, and of the randomised PIT where a vault was dry or full.
    on_progress
        Called with steps done and steps in all.

    Raises
    ------
    SchemaError
        If a table is missing, there are no looks at the water, or none that can be forecast.
    MissingExtraError
        If trees are asked for and scikit-learn is not installed.

    Notes
    -----
    ``points`` has ``origin_on``, ``vault_id``, ``on``, ``days_ahead``, the vault's classes,
    ``visit_count`` (own looks before), ``confidence``, ``seen`` (dry, measured, full),
    ``depth_in`` (found), ``room_depth_in``, ``depth_in_p05`` to ``_p95`` by 5, ``prob_dry``,
    ``prob_full``, ``prob_working`` (working depth or more), ``pit``, ``days_since_pumped`` (blank
    unless the vault was pumped dry before the origin, at most 90 days before the look),
    ``usual_standing`` (how often working depth stood so long after a pump-out); per method
    ``crps_in_METHOD`` and ``pinball_in_p10/p50/p90_METHOD``; ``grade``,
    ``prob_clear/light/heavy``, and ``rps_METHOD`` and ``log_loss_METHOD``, blank where nothing
    was graded. ``pit`` is the chance of no more than what was found; for a vault found dry or
    full, which the forecast gives a chance as such, a draw from what that chance covers. The
    table of vaults is as it is today on every origin.
    """
    for name in ("vaults", "visits"):
        if name not in frames:
            raise SchemaError(f"a backtest needs the {name} table")
    as_of = pd.Timestamp(as_of).normalize()
    looks = looks_of(frames, until_day=_day(as_of), settings=settings)
    days = _kept(origins, as_of, looks)
    rivals = tuple(name for name in RIVALS if with_trees or name != TREES)
    steps = len(TAUS_DAYS) + 1 + len(rivals) + 1
    points, refills, looked_at = [], [], 0
    for number, origin in enumerate(days):
        done = _Steps(on_progress, number * steps, len(days) * steps)
        until = min(_day(origin) + horizon_days, _day(as_of))
        draw = np.random.default_rng([seed, _day(origin)])
        rows = looks.first_after(_day(origin), until)
        looked_at += len(rows)
        rows = np.sort(draw.permutation(rows)[:most_points])
        model = fit_water(frames, as_of=origin, settings=settings, on_progress=done.of_fit)
        depths = depth_points(model, looks, rows, rivals, draw, done.of_methods)
        grades = fit_grades(frames, as_of=origin, settings=settings)
        land_use = model.classes["land_use"]
        points.append(depths.join(grade_points(grades, looks, rows, depths, land_use)))
        again = looks.after_pumping(_day(origin), until)
        again = np.sort(draw.permutation(again)[:most_points])
        refills.append(refill_cases(model, looks, again))
        done.told(steps)
    if not looked_at:
        raise SchemaError(
            f"no vault was looked into within {horizon_days} days after any of the {len(days)} "
            "day(s) forecast from; choose others, or a longer horizon"
        )
    return Backtest(
        points=pd.concat(points, ignore_index=True),
        refills=pd.concat(refills, ignore_index=True),
        methods=(MODEL, *rivals),
        origins=tuple(days),
        horizon_days=horizon_days,
        as_of=as_of,
        looked_at=looked_at,
        working_depth_in=settings.forecast.working_depth_in,
    )


@dataclass(frozen=True, slots=True)
class _Steps:
    """Tells how far a backtest is: so many steps before this origin, so many in all."""

    on_progress: Progress | None
    before: int
    total: int

    def told(self, done: int) -> None:
        if self.on_progress is not None:
            self.on_progress(self.before + done, self.total)

    def of_fit(self, done: int, _total: int) -> None:
        self.told(min(done, len(TAUS_DAYS)))

    def of_methods(self, done: int) -> None:
        self.told(len(TAUS_DAYS) + done)


def _kept(origins: Sequence[pd.Timestamp], as_of: pd.Timestamp, looks: Looks) -> list[pd.Timestamp]:
    """Return the origins in order, each once, from which there is something to forecast with."""
    days = sorted({pd.Timestamp(day).normalize().as_unit("s") for day in origins})
    before = [day for day in days if day < as_of]
    if not before:
        raise SchemaError(
            f"no day to forecast from lies before {as_of:%Y-%m-%d}, the last day known; "
            "name earlier ones"
        )
    if not len(looks.day):
        raise SchemaError("no visit saw how much water there was: there is nothing to score")
    kept = [day for day in before if (looks.day <= _day(day)).sum() >= LEAST_KNOWN]
    if not kept:
        first = pd.Timestamp(int(looks.day.min()), unit="D")
        raise SchemaError(
            f"too short a history: looks at the water begin on {first:%Y-%m-%d}, and a forecast "
            f"from {before[-1]:%Y-%m-%d} would know fewer than {LEAST_KNOWN} of them; load "
            "earlier visits, or forecast from later days"
        )
    return kept


def _day(day: pd.Timestamp) -> int:
    return int(day_number(pd.DatetimeIndex([pd.Timestamp(day).normalize()]))[0])
