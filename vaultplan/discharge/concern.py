"""Which vaults lie near ground, or a spill, whose water is suspect even when it is clear."""

from __future__ import annotations

from datetime import date

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.errors import SchemaError
from vaultplan.geometry import feet_per_unit, require_same_crs


def vaults_near_concern(vaults: gpd.GeoDataFrame, concern_sites: gpd.GeoDataFrame) -> pd.DataFrame:
    """Return, for each vault, whether it is within the radius of a site of concern, and of which.

    Parameters
    ----------
    vaults
        vault_id and point.
    concern_sites
        site_id, status, radius_ft and point; closed sites do not count, those of unknown or blank
        status do.

    Returns
    -------
    pandas.DataFrame
        vault_id, near_concern (blank where the vault is not on the map but sites are),
        concern_sites (ids joined with ``;``).

    Raises
    ------
    CRSError
        If the tables differ in CRS or have none.
    SchemaError
        If a site that counts lacks its place or radius: then no vault is known to be clear of it.
    """
    sites = concern_sites[concern_sites["status"].fillna("unknown") != "closed"]
    near, listed = _near(vaults, sites, "concern_sites", "site_id")
    return pd.DataFrame(
        {
            "vault_id": vaults["vault_id"].to_numpy(),
            "near_concern": near.array,
            "concern_sites": listed.array,
        }
    )


def vaults_near_incidents(
    vaults: gpd.GeoDataFrame, incidents: gpd.GeoDataFrame, *, as_of: date, days: float
) -> pd.DataFrame:
    """Return, for each vault, whether a recent spill, fire or main break lies near, and which.

    Parameters
    ----------
    vaults, incidents
        Tables of those names. Incidents after ``as_of`` are not known yet; one counts until
        ``days`` after it was cleared, and for good while nobody cleared it.
    as_of, days
        Last day known, and how long an incident counts on.

    Returns
    -------
    pandas.DataFrame
        vault_id, near_incident (blank where the vault is not on the map but incidents are),
        incidents (ids joined with ``;``).

    Raises
    ------
    CRSError
        If the tables differ in CRS or have none.
    SchemaError
        If an incident that counts lacks its place or radius.
    """
    known = pd.Timestamp(as_of).normalize()
    cleared = incidents["cleared_on"].where(incidents["cleared_on"] <= known)
    counts = cleared.isna() | (cleared >= known - pd.Timedelta(days=days))
    sites = incidents[(incidents["happened_on"] <= known) & counts]
    near, listed = _near(vaults, sites, "incidents", "incident_id")
    return pd.DataFrame(
        {
            "vault_id": vaults["vault_id"].to_numpy(),
            "near_incident": near.array,
            "incidents": listed.array,
        }
    )


def _near(
    vaults: gpd.GeoDataFrame, sites: gpd.GeoDataFrame, name: str, key: str
) -> tuple[pd.Series[bool], pd.Series[str]]:
    """Return which vaults lie within the radius of a site, and of which."""
    near = pd.Series(False, index=range(len(vaults)), dtype="boolean")
    listed = pd.Series(None, index=near.index, dtype="str")
    if len(sites) and len(vaults):
        require_same_crs(**{"vaults": vaults, name: sites})
        _check_sites(sites, name, key)
        reach = sites["radius_ft"].to_numpy(dtype=float) / feet_per_unit(vaults)
        tree = shapely.STRtree(vaults.geometry.to_numpy())
        site, vault = tree.query(sites.geometry.to_numpy(), predicate="dwithin", distance=reach)
        is_near = np.zeros(len(vaults), dtype=bool)
        is_near[vault] = True
        near = pd.Series(is_near, dtype="boolean").mask(_is_unplaced(vaults))
        pairs = pd.DataFrame({"vault": vault, "site": sites[key].to_numpy()[site]})
        named = pairs.sort_values(["vault", "site"]).groupby("vault")["site"].agg(";".join)
        listed[named.index] = named
    return near, listed


def _check_sites(sites: gpd.GeoDataFrame, name: str, key: str) -> None:
    unplaced = sites["radius_ft"].isna() | _is_unplaced(sites)
    if unplaced.any():
        ids = ", ".join(sites.loc[unplaced, key].head(20))
        raise SchemaError(f"{name} without a place or radius: {ids}; place them, or close them")


def _is_unplaced(frame: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    shapes = frame.geometry.to_numpy()
    return np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes), dtype=bool)
