"""What the water from each outfall comes to: intakes, shellfish, beaches, habitat."""

from __future__ import annotations

from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import shapely

from vaultplan.geometry import feet_per_unit
from vaultplan.settings import DischargeSettings

Flags = npt.NDArray[np.bool_]

#: Facts about places reached, with the words in ``uses`` that say so and the kind of area.
USES: Final = {
    "reaches_intake": (("drink", "potable", "intake"), "drinking_intake"),
    "reaches_shellfish": (("shellfish", "oyster", "mussel", "clam"), "shellfish_bed"),
    "reaches_beach": (("swim", "bath", "beach", "surf", "wad"), "beach"),
    "reaches_habitat": (("habitat", "spawn", "wildlife"), "habitat"),
}
FLAGS: Final = ("reaches_impaired", *USES, "near_sensitive", "tide_may_lock")
#: Categories of the integrated report (Clean Water Act sections 303(d), 305(b)): 4a, 4b and 5 are
#: impaired by a pollutant, 4c by something else, 1 to 3 not known to be impaired.
BY_POLLUTANT: Final = frozenset({"4a", "4b", "5"})
NOT_BY_POLLUTANT: Final = frozenset({"1", "2", "3", "4c"})


def places_reached(
    receiving_waters: gpd.GeoDataFrame,
    sensitive_areas: gpd.GeoDataFrame,
    outfalls: gpd.GeoDataFrame,
    *,
    settings: DischargeSettings,
) -> pd.DataFrame:
    """Return what lies in the way of each outfall's water, down to the sea.

    Parameters
    ----------
    receiving_waters, sensitive_areas, outfalls
        Tables of those names, in one CRS; any may be empty.
    settings
        What counts as near, which impairments vault water adds to, and which waters are too wide
        for an area that touches them somewhere to count everywhere.

    Returns
    -------
    pandas.DataFrame
        ``outfall_id``; ``reaches_impaired`` (by a pollutant that vault water adds to),
        ``reaches_intake``, ``reaches_shellfish``, ``reaches_beach``, ``reaches_habitat``, by the
        uses of all waters down to the bay or sea, and by sensitive areas that touch them or lie
        near the outfall, none of which can be denied of an outfall without a place or where no
        area is loaded; ``near_sensitive`` (an area within ``near_sensitive_ft`` of the outfall,
        farther where the tide carries water both ways), ``tide_may_lock`` (a high tide shuts the
        outfall, or nobody noted whether and the water is tidal): true, false, or blank where nobody
        knows; and
        ``daily_cap_gal``.
    """
    waters = receiving_waters.reset_index(drop=True)
    down = _rows_of(waters["water_id"], waters["downstream_water_id"])
    own = {name: _uses(waters["uses"], words) for name, (words, _) in USES.items()}
    # All water comes to the sea, and somewhere people swim in it: there only what is near counts.
    is_wide = waters["kind"].isin(settings.wide_waters).to_numpy(bool)
    for name in USES:
        own[name] &= ~is_wide
    touching = _touching(waters, sensitive_areas, settings)
    for name, (_, kind) in USES.items():
        own[name] |= touching.get(kind, np.zeros(len(waters), dtype=bool))
    at = _rows_of(waters["water_id"], outfalls["water_id"])
    is_tidal = _flag(waters, "is_tidal")[at] if len(waters) else np.zeros(len(outfalls), bool)
    is_tidal = is_tidal & (at >= 0)
    near = _near(outfalls, sensitive_areas, is_tidal, settings)
    found: dict[str, Any] = {"outfall_id": outfalls["outfall_id"].to_numpy()}
    impaired = impaired_by(waters["impairments"], settings.vault_pollutants)
    not_told = waters["impairments"].isna().to_numpy(bool)
    is_impaired = _at(_with_waters_below(impaired, down), at)
    found["reaches_impaired"] = pd.Series(is_impaired, dtype="boolean").mask(
        ((at < 0) | _at(_with_waters_below(not_told, down), at)) & ~is_impaired
    )
    not_looked = shapely.is_missing(outfalls.geometry.to_numpy()) | (len(sensitive_areas) == 0)
    for name, flags in own.items():
        value = _at(_with_waters_below(flags, down), at) | near[USES[name][1]]
        found[name] = pd.Series(value, dtype="boolean").mask(((at < 0) | not_looked) & ~value)
    near_any = np.logical_or.reduce([*near.values()])
    found["near_sensitive"] = pd.Series(near_any, dtype="boolean").mask(not_looked & ~near_any)
    locked = outfalls["tide_locked"].astype("boolean").reset_index(drop=True)
    found["tide_may_lock"] = locked.fillna(pd.Series(is_tidal, dtype="boolean"))
    found["daily_cap_gal"] = outfalls["daily_cap_gal"].to_numpy(dtype=float, na_value=np.nan)
    return pd.DataFrame(found)


def impaired_by(impairments: pd.Series[Any], pollutants: tuple[str, ...]) -> Flags:
    """Return which waters are impaired by a pollutant that vault water adds to.

    A word that is a category of the integrated report alone says whether by any pollutant, not by
    which: one impaired so counts. Blank is not known, which the caller must tell apart.

    >>> impaired_by(pd.Series(["none", "copper;4a", "flow;4c", "5"], dtype="str"), ("copper",))
    array([False,  True, False,  True])
    """
    words = impairments.fillna("").str.lower().str.split(";").explode().str.strip()
    category = words.str.removeprefix("category").str.strip()
    hit = category.isin(BY_POLLUTANT)
    for stem in pollutants:
        hit |= words.str.contains(stem, regex=False)
    flags: Flags = hit.groupby(level=0).any().reindex(impairments.index).to_numpy(bool)
    return flags


def _uses(uses: pd.Series[Any], stems: tuple[str, ...]) -> Flags:
    lowered = uses.fillna("").str.lower()
    hit = np.zeros(len(uses), dtype=bool)
    for stem in stems:
        hit |= lowered.str.contains(stem, regex=False).to_numpy(bool)
    return hit


def _touching(
    waters: gpd.GeoDataFrame, areas: gpd.GeoDataFrame, settings: DischargeSettings
) -> dict[str, Flags]:
    found = {kind: np.zeros(len(waters), dtype=bool) for _, kind in USES.values()}
    if len(areas) and len(waters):
        narrow = np.flatnonzero(~waters["kind"].isin(settings.wide_waters).to_numpy(bool))
        tree = shapely.STRtree(areas.geometry.to_numpy())
        water, area = tree.query(waters.geometry.to_numpy()[narrow], predicate="intersects")
        kind = areas["kind"].to_numpy(dtype=object)[area]
        for name, flags in found.items():
            flags[narrow[water[kind == name]]] = True
    return found


def _near(
    outfalls: gpd.GeoDataFrame,
    areas: gpd.GeoDataFrame,
    is_tidal: Flags,
    settings: DischargeSettings,
) -> dict[str, Flags]:
    """Return, by kind of area, the outfalls that have one near."""
    kinds = [*(kind for _, kind in USES.values()), "protected_shore"]
    found = {kind: np.zeros(len(outfalls), dtype=bool) for kind in kinds}
    if len(outfalls) and len(areas):
        reach = settings.near_sensitive_ft / feet_per_unit(outfalls)
        far = reach * np.where(is_tidal, settings.tide_reach_factor, 1.0)
        tree = shapely.STRtree(areas.geometry.to_numpy())
        outfall, area = tree.query(outfalls.geometry.to_numpy(), predicate="dwithin", distance=far)
        kind = areas["kind"].to_numpy(dtype=object)[area]
        for name, flags in found.items():
            flags[outfall[kind == name]] = True
    return found


def _with_waters_below(own: Flags, down: npt.NDArray[np.int64]) -> Flags:
    reached = own.copy()
    linked = np.flatnonzero(down >= 0)
    while True:
        further = linked[reached[down[linked]] & ~reached[linked]]
        if not len(further):
            return reached
        reached[further] = True


def _at(flags: Flags, rows: npt.NDArray[np.int64]) -> Flags:
    """Return each row's flag, false where there is no row."""
    picked: Flags = np.append(flags, False)[rows] & (rows >= 0)
    return picked


def _rows_of(ids: pd.Series[Any], wanted: pd.Series[Any]) -> npt.NDArray[np.int64]:
    found = pd.Index(ids).get_indexer(pd.Index(wanted.astype("str")))
    return np.where(wanted.isna().to_numpy(bool), -1, found).astype(np.int64)


def _flag(frame: pd.DataFrame, name: str) -> Flags:
    flags: Flags = frame[name].astype("boolean").fillna(False).to_numpy(bool)
    return flags
