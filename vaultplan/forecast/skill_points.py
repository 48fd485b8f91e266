"""What was forecast for each look at the water, by the model and by simpler rules, and found."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.distribution import DepthDistribution
from vaultplan.forecast.grade import GradeModel
from vaultplan.forecast.grade_rivals import class_grades, last_grade
from vaultplan.forecast.looks import LONGEST_LOOK_DAYS, NO_GRADE, Looks, dates_of
from vaultplan.forecast.readings import DRY_IN, FULL_FRAC
from vaultplan.forecast.rivals import RIVALS
from vaultplan.forecast.scores import crps_of_quantiles, log_loss, pinball, ranked_probability
from vaultplan.forecast.skill_refill import usual_standing
from vaultplan.forecast.volume import WaterModel
from vaultplan.forecast.weather import day_number
from vaultplan.schema import GRADES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MODEL: Final = "forecast"
GRADE_RIVALS: Final = ("class climatology", "last grade")
#: Middles of twenty equal steps, from which the CRPS is reckoned.
LEVELS: Final = (np.arange(20) + 0.5) / 20
#: Quantiles that plans are made with; each has a pinball loss of its own.
PLANNED: Final = (0.1, 0.5, 0.9)
ALL_LEVELS: Final = np.array(sorted({*LEVELS.tolist(), *PLANNED}))
SHOWN: Final = tuple(range(5, 100, 5))


def score_column(score: str, method: str) -> str:
    """Return the name of a method's column of a score.

    >>> score_column("crps_in", "own mean")
    'crps_in_own_mean'
    """
    return f"{score}_{method.replace(' ', '_')}"


def depth_points(
    model: WaterModel,
    looks: Looks,
    rows: Ints,
    rivals: Sequence[str],
    draw: np.random.Generator,
    on_method: Callable[[int], None],
) -> pd.DataFrame:
    """Return the depth forecast for each look from the model's as-of day, and how it came out.

    The columns are those of :func:`vaultplan.forecast.skill.backtest`; ``on_method`` is told how
    many methods are done.
    """
    vault, day, origin_day = looks.vault[rows], looks.day[rows], model.drivers.source.as_of_day
    found, room = looks.depth_in[rows], model.site.depth_in[vault]
    # A vault that nobody measured may have been found deeper since than it was thought to be.
    is_dry, is_full = found < DRY_IN, found >= FULL_FRAC * room
    working = model.settings.forecast.working_depth_in
    frame = pd.DataFrame(
        {
            "origin_on": model.as_of,
            "vault_id": model.vault_ids[vault],
            "on": dates_of(day),
            "days_ahead": day - origin_day,
            **{str(name): values.to_numpy()[vault] for name, values in model.classes.items()},
            "visit_count": model.readings.visit_count[vault],
            "seen": np.select([is_dry, is_full], ["dry", "full"], "measured"),
            "depth_in": found,
            "room_depth_in": room,
        }
    )
    depth = model.distribution(frame)
    frame["confidence"] = model.describe(frame, vault, day, depth)["confidence"]
    parts: dict[str, Floats] = {}
    for percent in SHOWN:
        parts[f"depth_in_p{percent:02d}"] = depth.quantile(percent / 100.0)
    parts["prob_dry"], parts["prob_full"] = depth.prob_dry, depth.prob_full
    just_less = np.full(len(rows), np.nextafter(working, 0.0))
    parts["prob_working"] = np.where(room >= working, 1.0 - depth.chance_at(just_less), 0.0)
    parts["pit"] = randomised_pit(depth, found, draw.random(len(rows)))
    days = day - looks.since[rows]
    is_refill = (looks.left_in[rows] < DRY_IN) & ~looks.was_dry_before[rows]
    parts["days_since_pumped"] = np.where(is_refill & (days <= LONGEST_LOOK_DAYS), days, np.nan)
    known = looks.known_after_pumping(origin_day)
    parts["usual_standing"] = usual_standing(looks, known, days, working)
    at = np.searchsorted(ALL_LEVELS, LEVELS)
    for place, name in enumerate((MODEL, *rivals)):
        if name == MODEL:
            quantiles = np.stack([depth.quantile(level) for level in ALL_LEVELS], axis=1)
        else:
            quantiles = RIVALS[name](model, vault, day, ALL_LEVELS) * room[:, None]
        parts[score_column("crps_in", name)] = crps_of_quantiles(found, quantiles[:, at], LEVELS)
        loss = pinball(found, quantiles, ALL_LEVELS)
        for level in PLANNED:
            own = loss[:, int(np.searchsorted(ALL_LEVELS, level))]
            parts[score_column(f"pinball_in_p{round(100 * level)}", name)] = own
        on_method(place + 1)
    return frame.assign(**parts)


def randomised_pit(depth: DepthDistribution, found_in: Floats, u: Floats) -> Floats:
    """Return the chance of no more than what was found; uniform from 0 to 1 if all is right.

    Dry and full have a chance of their own, within which the value is drawn: ``u`` is uniform.

    References
    ----------
    C. Czado, T. Gneiting and L. Held (2009), Predictive model assessment for count data,
    Biometrics 65(4):1254-1261, doi:10.1111/j.1541-0420.2009.01191.x (from memory).
    """
    is_full = found_in >= FULL_FRAC * depth.room_depth_in
    pit = np.where(found_in < DRY_IN, u * depth.prob_dry, depth.chance_at(found_in))
    drawn: Floats = np.where(is_full, 1.0 - u * depth.prob_full, pit)
    return drawn


def grade_points(
    grades: GradeModel, looks: Looks, rows: Ints, points: pd.DataFrame, land_use: pd.Series[str]
) -> pd.DataFrame:
    """Return the grade forecast for each look, the grade found and the scores of both rivals too.

    Scores are blank where nothing was graded. ``land_use`` has one entry per vault.
    """
    vault, grade = looks.vault[rows], looks.grade[rows]
    is_graded = grade != NO_GRADE
    names = [f"prob_{name}" for name in GRADES]
    told = grades.chances(points)[names]
    owner, past = looks.gradings(int(day_number(pd.DatetimeIndex([grades.as_of]))[0]))
    by_method = {
        MODEL: told.to_numpy(float),
        GRADE_RIVALS[0]: class_grades(owner, past, land_use, vault),
        GRADE_RIVALS[1]: last_grade(owner, past, vault),
    }
    found = pd.Series(np.array([*GRADES, ""])[grade], points.index, dtype="str").mask(~is_graded)
    scores = {}
    for name, chances in by_method.items():
        for score, function in (("rps", ranked_probability), ("log_loss", log_loss)):
            values = np.full(len(rows), np.nan)
            values[is_graded] = function(grade[is_graded], chances[is_graded])
            scores[score_column(score, name)] = values
    return told.assign(grade=found, **scores)
