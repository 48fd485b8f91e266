"""Which vaults lie near ground whose water is suspect even when it is clear."""

from __future__ import annotations

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
    near = pd.Series(False, index=range(len(vaults)), dtype="boolean")
    listed = pd.Series(None, index=near.index, dtype="str")
    if len(sites) and len(vaults):
        require_same_crs(vaults=vaults, concern_sites=sites)
        _check_sites(sites)
        reach = sites["radius_ft"].to_numpy(dtype=float) / feet_per_unit(vaults)
        tree = shapely.STRtree(vaults.geometry.to_numpy())
        site, vault = tree.query(sites.geometry.to_numpy(), predicate="dwithin", distance=reach)
        is_near = np.zeros(len(vaults), dtype=bool)
        is_near[vault] = True
        near = pd.Series(is_near, dtype="boolean").mask(_is_unplaced(vaults))
        pairs = pd.DataFrame({"vault": vault, "site": sites["site_id"].to_numpy()[site]})
        named = pairs.sort_values(["vault", "site"]).groupby("vault")["site"].agg(";".join)
        listed[named.index] = named
    return pd.DataFrame(
        {
            "vault_id": vaults["vault_id"].to_numpy(),
            "near_concern": near.array,
            "concern_sites": listed.array,
        }
    )


def _check_sites(sites: gpd.GeoDataFrame) -> None:
    unplaced = sites["radius_ft"].isna() | _is_unplaced(sites)
    if unplaced.any():
        ids = ", ".join(sites.loc[unplaced, "site_id"].head(20))
        raise SchemaError(
            f"concern_sites without a place or radius: {ids}; place them, or close them"
        )


def _is_unplaced(frame: gpd.GeoDataFrame) -> npt.NDArray[np.bool_]:
    shapes = frame.geometry.to_numpy()
    return np.asarray(shapely.is_missing(shapes) | shapely.is_empty(shapes), dtype=bool)
