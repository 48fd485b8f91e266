"""The week as map layers in one GeoPackage that a desktop GIS opens with its styles."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import pandas as pd
import pyogrio

from vaultplan import schema
from vaultplan.errors import CRSError
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.layers.week import LAYERS, column_meanings, week_layers
from vaultplan.outputs.plan_view import crs_of, plan_of
from vaultplan.styles import (
    LAYER_STYLES,
    OUTLINE,
    SEQUENTIAL,
    LayerStyle,
    Symbol,
    style_by_grade,
    style_by_method,
    write_layer_styles,
)

_LEFT_OUT: Final = {
    "held": Symbol("#FFFFFF", OUTLINE, 0.6, "square", 3.0),
    "referred": Symbol(SEQUENTIAL[1], OUTLINE, 0.6, "diamond", 3.4),
    "not_scheduled": Symbol("#FFFFFF", OUTLINE, 0.3, "circle", 2.6),
    "not_possible": Symbol("#FFFFFF", OUTLINE, 0.3, "triangle", 3.0),
}
_STYLES: Final[Mapping[str, LayerStyle]] = {
    "vaults": style_by_grade("grade_likeliest", 2.0),
    "planned_stops": style_by_method("method", 3.4),
    "left_out": LayerStyle("point", _LEFT_OUT["not_scheduled"], "outcome", _LEFT_OUT),
    "routes": LAYER_STYLES["routes"],
    "discharge_paths": LAYER_STYLES["traces"],
    "outfalls": LAYER_STYLES["outfalls"],
    "receiving_waters": LAYER_STYLES["receiving_waters"],
    "sensitive_areas": LAYER_STYLES["sensitive_areas"],
    "streets": LAYER_STYLES["roads"],
}
_DATA_COLUMNS: Final = """
CREATE TABLE gpkg_data_columns (
    table_name TEXT NOT NULL, column_name TEXT NOT NULL, name TEXT, title TEXT,
    description TEXT, mime_type TEXT, constraint_name TEXT,
    CONSTRAINT pk_gdc PRIMARY KEY (table_name, column_name),
    CONSTRAINT gdc_tn UNIQUE (table_name, name))
"""
_SCHEMA_EXTENSION: Final = "http://www.geopackage.org/spec121/#extension_schema"


def write_layers(
    frames: schema.Frames,
    path: Path,
    *,
    time_zone: str | None = None,
    layers: Mapping[str, pd.DataFrame] | None = None,
) -> None:
    """Write the week's layers, each with a CRS and a style, to one GeoPackage.

    Layers: vaults (forecast, grade chances, decision and trace of the first planned day),
    planned_stops, left_out, routes, discharge_paths, outfalls, receiving_waters,
    sensitive_areas, streets. A layer without rows is there all the same.

    Parameters
    ----------
    frames
        Tables of the plan, of ``schema.TABLES``; those with places share one CRS.
    path
        GeoPackage to write; one that is there is replaced, whole or not at all.
    time_zone
        Zone of the local times; the database's when not given. UTC stands beside them.

    Raises
    ------
    CRSError
        If no table has places, or their CRS are missing or differ.
    OutputError
        If the folder does not exist or there is not exactly one plan.

    Notes
    -----
    Styles stand in ``layer_styles``; what each column means stands in ``gpkg_data_columns`` (OGC
    12-128r19, extension schema). The same plan gives the same bytes.
    """
    crs = crs_of(frames)
    if crs is None:
        raise CRSError("no table has a place with a CRS, so there is no layer to write")
    made_at = f"{plan_of(frames)['made_at']:%Y-%m-%dT%H:%M:%S.000Z}"
    layers = layers or week_layers(frames, time_zone)
    with whole_file(path) as unfinished:
        for name, frame in layers.items():
            pyogrio.write_dataframe(
                _stored(frame, crs),
                unfinished,
                layer=name,
                driver="GPKG",
                geometry_type=_geometry_type(frame, LAYERS[name]),
                promote_to_multi=LAYERS[name].startswith("MULTI"),
                append=unfinished.exists(),
                use_arrow=True,
            )
        with closing(sqlite3.connect(unfinished)) as connection, connection:
            write_layer_styles(connection, _STYLES, column="geom")
            _explain_columns(connection, layers)
            connection.execute("UPDATE gpkg_contents SET last_change = ?", (made_at,))
            connection.execute("UPDATE layer_styles SET update_time = ?", (made_at,))


def _stored(frame: pd.DataFrame, crs: Any) -> gpd.GeoDataFrame:
    """Return the layer with local dates as dates, not as midnights."""
    placed = gpd.GeoDataFrame(frame, geometry="geometry")
    placed = placed.set_crs(crs) if placed.crs is None else placed
    for name, values in placed.items():
        if values.dtype == "datetime64[s]":
            placed[name] = values.astype("date32[pyarrow]")
    return placed


def _geometry_type(frame: pd.DataFrame, declared: str) -> str:
    words = {"POINT": "Point", "LINESTRING": "LineString", "MULTIPOLYGON": "MultiPolygon"}
    stated = words.get(declared, "Unknown")
    found = set(gpd.GeoSeries(frame["geometry"]).dropna().geom_type)
    found = {f"Multi{kind.removeprefix('Multi')}" for kind in found} if "Multi" in stated else found
    return stated if found <= {stated} else "Unknown"


def _explain_columns(connection: sqlite3.Connection, layers: Mapping[str, pd.DataFrame]) -> None:
    meanings = column_meanings()
    connection.execute(_DATA_COLUMNS)
    connection.executemany(
        "INSERT INTO gpkg_data_columns (table_name, column_name, name, title, description) "
        "VALUES (?, ?, ?, ?, ?)",
        [
            (layer, name, name, name.replace("_", " "), meanings[name])
            for layer, frame in layers.items()
            for name in frame.columns
            if name != "geometry"
        ],
    )
    connection.execute(
        "CREATE TABLE IF NOT EXISTS gpkg_extensions (table_name TEXT, column_name TEXT, "
        "extension_name TEXT NOT NULL, definition TEXT NOT NULL, scope TEXT NOT NULL, "
        "CONSTRAINT ge_tce UNIQUE (table_name, column_name, extension_name))"
    )
    connection.execute(
        "INSERT INTO gpkg_extensions VALUES ('gpkg_data_columns', NULL, 'gpkg_schema', ?, "
        "'read-write')",
        (_SCHEMA_EXTENSION,),
    )
