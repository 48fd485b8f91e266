"""Where the dirty water comes from: hot spots of the fleet, with their evidence."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import h3
import numpy as np
import pandas as pd
import shapely
from scipy import sparse

from vaultplan import week
from vaultplan.analysis.clusters import candidate_causes, evidence, judged_places
from vaultplan.analysis.hotspots import near_each_other
from vaultplan.analysis.rates import columns_of, correlation, excess, fitted
from vaultplan.errors import SchemaError, SettingsError
from vaultplan.geometry import LONLAT, feet_per_unit
from vaultplan.loading import OnStep, read_frames, silent
from vaultplan.renewing import DRAIN_TABLES, STREET_TABLES
from vaultplan.settings import Settings
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table

PLACES: Final = ("vault", "hex", "outfall")
#: What kind of vault it is: that these differ is no hot spot.
_KIND: Final = ("kind", "setting", "shape", "depth_ft")
#: What may be behind one.
_CAUSES: Final = ("land_use", "soil_group", "lid", "has_irrigation", "near_concern")
_RESOLUTION, _RIDGE = 8, 1.0


@dataclass(frozen=True, slots=True)
class HotSpots:
    """Hot spots and all places they were sought among.

    ``places`` are those of :func:`vaultplan.analysis.clusters.judged_places` with an id, counts and
    a place; ``clusters`` those of :func:`vaultplan.analysis.clusters.evidence` with ``causes``.
    ``together`` tells how much looks at one vault hang together.
    """

    places: gpd.GeoDataFrame
    clusters: pd.DataFrame
    together: float


def hot_spots(
    location: str,
    *,
    by: str = "vault",
    since: pd.Timestamp | None = None,
    until: pd.Timestamp | None = None,
    heavy_only: bool = False,
    permutations: int = 99_999,
    seed: int = 1,
    settings: Settings,
    on_step: OnStep = silent,
) -> HotSpots:
    """Return where vaults were seen dirtier than others of their kind, more than by chance.

    Parameters
    ----------
    by
        ``vault``, each with its neighbours within ``hotspots.reach_ft``; ``hex`` of h3 resolution
        8, each with those it touches; ``outfall``, all vaults that drain to it, without neighbours.
    since, until
        First and last local day of the visits that count.
    heavy_only
        Only heavy water counts as dirty.
    permutations
        Random maps that a place is weighed against.

    Raises
    ------
    SettingsError
        If ``by`` is none of these.
    SchemaError
        If no vault has a place.

    Notes
    -----
    Dirty looks are compared with those expected of vaults of the same kind, and spread as the looks
    of one vault hang together, so that neither effort nor one vault visited ten times is a hot
    spot. See :mod:`vaultplan.analysis.rates` and :mod:`vaultplan.analysis.hotspots`.
    """
    if by not in PLACES:
        raise SettingsError(f"--by {by}: choose one of {', '.join(PLACES)}")
    names = ["vaults", "visits", "concern_sites"]
    if by == "outfall":
        names += [*DRAIN_TABLES, *STREET_TABLES]
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        columns = ["vault_id", "visited_at", "grade"]
        frames = read_frames(
            database, [name for name in dict.fromkeys(names) if name != "visits"], on_step
        )
        on_step("Read visits")
        visits = read_table(database, "visits", columns=columns)
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
    if by == "outfall":
        traces = week.trace_paths(frames, settings, on_step, with_geometry=False)
        drains = traces.set_index("vault_id")["outfall_id"].reindex(vaults["vault_id"]).to_numpy()
    else:
        drains = np.full(count, None, dtype=object)
    on_step("Weigh against random maps")
    places, number = _gathered(told, by, drains)
    judged = judged_places(
        places, _neighbours(places, by, settings), permutations=permutations,
        rate=settings.hotspots.rate, seed=seed,
    )  # fmt: skip
    on_step("Gather the evidence")
    cluster = np.append(judged["cluster"].to_numpy(), -1)[number]
    chance = np.append(judged["chance"].to_numpy(float), 1.0)[number]
    clusters = evidence(cluster, chance, looks, share, vaults["vault_id"].tolist())
    causes, of = columns_of(_with_concern(vaults, frames["concern_sites"]), _CAUSES)
    fit = fitted(causes, of, dirty, looked, settings.hotspots.ridge)
    clusters["causes"] = candidate_causes(cluster, clusters["cluster"].tolist(), causes, fit)
    return HotSpots(
        gpd.GeoDataFrame(judged, geometry="geometry", crs=vaults.crs), clusters, together
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


def _gathered(told: gpd.GeoDataFrame, by: str, drains: Any) -> tuple[gpd.GeoDataFrame, Any]:
    """Return the places, and the number of each vault's; the last, -1, has none."""
    if by == "vault":
        return told, np.arange(len(told))
    if by == "outfall":
        number, ids = pd.factorize(drains)
    else:
        degrees = told.geometry.to_crs(LONLAT)
        cells = [h3.latlng_to_cell(p.y, p.x, _RESOLUTION) for p in degrees]
        number, ids = pd.factorize(np.array(cells, dtype=object))
    sums = ["looks", "dirty_looks", "expected_looks", "above", "variance", "looked_vaults"]
    kept = number >= 0
    xy = shapely.get_coordinates(told.geometry)
    frame = pd.DataFrame(told[sums])[kept].assign(x=xy[kept, 0], y=xy[kept, 1], vault_count=1)
    groups = frame.groupby(number[kept])
    places = groups[[*sums, "vault_count"]].sum()
    middle = groups[["x", "y"]].mean()
    # By hex and outfall a share of looks; drawn in by vault, where single looks are few.
    places["dirty_frac"] = places["dirty_looks"] / places["looks"].where(places["looks"] > 0)
    places.insert(0, by, pd.Series(ids, index=range(len(ids)))[places.index].astype("str"))
    shapes = gpd.points_from_xy(middle["x"], middle["y"], crs=told.crs)
    return gpd.GeoDataFrame(places, geometry=shapes), number


def _neighbours(places: gpd.GeoDataFrame, by: str, settings: Settings) -> sparse.csr_matrix:
    count = len(places)
    points = shapely.get_coordinates(places.geometry)
    if by == "outfall" or count < 2:
        return sparse.csr_matrix((count, count))
    if by == "vault":
        return near_each_other(points, settings.hotspots.reach_ft / feet_per_unit(places))
    cells = places["hex"].tolist()
    row = {cell: place for place, cell in enumerate(cells)}
    pairs = [
        (place, row[other])
        for place, cell in enumerate(cells)
        for other in h3.grid_disk(cell, 1)
        if other in row and other != cell
    ]
    first, second = np.array(pairs, dtype=np.int64).reshape(-1, 2).T
    return sparse.csr_matrix((np.ones(len(first)), (first, second)), shape=(count, count))


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
