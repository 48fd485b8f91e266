"""Everything behind one place of the drains: vaults, gallons planned and expected, worst grade."""

from __future__ import annotations

from dataclasses import dataclass

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import week
from vaultplan.drainage.behind import vaults_behind
from vaultplan.drainage.network import build_network
from vaultplan.drainage.waters import waters_of_outfalls
from vaultplan.errors import TraceError
from vaultplan.loading import OnStep, read_frames, silent
from vaultplan.renewing import DRAIN_TABLES, STREET_TABLES, WATER_TABLES
from vaultplan.schema import GRADES, Frames
from vaultplan.settings import Settings
from vaultplan.store.database import open_database

#: Where an id is looked up, in this order.
PLACES = (
    ("water", "receiving_waters", "water_id"),
    ("outfall", "outfalls", "outfall_id"),
    ("inlet", "inlets", "inlet_id"),
    ("pipe", "drain_pipes", "pipe_id"),
)


@dataclass(frozen=True, slots=True)
class Upstream:
    """What lies behind a place: a row per vault, and what they come to in words."""

    vaults: pd.DataFrame
    summary: str


def behind(
    location: str,
    place: str,
    *,
    on: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> Upstream:
    """Return all vaults whose water would pass an inlet, pipe, node, outfall or water.

    Parameters
    ----------
    place
        Its id; of a water, its name will do.
    on
        Day the water is forecast for; the day after ``as_of`` if none.

    Returns
    -------
    Upstream
        ``vault_id``, ``how`` its water comes there (path, part, second_inlet), ``share``,
        ``expected_gal`` of the whole vault, ``volume_gal_p10/p50/p90``, ``prob_clear/light/heavy``,
        ``last_grade``, ``planned_gal`` in the latest plan, ``trace_status``, ``confidence`` and
        the vault's place. Quantiles of several vaults do not add up; means do.

    Raises
    ------
    TraceError
        If nothing of the drains has that id.
    """
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        names = [*WATER_TABLES, *DRAIN_TABLES, *STREET_TABLES, *week.PLAN_TABLES]
        frames = read_frames(database, list(dict.fromkeys(names)), on_step)
    as_of = as_of or week.data_end(frames, settings.time_zone)
    kind, place_id = _find(frames, place)
    drains = (frames[name] for name in DRAIN_TABLES[1:4])
    network = build_network(*drains, settings=settings.drainage)
    traces = week.trace_paths(frames, settings, on_step, with_geometry=False, network=network)
    found = vaults_behind(
        network,
        traces,
        frames["inlets"],
        node_id=place_id if kind == "node" else None,
        pipe_id=place_id if kind == "pipe" else None,
        inlet_id=place_id if kind == "inlet" else None,
        outfall_id=place_id if kind == "outfall" else None,
        water_id=place_id if kind == "water" else None,
        waters=waters_of_outfalls(frames["outfalls"], frames["receiving_waters"]),
    )
    told = _with_water(found, frames, traces, on or as_of + pd.Timedelta(days=1), as_of, settings,
                       on_step)  # fmt: skip
    return Upstream(told, _in_words(told, kind, place_id))


def _find(frames: Frames, place: str) -> tuple[str, str]:
    """Return what kind of place an id names, and its id."""
    for kind, table, key in PLACES:
        if frames[table][key].eq(place).any():
            return kind, place
    waters = frames["receiving_waters"]
    named = waters.loc[waters["name"].str.casefold() == place.casefold(), "water_id"]
    if len(named) == 1:
        return "water", str(named.iloc[0])
    pipes = frames["drain_pipes"]
    for nodes in (pipes["from_node"], pipes["to_node"], frames["inlets"]["node_id"]):
        if nodes.eq(place).any():
            return "node", place
    raise TraceError(
        f"no water, outfall, inlet, pipe or node is called {place!r}; look in those tables"
    )


def _with_water(
    found: pd.DataFrame,
    frames: Frames,
    traces: pd.DataFrame,
    on: pd.Timestamp,
    as_of: pd.Timestamp,
    settings: Settings,
    on_step: OnStep,
) -> pd.DataFrame:
    columns = ["volume_gal_p10", "volume_gal_p50", "volume_gal_p90"]
    columns += [f"prob_{grade}" for grade in GRADES]
    if len(found):
        points = week.cross(list(found["vault_id"]), [on])
        water = week.forecast_points(frames, points, as_of, settings, on_step)
        water = water.rename(columns={"volume_gal_mean": "expected_gal"})
        told = found.merge(water[["vault_id", "expected_gal", *columns]], "left", "vault_id")
    else:
        told = found.assign(**dict.fromkeys(["expected_gal", *columns], np.nan))
    visits = frames["visits"].dropna(subset="grade").sort_values(["visited_at", "visit_id"])
    zone = visits["visited_at"].dt.tz_convert(settings.time_zone).dt.tz_localize(None)
    seen = visits[zone.dt.normalize() <= as_of].drop_duplicates("vault_id", keep="last")
    told["last_grade"] = told["vault_id"].map(seen.set_index("vault_id")["grade"])
    told["planned_gal"] = told["vault_id"].map(_planned(frames)).fillna(0.0)
    known = traces.set_index("vault_id")[["trace_status", "confidence"]]
    told = told.join(known, on="vault_id")
    told = told.sort_values(["expected_gal", "vault_id"], ascending=[False, True])
    places = frames["vaults"].set_index("vault_id")["geometry"]
    shapes = gpd.GeoSeries(places.reindex(told["vault_id"]).array, crs=traces.geometry.crs)
    placed: pd.DataFrame = gpd.GeoDataFrame(told.reset_index(drop=True), geometry=shapes)
    return placed


def _planned(frames: Frames) -> pd.Series[float]:
    """Return the gallons that the latest plan takes to the drain at each vault."""
    # Superseded ones first: a clock that was set back does not tell which was made later.
    plans = frames["plans"].sort_values(["state", "made_at"], ascending=[False, True])
    if plans.empty:
        return pd.Series(dtype=float)
    jobs = frames["plan_jobs"]
    stops = frames["plan_stops"]
    last = plans["plan_id"].iloc[-1]
    served = stops.loc[(stops["plan_id"] == last) & (stops["kind"] == "pump_out"), "order_id"]
    mine = jobs[(jobs["plan_id"] == last) & jobs["order_id"].isin(served)]
    planned: pd.Series[float] = mine.groupby("vault_id")["volume_gal_p50"].sum()
    return planned


def _in_words(told: pd.DataFrame, kind: str, place_id: str) -> str:
    """Return how many vaults, gallons and how dirty, in a sentence or two."""
    if told.empty:
        return f"No vault's water is known to pass {kind} {place_id}."
    share = told["share"].fillna(told["how"].eq("path").astype(float))
    expected = float((told["expected_gal"] * share).sum())
    planned = told["planned_gal"]
    graded = told["last_grade"].dropna()
    worst = max(graded, key=GRADES.index) if len(graded) else "never graded"
    ways = ", ".join(f"{count:,} by {str(how).replace('_', ' ')}" for how, count in
                     told["how"].value_counts().items())  # fmt: skip
    return (
        f"{len(told):,} vaults lie behind {kind} {place_id} ({ways}). They are expected to hold "
        f"{expected:,.0f} gal that would come here; the latest plan pumps {planned.sum():,.0f} gal "
        f"from {int((planned > 0).sum()):,} of them. Worst last grade: {worst}."
    )
