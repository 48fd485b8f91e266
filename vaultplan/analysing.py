"""Where the dirty water comes from: hot spots of the fleet, with their evidence."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan import neighbours, week
from vaultplan.analysis.clusters import by_season, candidate_causes, evidence, judged_places
from vaultplan.analysis.rates import columns_of, correlation, excess, fitted
from vaultplan.errors import OutputError, SchemaError, SettingsError
from vaultplan.geometry import feet_per_unit
from vaultplan.loading import OnStep, is_same_file, read_frames, silent
from vaultplan.outputs.hotspots.facts import HotSpotFacts
from vaultplan.outputs.hotspots.page import write_hot_spot_page
from vaultplan.renewing import DRAIN_TABLES, STREET_TABLES
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

PLACES: Final = ("vault", "hex", "outfall")
#: What kind of vault it is: that these differ is no hot spot.
_KIND: Final = ("kind", "setting", "shape", "depth_ft")
#: What may be behind one.
_CAUSES: Final = ("land_use", "soil_group", "lid", "has_irrigation", "near_concern")
_RIDGE: Final = 1.0
#: What lies behind the maps of a page.
_GROUND: Final = ("roads", "receiving_waters", "backdrop", "inlets")


@dataclass(frozen=True, slots=True)
class HotSpots:
    """Hot spots and all places they were sought among.

    ``places`` are those of :func:`vaultplan.analysis.clusters.judged_places` with an id, counts and
    a place; ``clusters`` those of :func:`vaultplan.analysis.clusters.evidence` with ``causes``;
    ``seasons`` those of :func:`vaultplan.analysis.clusters.by_season`.
    """

    facts: HotSpotFacts
    places: gpd.GeoDataFrame
    clusters: pd.DataFrame
    seasons: pd.DataFrame


def hot_spots(
    location: str,
    *,
    by: str = "vault",
    along: str = "straight",
    since: pd.Timestamp | None = None,
    until: pd.Timestamp | None = None,
    heavy_only: bool = False,
    permutations: int = 99_999,
    seed: int = 1,
    page: Path | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> HotSpots:
    """Return where vaults were seen dirtier than others of their kind, more than by chance.

    Parameters
    ----------
    by
        ``vault``, each with its neighbours within ``hotspots.reach_ft``; ``hex`` of h3 resolution
        8, each with those it touches; ``outfall``, all vaults that drain to it, without neighbours.
    along
        Whether a vault's neighbours are those within reach ``straight``, along ``streets``, or
        along ``drains`` from inlet to inlet.
    since, until
        First and last local day of the visits that count.
    heavy_only
        Only heavy water counts as dirty.
    permutations
        Random maps that a place is weighed against.
    page
        HTML page to write: where it is hot, where not, where nobody knows, with the evidence.

    Raises
    ------
    SettingsError
        If ``by`` or ``along`` is none of these.
    SchemaError
        If no vault has a place, or there is nothing to measure along.
    OutputError
        If the page cannot be written, or is the database.

    Notes
    -----
    Dirty looks are compared with those expected of vaults of the same kind, and spread as the looks
    of one vault hang together, so that neither effort nor one vault visited ten times is a hot
    spot. See :mod:`vaultplan.analysis.rates` and :mod:`vaultplan.analysis.hotspots`.
    """
    _check(location, by, along, page)
    names = ["vaults", "concern_sites"]
    is_traced = by == "outfall" or along == "drains"
    if is_traced:
        names += [*DRAIN_TABLES, *STREET_TABLES]
    if along == "streets":
        names.append("roads")
    if page is not None:
        names += _GROUND
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        name = database.name
        frames = read_frames(database, list(dict.fromkeys(names)), on_step)
        on_step("Read visits")
        visits = read_table(database, "visits", columns=["vault_id", "visited_at", "grade"])
    on_step("Reckon what is expected")
    vaults = gpd.GeoDataFrame(frames["vaults"])
    vaults = gpd.GeoDataFrame(vaults[vaults.geometry.notna()].reset_index(drop=True))
    if vaults.empty:
        raise SchemaError("no vault has a place; load vaults with theirs first")
    looks = _looks(visits, vaults, since, until, heavy_only=heavy_only, zone=settings.time_zone)
    count = len(vaults)
    at = looks["vault"].to_numpy()
    looked = np.bincount(at, minlength=count).astype(float)
    dirty = np.bincount(at, weights=looks["is_dirty"], minlength=count).astype(np.float64)
    kinds, said = columns_of(vaults, _KIND)
    share = fitted(kinds, said, dirty, looked, _RIDGE).share(kinds)
    together = correlation(dirty, looked, share)
    above, variance = excess(dirty, looked, share, together)
    told = vaults[["vault_id", "geometry"]].assign(
        looks=looked.astype(int), dirty_looks=dirty.astype(int), expected_looks=looked * share,
        above=above, variance=variance, looked_vaults=(looked > 0).astype(int),
    )  # fmt: skip
    # A share drawn toward that of its kind, as if so many looks had been had before.
    before = 1.0 / max(together, 1e-3) - 1.0
    told["dirty_frac"] = (dirty + before * share) / (looked + before)
    if is_traced:
        frames["traces"] = week.trace_paths(frames, settings, on_step, with_geometry=False)
    drains = None
    if by == "outfall":
        drained = frames["traces"].set_index("vault_id")["outfall_id"]
        drains = drained.reindex(vaults["vault_id"]).to_numpy()
    on_step("Find neighbours")
    places, number = neighbours.gathered(told, by, drains)
    near = neighbours.neighbours_of(places, by, along, frames, settings)
    on_step("Weigh against random maps")
    judged = judged_places(
        places, near, permutations=permutations, rate=settings.hotspots.rate, seed=seed
    )
    on_step("Gather the evidence")
    cluster = np.append(judged["cluster"].to_numpy(), -1)[number]
    chance = np.append(judged["chance"].to_numpy(float), 1.0)[number]
    clusters = evidence(cluster, chance, looks, share, vaults["vault_id"].tolist())
    causes, of = columns_of(_with_concern(vaults, frames["concern_sites"]), _CAUSES)
    fit = fitted(causes, of, dirty, looked, settings.hotspots.ridge)
    clusters["causes"] = candidate_causes(cluster, clusters["cluster"].tolist(), causes, fit)
    found = HotSpots(
        HotSpotFacts(
            name=name, by=by, along=along, since=since, until=until, heavy_only=heavy_only,
            looks=len(looks), permutations=permutations, seed=seed, together=together,
            reach_ft=settings.hotspots.reach_ft, rate=settings.hotspots.rate,
        ),
        gpd.GeoDataFrame(judged, geometry="geometry", crs=vaults.crs),
        clusters,
        by_season(cluster, looks, share),
    )  # fmt: skip
    if page is not None:
        on_step("Write the page")
        _write_page(page, found, {**frames, "vaults": vaults})
    return found


def _check(location: str, by: str, along: str, page: Path | None) -> None:
    if by not in PLACES:
        raise SettingsError(f"--by {by}: choose one of {', '.join(PLACES)}")
    if along not in neighbours.ALONG:
        raise SettingsError(f"--along {along}: choose one of {', '.join(neighbours.ALONG)}")
    if along != "straight" and by != "vault":
        raise SettingsError(f"--along {along} measures from vault to vault; leave out --by {by}")
    if page is not None and is_same_file(page, location):
        raise OutputError(f"{page} is the database; name another file")


def _write_page(page: Path, found: HotSpots, frames: dict[str, pd.DataFrame]) -> None:
    write_hot_spot_page(
        page,
        found.facts,
        {
            **{name: frames[name] for name in (*_GROUND, "vaults")},
            "places": found.places,
            "clusters": found.clusters,
            "seasons": found.seasons,
            "cells": neighbours.overview(found.places),
        },
    )


def _looks(
    visits: pd.DataFrame,
    vaults: gpd.GeoDataFrame,
    since: pd.Timestamp | None,
    until: pd.Timestamp | None,
    *,
    heavy_only: bool,
    zone: str,
) -> pd.DataFrame:
    graded = visits[visits["grade"].notna()]
    local = graded["visited_at"].dt.tz_convert(zone).dt.tz_localize(None)
    place, names = pd.factorize(graded["vault_id"])
    number = pd.Index(vaults["vault_id"]).get_indexer(pd.Index(names))[place]
    kept = number >= 0
    if since is not None:
        kept &= (local >= since).to_numpy()
    if until is not None:
        kept &= (local < until + pd.Timedelta(days=1)).to_numpy()
    dirty = graded["grade"].eq("heavy") | (graded["grade"].eq("light") & (not heavy_only))
    told = pd.DataFrame(
        {
            "vault": number,
            "year": local.dt.year.to_numpy(),
            "quarter": local.dt.quarter.to_numpy(),
            "is_dirty": dirty.to_numpy(bool),
        }
    )
    known: pd.DataFrame = told[kept].reset_index(drop=True)
    return known


def _with_concern(vaults: gpd.GeoDataFrame, sites: pd.DataFrame) -> pd.DataFrame:
    """Return the vaults with whether an open or unknown concern site reaches them."""
    near = np.zeros(len(vaults), dtype=bool)
    placed = sites[sites.geometry.notna() & ~sites["status"].eq("closed").fillna(False)]
    if len(placed):
        unit = feet_per_unit(vaults)
        around = placed.geometry.buffer(placed["radius_ft"].to_numpy(float) / unit)
        near[vaults.sindex.query(around, predicate="intersects")[1]] = True
    told = pd.DataFrame(vaults.drop(columns="geometry"))
    return told.assign(near_concern=np.where(near, "yes", "no"))
