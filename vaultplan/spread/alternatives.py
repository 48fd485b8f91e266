"""Plans of one week that hang on nothing but what they are asked for, solved side by side."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from datetime import date

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schedule.model import Week
from vaultplan.schedule.replan import solve_again, solve_read
from vaultplan.schedule.week import read_week
from vaultplan.schema import Frames
from vaultplan.settings import ScheduleSettings
from vaultplan.spread.cluster import current

Floats = npt.NDArray[np.float64]
Tell = Callable[[str, float], None]


@dataclass(frozen=True, slots=True)
class Replanning:
    """What all alternatives to a plan share; see :func:`vaultplan.schedule.replan.solve_again`."""

    before: pd.DataFrame
    week_of: date
    known: Collection[str]
    plan_id: str
    time_zone: str
    settings: ScheduleSettings
    seed: int


@dataclass(frozen=True, slots=True)
class Offer:
    """The tables with the jobs that an alternative offers, and draws of their water."""

    frames: Frames
    volume_gal: Floats


def solve_each(
    shared: Replanning, offers: Sequence[Offer], tell: Callable[[int, str, float], None]
) -> list[tuple[pd.DataFrame, pd.DataFrame]]:
    """Return ``plan_stops`` and ``plan_unserved`` of each alternative.

    One after another here; several go side by side on a cluster. With ``iterations`` in the
    settings the plans are the same; with seconds they are what the time allows, here as there.

    Parameters
    ----------
    shared, offers
        What they share, and the jobs of each.
    tell
        Called with an alternative's number, the stage it is in and the share of it that is done.
    """
    cluster = current()
    if cluster is None or len(offers) < 2:
        return [_here(shared, offer, number, tell) for number, offer in enumerate(offers)]

    def make(number: int) -> tuple[Week, gpd.GeoDataFrame]:
        # Driving times are searched here, once for all that have the same places.
        tell(number, "travel times", 0.0)
        offer = offers[number]
        return read_week(
            offer.frames,
            shared.week_of,
            time_zone=shared.time_zone,
            settings=shared.settings,
            volume_gal=offer.volume_gal,
        )

    return cluster.run(
        solve_part, shared, make, len(offers), lambda number: tell(number, "solved", 1.0)
    )


def solve_part(
    shared: Replanning, read: tuple[Week, gpd.GeoDataFrame]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return an alternative, on a worker."""
    return solve_read(
        *read,
        shared.before,
        known=shared.known,
        plan_id=shared.plan_id,
        settings=shared.settings,
        seed=shared.seed,
    )


def _here(
    shared: Replanning, offer: Offer, number: int, tell: Callable[[int, str, float], None]
) -> tuple[pd.DataFrame, pd.DataFrame]:
    return solve_again(
        offer.frames,
        shared.before,
        shared.week_of,
        known=shared.known,
        plan_id=shared.plan_id,
        time_zone=shared.time_zone,
        settings=shared.settings,
        seed=shared.seed,
        volume_gal=offer.volume_gal,
        on_progress=lambda stage, part: tell(number, stage, part),
    )
