"""Why a forecast says what it says, and where a look beforehand would change what is sent."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from vaultplan import week
from vaultplan.errors import SchemaError, SettingsError
from vaultplan.forecast.fitting import fit_water
from vaultplan.forecast.inflow import inflow_ways
from vaultplan.forecast.moved import what_moved
from vaultplan.forecast.peeks import worth_of_a_look
from vaultplan.loading import OnStep, read_frames, silent
from vaultplan.settings import Settings
from vaultplan.store.database import open_database

USUAL_SPAN_DAYS = 7


def explain(
    location: str,
    *,
    vault_ids: Sequence[str] | None = None,
    on: pd.Timestamp | None = None,
    since: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return what fills each vault, and what moved its forecast since an earlier day.

    Parameters
    ----------
    on
        Day forecast; the day after ``as_of`` if none.
    since
        Earlier day to compare with; a week before ``as_of`` if none.

    Returns
    -------
    pandas.DataFrame
        The columns of :func:`vaultplan.forecast.inflow.inflow_ways` and of
        :func:`vaultplan.forecast.moved.what_moved`, a row per vault.
    """
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        frames = read_frames(database, week.WATER_TABLES, on_step)
    as_of = as_of or week.data_end(frames, settings.time_zone)
    since = since or as_of - pd.Timedelta(days=USUAL_SPAN_DAYS)
    if since >= as_of:
        raise SettingsError(f"--since {since:%Y-%m-%d} is not before {as_of:%Y-%m-%d}")
    every = frames["vaults"]["vault_id"]
    unknown = sorted(set(vault_ids or ()) - set(every))
    if unknown:
        raise SchemaError(f"no such vault: {', '.join(unknown[:10])}")
    asked = pd.Series(list(dict.fromkeys(vault_ids or every)), dtype="str", name="vault_id")
    on_step("Learn what fills the vaults")
    model = fit_water(frames, as_of=as_of, settings=settings)
    ways = inflow_ways(model, asked)
    on_step(f"Compare with what was known on {since:%Y-%m-%d}")
    points = pd.DataFrame({"vault_id": asked, "on": on or as_of + pd.Timedelta(days=1)})
    moved = what_moved(frames, points, since=since, as_of=as_of, settings=settings)
    return ways.merge(moved, on="vault_id", how="left", validate="one_to_one")


def peek(
    location: str,
    *,
    week_of: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return the vaults of a week's open orders, those where a look would save most first.

    The columns are those of :func:`vaultplan.forecast.peeks.worth_of_a_look`, for the first day of
    the week that trucks work.
    """
    ahead = week.open_week(location, week_of, as_of, settings, on_step)
    orders = ahead.frames["work_orders"]
    is_open = orders["status"].isna() | orders["status"].eq("open")
    vaults = sorted(set(orders.loc[is_open, "vault_id"]))
    points = week.cross(vaults, ahead.days[:1])
    water = week.forecast_points(ahead.frames, points, ahead.as_of, ahead.settings, on_step)
    return worth_of_a_look(water, ahead.settings.forecast)
