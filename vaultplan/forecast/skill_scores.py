"""What a backtest adds up to: mean scores beside rivals, coverage, and how chances came out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.readings import DRY_IN
from vaultplan.forecast.reliability import (
    brier_parts,
    calibration_error,
    calibration_error_by_chance,
    reliability_table,
    warnings_given,
)
from vaultplan.forecast.resampling import Resampled, resample
from vaultplan.forecast.scores import brier
from vaultplan.forecast.skill import Backtest
from vaultplan.forecast.skill_points import GRADE_RIVALS, MODEL, PLANNED, score_column
from vaultplan.schema import GRADES
from vaultplan.settings import DischargeSettings

Floats = npt.NDArray[np.float64]

REPLICATES: Final = 300
CLASSES: Final = ("kind", "lid", "soil_group", "land_use", "setting")
VISIT_GROUPS: Final = ("0 looks", "1-4 looks", "5+ looks")
AHEAD_STEPS: Final = (14, 30, 60, 90)
BANDS: Final = {50: (0.25, 0.75), 80: (0.10, 0.90), 90: (0.05, 0.95)}
PIT_BINS: Final = 10
#: Fewer points than this are told without an interval; assumed.
LEAST_POINTS: Final = 20
#: Chances are rounded to this step before the Brier score is taken apart.
PARTS_STEP: Final = 20


@dataclass(frozen=True, slots=True)
class Skill:
    """How good past forecasts were, as tables.

    ``scores``
        ``part`` (depth, grade), ``by`` (all, looks before, days ahead, origin, confidence, a
        class), ``group``, ``points``, ``vaults``, ``measure``, ``method``, ``value`` and the ends
        ``low``, ``high`` of its 90 % interval, blank where there are too few points.
    ``pit``
        ``group``, ``from_frac``, ``to_frac``, ``points``: histogram of the PIT by looks before.
    ``events``
        Per event that was given a chance: ``points``, ``happened_frac``, ``forecast_frac``,
        ``brier``, ``usual_brier``, ``skill``, ``reliability``, ``resolution``, ``uncertainty``,
        ``calibration_error``, ``calibration_error_by_chance``.
    ``chances``
        ``event`` and the columns of :func:`vaultplan.forecast.reliability.reliability_table`.
    ``warnings``
        Per warning that the discharge rules go by: ``warning``, ``threshold``, ``hits``,
        ``false_alarms``, ``misses``, ``quiet``, ``hit_rate``, ``false_alarm_ratio``,
        ``threat_score``.
    """

    scores: pd.DataFrame
    pit: pd.DataFrame
    events: pd.DataFrame
    chances: pd.DataFrame
    warnings: pd.DataFrame


def summarise(
    tested: Backtest,
    *,
    discharge: DischargeSettings,
    seed: int = 1,
    replicates: int = REPLICATES,
) -> Skill:
    """Return what a backtest adds up to.

    Parameters
    ----------
    tested
        From :func:`vaultplan.forecast.skill.backtest`.
    discharge
        ``heavy_prob`` and ``light_prob``, from which on the rules reckon with a grade.
    seed, replicates
        Of the resampling behind the intervals.

    Notes
    -----
    Intervals are from the 5th to the 95th percentile of resampled means: vaults and origins are
    drawn with replacement, each for themselves, because a vault's errors are alike from one
    origin to the next and the errors of one origin share its weather (A. B. Owen (2007), The
    pigeonhole bootstrap, Ann. Appl. Stat. 1(2):386-411, doi:10.1214/07-AOAS122). They are
    cautious with few origins.
    """
    points = tested.points
    graded = points[points["grade"].notna()].reset_index(drop=True)
    scores = pd.concat(
        [
            _depth_scores(points, tested.methods, seed, replicates),
            _grade_scores(graded, seed, replicates),
        ],
        ignore_index=True,
    )
    events, chances = _events(tested, graded)
    return Skill(
        scores=scores,
        pit=_pit_histogram(points),
        events=events,
        chances=chances,
        warnings=_warnings(graded, discharge),
    )


def looks_group(visit_count: pd.Series[int]) -> pd.Series[str]:
    """Return none, 1-4 or 5+ looks for each count."""
    step = np.searchsorted([1, 5], visit_count.to_numpy(), side="right")
    return pd.Series(np.array(VISIT_GROUPS)[step], visit_count.index, dtype="str")


def ahead_group(days_ahead: pd.Series[int]) -> pd.Series[str]:
    """Return the stretch of days ahead that each falls into."""
    lows = [1, *(step + 1 for step in AHEAD_STEPS)]
    names = [f"{low}-{high} days" for low, high in zip(lows, AHEAD_STEPS, strict=False)]
    step = np.searchsorted(AHEAD_STEPS, days_ahead.to_numpy())
    return pd.Series(np.array([*names, f"{lows[-1]}+ days"])[step], days_ahead.index, dtype="str")


def groupings(points: pd.DataFrame) -> dict[str, pd.Series[str]]:
    """Return the ways in which points are parted into groups, with each point's group."""
    found = {
        "all": pd.Series("all", points.index, dtype="str"),
        "looks before": looks_group(points["visit_count"]),
        "days ahead": ahead_group(points["days_ahead"]),
        "origin": points["origin_on"].dt.strftime("%Y-%m-%d").astype("str"),
        "confidence": points["confidence"].astype("str"),
    }
    for name in CLASSES:
        found[name] = points[name].astype("str").fillna("not stated")
    return found


def _depth_scores(
    points: pd.DataFrame, methods: Sequence[str], seed: int, replicates: int
) -> pd.DataFrame:
    pit = points["pit"]
    columns: dict[tuple[str, str], pd.Series[float]] = {}
    for method in methods:
        columns["crps_in", method] = points[score_column("crps_in", method)]
        for level in PLANNED:
            name = f"pinball_in_p{round(100 * level)}"
            columns[name, method] = points[score_column(name, method)]
    for percent, (low, high) in BANDS.items():
        columns[f"inside_{percent}", MODEL] = pit.between(low, high).astype(float)
    columns["above_p90", MODEL] = (pit > 0.9).astype(float)
    columns["below_p10", MODEL] = (pit < 0.1).astype(float)
    return _scores("depth", points, columns, "crps_in", methods[1:], seed, replicates)


def _grade_scores(graded: pd.DataFrame, seed: int, replicates: int) -> pd.DataFrame:
    columns: dict[tuple[str, str], pd.Series[float]] = {}
    for score in ("rps", "log_loss"):
        for method in (MODEL, *GRADE_RIVALS):
            columns[score, method] = graded[score_column(score, method)]
    return _scores("grade", graded, columns, "rps", GRADE_RIVALS, seed, replicates)


def _scores(
    part: str,
    points: pd.DataFrame,
    columns: dict[tuple[str, str], pd.Series[float]],
    shared: str,
    rivals: Sequence[str],
    seed: int,
    replicates: int,
) -> pd.DataFrame:
    """Return means of the columns, and the model's share of each rival's score ``shared``."""
    keys = list(columns)
    rows: list[pd.DataFrame] = []
    if len(points):
        values: Floats = np.stack([columns[key].to_numpy(float) for key in keys], axis=1)
        groups = groupings(points)
        draws = resample(points, values, groups, seed=seed, replicates=replicates)
        for by, found in draws.items():
            for key, place in zip(keys, range(len(keys)), strict=True):
                rows.append(
                    _told(part, by, found, *key, found.mean[:, place], found.draws[..., place])
                )
            own = keys.index((shared, MODEL))
            for rival in rivals:
                other = keys.index((shared, rival))
                with np.errstate(divide="ignore", invalid="ignore"):
                    share = found.mean[:, own] / found.mean[:, other]
                    drawn = found.draws[..., own] / found.draws[..., other]
                rows.append(_told(part, by, found, f"{shared}_share", rival, share, drawn))
    names = ["part", "by", "group", "points", "vaults", "measure", "method", "value", "low", "high"]
    return pd.concat(rows, ignore_index=True) if rows else pd.DataFrame(columns=names)


def _told(
    part: str,
    by: str,
    found: Resampled,
    measure: str,
    method: str,
    value: Floats,
    draws: Floats,
) -> pd.DataFrame:
    enough = (found.points >= LEAST_POINTS) & np.isfinite(draws).any(axis=0)
    ends = np.full((2, len(value)), np.nan)
    if enough.any():
        ends[:, enough] = np.nanpercentile(draws[:, enough], (5, 95), axis=0)
    return pd.DataFrame(
        {
            "part": part,
            "by": by,
            "group": found.names,
            "points": found.points,
            "vaults": found.vaults,
            "measure": measure,
            "method": method,
            "value": value,
            "low": ends[0],
            "high": ends[1],
        }
    )


def _pit_histogram(points: pd.DataFrame) -> pd.DataFrame:
    step = np.minimum((points["pit"].to_numpy(float) * PIT_BINS).astype(int), PIT_BINS - 1)
    looks = looks_group(points["visit_count"]).to_numpy()
    parts = []
    for group in ("all", *VISIT_GROUPS):
        chosen = step if group == "all" else step[looks == group]
        count = np.bincount(chosen, minlength=PIT_BINS)
        frame = pd.DataFrame({"group": group, "from_frac": np.arange(PIT_BINS) / PIT_BINS})
        parts.append(frame.assign(to_frac=frame["from_frac"] + 1 / PIT_BINS, points=count))
    return pd.concat(parts, ignore_index=True)


def _events(tested: Backtest, graded: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    points, refills = tested.points, tested.refills
    is_deep = points["depth_in"] >= tested.working_depth_in
    pumped = points["days_since_pumped"].notna()
    cases = {
        "dry": (points["depth_in"] < DRY_IN, points["prob_dry"], None),
        "full": (points["seen"] == "full", points["prob_full"], None),
        "working": (is_deep, points["prob_working"], None),
        **{name: (graded["grade"] == name, graded[f"prob_{name}"], None) for name in GRADES},
        "standing": (
            is_deep[pumped],
            points.loc[pumped, "prob_working"],
            points.loc[pumped, "usual_standing"],
        ),
        "back": (refills["is_standing"], refills["prob_back"], refills["usual_standing"]),
    }
    lines, tables = [], []
    for event, (happened, chance, usual) in cases.items():
        if len(chance):
            came, given = happened.to_numpy(bool), chance.to_numpy(float)
            told = None if usual is None else usual.to_numpy(float)
            lines.append({"event": event, **_event(came, given, told)})
            tables.append(reliability_table(came, given).assign(event=event))
    return pd.DataFrame(lines), pd.concat(tables, ignore_index=True)


def _event(came: npt.NDArray[np.bool_], given: Floats, usual: Floats | None) -> dict[str, float]:
    parts = brier_parts(came, np.round(given * PARTS_STEP) / PARTS_STEP)
    score = float(brier(came, given).mean())
    simple = parts.uncertainty if usual is None else float(brier(came, usual).mean())
    return {
        "points": len(given),
        "happened_frac": float(came.mean()),
        "forecast_frac": float(given.mean()),
        "brier": score,
        "usual_brier": simple,
        "skill": 1.0 - score / simple if simple > 0 else float("nan"),
        "reliability": parts.reliability,
        "resolution": parts.resolution,
        "uncertainty": parts.uncertainty,
        "calibration_error": calibration_error(came, given),
        "calibration_error_by_chance": calibration_error_by_chance(given),
    }


def _warnings(graded: pd.DataFrame, discharge: DischargeSettings) -> pd.DataFrame:
    heavy = graded["prob_heavy"].to_numpy(float)
    worse = heavy + graded["prob_light"].to_numpy(float)
    is_heavy = graded["grade"].eq("heavy").to_numpy(bool)
    is_worse = graded["grade"].isin(["light", "heavy"]).to_numpy(bool)
    lines = []
    for name, happened, chance, threshold in (
        ("heavy", is_heavy, heavy, discharge.heavy_prob),
        ("light or heavy", is_worse, worse, discharge.light_prob),
    ):
        found = warnings_given(happened, chance >= threshold)
        lines.append(
            {
                "warning": name,
                "threshold": threshold,
                "hits": found.hits,
                "false_alarms": found.false_alarms,
                "misses": found.misses,
                "quiet": found.quiet,
                "hit_rate": found.hit_rate,
                "false_alarm_ratio": found.false_alarm_ratio,
                "threat_score": found.threat_score,
            }
        )
    return pd.DataFrame(lines)
