"""What joint draws of the water say: loads, socks, bookings, and how sure a ranking is."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.draws import draw_volumes
from vaultplan.forecast.soiling import draw_solids
from vaultplan.forecast.volume import WaterModel
from vaultplan.ranking.stability import rank_stability
from vaultplan.schedule.loadout import plan_loads
from vaultplan.schedule.pumping import pump_out, sock_need
from vaultplan.schedule.vacuum_choice import vacuum_choice
from vaultplan.schema import GRADES, Frames, table
from vaultplan.settings import Settings

Floats = npt.NDArray[np.float64]

#: Futures drawn; a chance of 5 % then stands on some twenty of them.
DRAWS: Final = 400
#: Seed of the draws that a ranking is tried in, so that it never hangs on the plan's.
_RANK_SEED: Final = 1
#: Socks are reckoned with for solids that nine draws in ten do not exceed.
_SOLIDS_SHARE: Final = 0.9


@dataclass(frozen=True, slots=True)
class JobDraws:
    """Joint draws of the water of each job's worst day: (draws, jobs), in the order of the jobs."""

    order_ids: tuple[str, ...]
    volume_gal: Floats
    solids_mg_l: Floats


def reckon_jobs(
    jobs: gpd.GeoDataFrame, frames: Frames, model: WaterModel, *, settings: Settings, seed: int
) -> tuple[gpd.GeoDataFrame, JobDraws]:
    """Return table ``plan_jobs`` with what the draws say of each job's worst day, and the draws.

    Parameters
    ----------
    jobs
        From :func:`vaultplan.schedule.jobs.build_jobs`.
    frames
        ``forecasts``, ``traces``, ``trucks``, ``disposal_sites``.
    model
        The water forecast that the ``forecasts`` come from.
    settings, seed
        Settings, and the seed of the draws.

    Returns
    -------
    tuple
        ``plan_jobs`` with ``method`` raised to vacuum_truck where booking one beforehand pays;
        ``prob_vacuum`` and ``break_even_prob``; ``solids_mg_l``, ``socks`` and
        ``prob_second_sock`` of sock jobs; ``hose_ft`` to the inlet; and a ``reason`` that says what
        was raised.
    """
    if not len(jobs):
        return jobs, JobDraws((), np.zeros((DRAWS, 0)), np.zeros((DRAWS, 0)))
    worst = _worst_days(jobs, frames["forecasts"])
    volume, solids = _draws(worst, model, settings, seed)
    part = settings.schedule
    jobs = jobs.copy()
    chosen = vacuum_choice(_priced(jobs, worst, frames, settings), settings=part)
    at = jobs["order_id"].map(chosen.set_index("order_id")["prob_vacuum"])
    jobs["prob_vacuum"] = at.where(at.notna(), (1.0 - worst["prob_dry"]) * worst["prob_heavy"])
    by_order = chosen.set_index("order_id")
    jobs["break_even_prob"] = jobs["order_id"].map(by_order["break_even_prob"])
    book = jobs["order_id"].map(by_order["prebook"]).fillna(False).to_numpy(bool)
    jobs.loc[book, "method"] = "vacuum_truck"
    said = "; " + jobs["order_id"].map(by_order["reason"]).astype("str")
    jobs.loc[book, "reason"] = jobs["reason"].fillna("") + said
    is_sock = jobs["method"].eq("filter_sock").to_numpy(bool)
    typical = np.quantile(solids, _SOLIDS_SHARE, axis=0).round(1)
    jobs["solids_mg_l"] = np.where(is_sock, typical, np.nan)
    reckoned = pump_out(
        jobs["load_gal"].to_numpy(float), typical, pump_gpm=1.0, through_sock=True, settings=part
    ).socks
    socks = np.maximum(reckoned, part.socks_per_job)
    need = sock_need(pd.Index(jobs["order_id"]), volume, solids, socks, settings=part)
    jobs["socks"] = pd.array(np.where(is_sock, socks, 0), dtype="Int64")
    jobs["prob_second_sock"] = np.where(is_sock, need["prob_second_sock"], np.nan)
    gutter = frames["traces"].drop_duplicates("vault_id").set_index("vault_id")["gutter_ft"]
    jobs["hose_ft"] = jobs["vault_id"].map(gutter)
    made: gpd.GeoDataFrame = table("plan_jobs").conform(jobs)
    return made, JobDraws(tuple(jobs["order_id"].astype(str)), volume, solids)


def load_trucks(frames: Frames, draws: JobDraws, *, settings: Settings) -> pd.DataFrame:
    """Return table ``plan_loads`` of a solved week."""
    if not len(frames["plan_stops"]):
        return table("plan_loads").empty()
    return plan_loads(
        frames,
        draws.volume_gal,
        draws.order_ids,
        solids_mg_l=draws.solids_mg_l,
        settings=settings.schedule,
    )


def how_sure(
    rankings: pd.DataFrame, forecasts: pd.DataFrame, model: WaterModel, *, settings: Settings
) -> pd.DataFrame:
    """Return table ``rankings`` with how often each order stays where it is.

    The water of a vault is the mean of the days that are forecast, within each draw.
    """
    if not len(rankings):
        return rankings
    asked = forecasts[forecasts["vault_id"].isin(rankings["vault_id"])]
    points = asked[["vault_id", "on"]].drop_duplicates(ignore_index=True)
    vaults = pd.Index(points["vault_id"].unique())
    mean = np.full((DRAWS, len(vaults) + 1), np.nan)
    if len(points):
        drawn = draw_volumes(model, points, count=DRAWS, seed=_RANK_SEED)
        code = vaults.get_indexer(pd.Index(points["vault_id"]))
        days = np.bincount(code, minlength=len(vaults))
        for row in range(DRAWS):
            mean[row, :-1] = np.bincount(code, drawn[row], len(vaults)) / days
    at = vaults.get_indexer(pd.Index(rankings["vault_id"]))
    names = ["prob_dry", *(f"prob_{grade}" for grade in GRADES)]
    chances = asked.groupby("vault_id")[names].mean().reindex(rankings["vault_id"])
    sure = rank_stability(
        rankings,
        chances,
        mean[:, at],
        top=settings.ranking.top,
        seed=_RANK_SEED,
        settings=settings.ranking,
    )
    told = rankings.assign(**{name: sure[name].to_numpy() for name in sure.columns})
    ranked: pd.DataFrame = table("rankings").conform(told)
    return ranked


def _draws(
    points: pd.DataFrame, model: WaterModel, settings: Settings, seed: int
) -> tuple[Floats, Floats]:
    volume = draw_volumes(model, points[["vault_id", "on"]], count=DRAWS, seed=seed)
    solids = draw_solids(points, count=DRAWS, seed=seed, settings=settings)
    return volume, solids


def _worst_days(jobs: gpd.GeoDataFrame, forecasts: pd.DataFrame) -> pd.DataFrame:
    """Return, row by row as the jobs, the forecast of the allowed day with the most water."""
    days = pd.DataFrame(jobs[["order_id", "vault_id", "allowed_days"]])
    days["on"] = days["allowed_days"].str.split(";")
    days = days.explode("on", ignore_index=True)
    days["on"] = pd.to_datetime(days["on"]).astype("datetime64[s]")
    days = days.drop(columns="allowed_days").merge(forecasts, on=["vault_id", "on"], how="left")
    most = days.loc[days.groupby("order_id", sort=False)["volume_gal_p90"].idxmax()]
    return most.set_index("order_id").reindex(jobs["order_id"]).reset_index()


def _priced(
    jobs: gpd.GeoDataFrame, worst: pd.DataFrame, frames: Frames, settings: Settings
) -> pd.DataFrame:
    """Return the jobs with what the choice of a vacuum truck weighs."""
    part, trucks = settings.schedule, frames["trucks"]
    vacuum, crew = (trucks[trucks["kind"] == kind] for kind in ("vacuum", "crew"))
    gallons = worst["volume_gal_p50"].to_numpy(float)
    gpm = float(vacuum["pump_gpm"].fillna(part.pump_gpm).mean()) if len(vacuum) else part.pump_gpm
    tank = float(vacuum["tank_gal"].mean()) if len(vacuum) else 3000.0
    dump = frames["disposal_sites"]["dump_minutes"].fillna(part.dump_minutes).mean()
    share = np.minimum(gallons / tank, 1.0) * (part.dump_minutes if pd.isna(dump) else dump)
    priced = pd.DataFrame(jobs[["order_id", "method", "setup_minutes"]])
    priced["volume_gal_p50"] = gallons
    priced["prob_dry"] = worst["prob_dry"].to_numpy(float)
    # Without any grading the chances are blank; the rules have raised the method already.
    priced["prob_heavy"] = worst["prob_heavy"].fillna(0.0).to_numpy(float)
    priced["vacuum_minutes"] = jobs["setup_minutes"] + gallons / gpm + share
    priced["pump_minutes"] = gallons / part.pump_gpm
    priced["drive_minutes"] = part.next_stop_minutes
    for name, frame, column in (
        ("vacuum_usd_per_hour", vacuum, "usd_per_hour"),
        ("crew_usd_per_hour", crew, "usd_per_hour"),
        ("disposal_usd_per_gal", frames["disposal_sites"], "usd_per_gal"),
    ):
        price: Any = frame[column].astype("float64").mean()
        priced[name] = price
    return priced
