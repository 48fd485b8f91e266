"""What a worker does with a part: the functions of the walk, called with less."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.discharge.facts import decide_discharges
from vaultplan.discharge.rules import Rules
from vaultplan.drainage.network import DrainNetwork
from vaultplan.drainage.trace import trace_vaults
from vaultplan.forecast.drivers import Drivers
from vaultplan.forecast.features import Site
from vaultplan.forecast.forecasts import forecast_with
from vaultplan.forecast.grade import GradeModel
from vaultplan.forecast.prior import TauPrior, fit_tau
from vaultplan.forecast.readings import Readings
from vaultplan.forecast.volume import WaterModel
from vaultplan.settings import DrainageSettings, Settings
from vaultplan.spread.parts import OwnGrades, OwnWater, with_grades, with_water

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Sample:
    """What the residence times are learned from: the vaults of the sample alone."""

    drivers: Drivers
    site: Site
    readings: Readings
    static: Floats


@dataclass(frozen=True, slots=True)
class Models:
    """What the forecasts of all vaults share."""

    water: WaterModel
    grades: GradeModel


@dataclass(frozen=True, slots=True)
class Asked:
    """Points, and what is known of their vaults alone."""

    water: OwnWater
    grades: OwnGrades
    points: pd.DataFrame


@dataclass(frozen=True, slots=True)
class Town:
    """What the paths of all vaults share: what is nearest must not hang on how a part is cut."""

    settings: DrainageSettings
    inlets: gpd.GeoDataFrame
    outfalls: gpd.GeoDataFrame
    receiving_waters: gpd.GeoDataFrame
    curbs: gpd.GeoDataFrame | None
    drainage_areas: gpd.GeoDataFrame | None
    inlet_choices: pd.DataFrame | None


@dataclass(frozen=True, slots=True)
class Reach:
    """Vaults, the streets around them and the drains below them."""

    vaults: gpd.GeoDataFrame
    drain_pipes: gpd.GeoDataFrame
    network: DrainNetwork
    roads: gpd.GeoDataFrame | None
    drawn: bool | tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Judged:
    """What the decisions about all vaults share."""

    frames: dict[str, pd.DataFrame]
    as_of: date
    settings: Settings
    rules: Rules


def learn(sample: Sample, k: int) -> tuple[TauPrior, Floats]:
    """Return one residence time's prior, and the sample's evidence for it."""
    every = np.arange(len(sample.site.depth_in))
    return fit_tau(sample.drivers, k, sample.site, sample.readings, sample.static, every)


def forecast(models: Models, asked: Asked) -> pd.DataFrame:
    """Return table ``forecasts`` of a part's points."""
    water = with_water(models.water, asked.water)
    return forecast_with(water, with_grades(models.grades, asked.grades), asked.points)


def trace(town: Town, reach: Reach) -> pd.DataFrame:
    """Return table ``traces`` of a part's vaults."""
    traced: pd.DataFrame = trace_vaults(
        reach.vaults,
        town.inlets,
        reach.drain_pipes,
        town.outfalls,
        town.receiving_waters,
        settings=town.settings,
        roads=reach.roads,
        curbs=town.curbs,
        drainage_areas=town.drainage_areas,
        inlet_choices=town.inlet_choices,
        network=reach.network,
        with_geometry=reach.drawn,
    )
    return traced


def decide(judged: Judged, frames: dict[str, Any]) -> pd.DataFrame:
    """Return table ``decisions`` of a part's forecasts."""
    return decide_discharges(
        {**judged.frames, **frames},
        as_of=judged.as_of,
        settings=judged.settings,
        rules=judged.rules,
    )
