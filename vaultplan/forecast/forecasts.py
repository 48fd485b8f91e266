"""The forecast of water and grade as one table, the way the rest of the house reads it."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd

from vaultplan.forecast.distribution import DepthDistribution, rungs_of
from vaultplan.forecast.fitting import Learner, Progress, fit_water, learn_taus
from vaultplan.forecast.grade import GradeModel, fit_grades
from vaultplan.forecast.refill import LEVELS, LONGEST_DAYS, as_columns, refill_of_batch
from vaultplan.forecast.volume import Batch, Floats, WaterModel
from vaultplan.forecast.weather import TAUS_DAYS
from vaultplan.schema import Frames, table
from vaultplan.settings import Settings


def forecast_vaults(
    frames: Frames,
    points: pd.DataFrame,
    *,
    as_of: pd.Timestamp,
    settings: Settings,
    on_progress: Progress | None = None,
) -> pd.DataFrame:
    """Return table ``forecasts`` as :func:`fit_and_forecast` does, without the model."""
    return fit_and_forecast(
        frames, points, as_of=as_of, settings=settings, on_progress=on_progress
    )[0]


def fit_and_forecast(
    frames: Frames,
    points: pd.DataFrame,
    *,
    as_of: pd.Timestamp,
    settings: Settings,
    on_progress: Progress | None = None,
) -> tuple[pd.DataFrame, WaterModel]:
    """Return how much water of what grade to expect at each point, and when it comes back.

    Parameters
    ----------
    frames
        Schema tables ``vaults`` and ``visits``; ``gauges``, ``rainfall`` and ``rain_outlook`` if
        there are any. Nothing after the as-of day is read.
    points
        ``vault_id`` and ``on`` (a day not before ``as_of``), in any order.
    as_of
        Last local day whose results the forecast may know.
    settings
        ``time_zone`` and ``forecast``.
    on_progress
        Called with steps done and steps in all.

    Returns
    -------
    tuple
        Schema table ``forecasts``, one row per point, in the order and index of ``points``; and the
        model of the water that it comes from, for joint draws.

    Raises
    ------
    SchemaError
        If a table or column is missing, a vault is unknown or listed twice, or a day lies before
        the as-of day.

    Notes
    -----
    The bits of a row do not depend on the order of any table, on the other points asked for with
    it, or on how the work is cut into chunks. Bands of different vaults share their weather:
    never add their p90 to get that of a route.
    """
    model, grade_model = fit_models(frames, as_of=as_of, settings=settings, on_progress=on_progress)
    frame = forecast_with(model, grade_model, points, on_progress=on_progress)
    return frame, model


def fit_models(
    frames: Frames,
    *,
    as_of: pd.Timestamp,
    settings: Settings,
    on_progress: Progress | None = None,
    learner: Learner = learn_taus,
) -> tuple[WaterModel, GradeModel]:
    """Return what is known about the fleet's water and about its grades on the as-of day.

    The arguments are those of :func:`fit_and_forecast` and of
    :func:`vaultplan.forecast.fitting.fit_water`.
    """
    # Grades need none of the water: they are learned while its serial parts leave a core idle.
    with ThreadPoolExecutor(1) as aside:
        learning = aside.submit(fit_grades, frames, as_of=as_of, settings=settings)
        model = fit_water(
            frames, as_of=as_of, settings=settings, on_progress=on_progress, learner=learner
        )
        return model, learning.result()


def forecast_with(
    model: WaterModel,
    grade_model: GradeModel,
    points: pd.DataFrame,
    *,
    on_progress: Progress | None = None,
) -> pd.DataFrame:
    """Return table ``forecasts`` for the points, by models that are fitted already.

    Parameters
    ----------
    model, grade_model
        From :func:`vaultplan.forecast.fitting.fit_water` and
        :func:`vaultplan.forecast.grade.fit_grades`, as of one day.
    points, on_progress
        As for :func:`fit_and_forecast`.
    """
    vault, day = model.locate(points)
    ahead = model.ahead(day, int(LONGEST_DAYS))
    room = model.site.depth_in[vault]
    depth = DepthDistribution(rungs_of(room), np.zeros_like(rungs_of(room)), room)
    hours = np.zeros((len(LEVELS), len(day)))
    done = 0

    def work(batch: Batch) -> tuple[Floats, Floats]:
        return model.chances(batch, ahead), refill_of_batch(model, batch, ahead)

    for at, (chance, refill) in model.each_batch(vault, day, work):
        depth.chance[:, at], hours[:, at] = chance, refill
        done += len(at)
        if on_progress is not None:
            # The fit took as many steps as there are residence times; the points share the rest.
            steps = len(TAUS_DAYS) * done // len(day)
            on_progress(len(TAUS_DAYS) + steps, 2 * len(TAUS_DAYS))
    grades = grade_model.chances(points)
    frame = model.describe(points, vault, day, depth)
    for part in (as_columns(hours, points.index), grades):
        for name in part.columns:
            frame[name] = part[name].to_numpy()
    words = frame[["reason", "grade_reason"]].astype("str")
    frame["reason"] = words["reason"] + "; " + words["grade_reason"]
    return table("forecasts").conform(frame)
