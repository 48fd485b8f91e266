"""The week's tables as Parquet and GeoParquet, for analysts' programs."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Final

import geopandas as gpd
import pandas as pd

from vaultplan import schema
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.layers.week import week_layers
from vaultplan.outputs.plan_view import crs_of, part

_LAYERS: Final = ("vaults", "planned_stops", "left_out", "discharge_paths")
_TABLES: Final = ("plan_jobs", "plan_loads")


def write_parquet(
    frames: schema.Frames,
    folder: Path,
    *,
    time_zone: str | None = None,
    layers: Mapping[str, pd.DataFrame] | None = None,
) -> list[Path]:
    """Return the Parquet files written to ``folder``: vaults, stops, orders left out, paths, jobs.

    Files with places are GeoParquet in the database's CRS and open with
    :func:`geopandas.read_parquet`; the loads of the trucks are plain Parquet.

    Raises
    ------
    OutputError
        If the folder does not exist or there is not exactly one plan.
    """
    layers = layers or week_layers(frames, time_zone)
    tables = {name: layers[name] for name in _LAYERS} | {n: part(frames, n) for n in _TABLES}
    crs, written = crs_of(frames), []
    for name, frame in tables.items():
        written.append(folder / f"{name}.parquet")
        with whole_file(written[-1]) as unfinished:
            if "geometry" in frame:
                placed = gpd.GeoDataFrame(frame, geometry="geometry")
                placed = placed.set_crs(crs) if placed.crs is None and crs else placed
                placed.to_parquet(unfinished, index=False, write_covering_bbox=True)
            else:
                pd.DataFrame(frame).to_parquet(unfinished, index=False)
    return written
