"""Writers: layers appended town by town to one GeoPackage, tables appended to CSV files."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyogrio

from vaultplan import schema

CRS = "EPSG:32606"
STAMP = "2026-10-30T14:00:00.000Z"


class Sink:
    """One folder being filled; ``counts`` holds the rows written to each table."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.gpkg = folder / "spatial.gpkg"
        self.counts: dict[str, int] = {}
        folder.mkdir(parents=True, exist_ok=True)
        for name in schema.LOADABLE:
            (folder / f"{name}.csv").unlink(missing_ok=True)
        self.gpkg.unlink(missing_ok=True)
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})

    def layer(self, name: str, frame: pd.DataFrame) -> None:
        """Append rows to a layer named like its table; shapes are in world coordinates."""
        declared = schema.table(name)
        wanted = declared.geometry
        assert wanted is not None
        rows = declared.conform(gpd.GeoDataFrame(frame, geometry="geometry", crs=CRS))
        pyogrio.write_dataframe(
            rows,
            self.gpkg,
            layer=name,
            driver="GPKG",
            append=name in self.counts,
            geometry_type=_TYPES[wanted.shape],
            layer_options={"GEOMETRY_NAME": "geometry"},
        )
        self.counts[name] = self.counts.get(name, 0) + len(rows)

    def rows(self, name: str, frame: pd.DataFrame) -> None:
        """Append rows to a CSV file; nothing in it needs quotes."""
        names = list(schema.table(name).column_names)
        path = self.folder / f"{name}.csv"
        begun = name in self.counts
        table = pa.Table.from_arrays([_cells(frame[n]) for n in names], names=names)
        options = pa.csv.WriteOptions(include_header=False, quoting_style="none")
        with path.open("ab") as file:
            if not begun:
                file.write((",".join(names) + "\n").encode())
            pa.csv.write_csv(table, file, options)
        self.counts[name] = self.counts.get(name, 0) + len(frame)


_TYPES = {
    "POINT": "Point",
    "LINESTRING": "LineString",
    "MULTIPOLYGON": "MultiPolygon",
    "GEOMETRY": "Unknown",
}


def _cells(values: pd.Series[Any]) -> Any:
    array = pa.array(values, from_pandas=True)
    if pa.types.is_timestamp(array.type):
        array = array.cast(pa.timestamp("s")).cast(pa.date32())
    if pa.types.is_null(array.type):
        array = array.cast(pa.string())
    if pa.types.is_large_string(array.type):
        array = array.cast(pa.string())
    return array
