"""The week's layers as GeoJSON, for whatever reads nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final, cast

import geopandas as gpd
import pandas as pd
import pyogrio

from vaultplan import schema
from vaultplan.geometry import LONLAT
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.layers.telling import stop_key
from vaultplan.outputs.layers.week import week_layers
from vaultplan.outputs.plan_view import crs_of, part

#: In a larger fleet only the vaults of the week's stops and of orders left out are written.
MOST_VAULTS: Final = 20_000
#: Column whose value is a feature's ``id``; stops and routes are named by more than one.
_IDS: Final = {
    "vaults": "vault_id",
    "left_out": "order_id",
    "discharge_paths": "vault_id",
    "outfalls": "outfall_id",
    "receiving_waters": "water_id",
    "sensitive_areas": "area_id",
}
_LEFT_OUT: Final = ("streets",)


def write_geojson(
    frames: schema.Frames,
    folder: Path,
    *,
    time_zone: str | None = None,
    layers: Mapping[str, pd.DataFrame] | None = None,
) -> list[Path]:
    """Return the GeoJSON files written to ``folder``, one per layer of the week but the streets.

    Parameters
    ----------
    frames
        Tables of the plan, of ``schema.TABLES``; those with places share one CRS.
    folder
        Folder to write to; a file that is there is replaced, whole or not at all.
    time_zone
        Zone of the local times; the database's when not given.

    Raises
    ------
    OutputError
        If the folder does not exist or there is not exactly one plan.

    Notes
    -----
    RFC 7946: longitude and latitude (WGS 84) to six decimals, outer rings counter-clockwise,
    cut where they cross the antimeridian, no ``crs``. Local times carry their offset. A feature's
    ``id`` is its key, of a stop its order and what is done, so it holds from plan to plan.
    """
    layers = layers or week_layers(frames, time_zone)
    mine = _vaults_of_the_week(frames)
    written = []
    for name, frame in layers.items():
        if name in _LEFT_OUT:
            continue
        is_large = "vault_id" in frame and len(frame) > MOST_VAULTS
        kept = frame[frame["vault_id"].isin(mine)] if is_large else frame
        written.append(folder / f"{name}.geojson")
        with whole_file(written[-1]) as unfinished:
            _write(_lonlat(kept, frames), name, unfinished)
    return written


def _vaults_of_the_week(frames: schema.Frames) -> set[str]:
    stops, left = part(frames, "plan_stops"), part(frames, "plan_unserved")
    return set(stops["vault_id"].dropna()) | set(left["vault_id"])


def _lonlat(frame: pd.DataFrame, frames: schema.Frames) -> gpd.GeoDataFrame:
    placed = gpd.GeoDataFrame(frame, geometry="geometry")
    if placed.crs is None:
        placed = placed.set_crs(crs_of(frames) or LONLAT)
    return cast(gpd.GeoDataFrame, placed.to_crs(LONLAT))


def _write(frame: gpd.GeoDataFrame, name: str, path: Path) -> None:
    told = frame.copy()
    for column, values in frame.items():
        if values.dtype == "datetime64[s]":
            told[column] = values.dt.strftime("%Y-%m-%d").astype("str")
        elif isinstance(values.dtype, pd.DatetimeTZDtype):
            told[column] = values.dt.strftime("%Y-%m-%dT%H:%M:%SZ").astype("str")
    told["feature_id"] = _ids(frame, name)  # the column named here leaves the properties
    pyogrio.write_dataframe(
        told,
        path,
        layer=name,
        driver="GeoJSON",
        RFC7946="YES",
        WRITE_BBOX="YES",
        COORDINATE_PRECISION="6",
        ID_FIELD="feature_id",
    )


def _ids(frame: pd.DataFrame, name: str) -> list[str]:
    if name == "planned_stops":
        key = frame[["order_id", "kind", "truck_id", "on", "stop_number"]]
        return [stop_key(stop) for stop in key.to_dict("records")]
    if name == "routes":
        pairs = zip(frame["truck_id"], frame["on"], strict=True)
        return [f"{truck} {day:%Y-%m-%d}" for truck, day in pairs]
    return list(frame[_IDS[name]])
