"""A fleet's folder in memory: text tables and layers, read, dirtied and written again."""

from __future__ import annotations

import csv
import io
import shutil
import tomllib
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyogrio

from vaultplan import schema

SPATIAL = "spatial.gpkg"
SETTINGS = "vaultplan.toml"
#: The fleets' last day ends here; make_fleet.py writes no visit after it.
TODAY_ENDS = pd.Timestamp("2026-10-31T10:00:00Z")
STAMP = "2026-10-30T14:00:00.000Z"
FIRST_TEXT_ROW, FIRST_FEATURE = 2, 1


class Folder:
    """Tables by name, every row under the number that vaultplan gives it.

    ``tables`` hold text as it stands in the CSV files (rows from 2), ``layers`` typed values and
    shapes (rows from 1). ``torn`` holds the cells of rows that shall not fit their header.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.tables: dict[str, pd.DataFrame] = {}
        self.layers: dict[str, gpd.GeoDataFrame] = {}
        self.torn: dict[tuple[str, int], list[str]] = {}
        self.touched: set[str] = set()
        spatial = path / SPATIAL
        for name in _layers_of(spatial):
            read = pyogrio.read_dataframe(spatial, layer=name)
            rows = schema.table(name).conform(read)[list(read.columns)]
            rows.index = pd.RangeIndex(FIRST_FEATURE, FIRST_FEATURE + len(rows), name="row")
            self.layers[name] = rows
        for name in schema.LOADABLE:
            file = path / f"{name}.csv"
            if file.is_file():
                text = pd.read_csv(file, dtype="str", keep_default_na=False)
                text.index = pd.RangeIndex(FIRST_TEXT_ROW, FIRST_TEXT_ROW + len(text), name="row")
                self.tables[name] = text

    def __getitem__(self, name: str) -> pd.DataFrame:
        """Return a table or layer."""
        return self.tables[name] if name in self.tables else self.layers[name]

    def __contains__(self, name: str) -> bool:
        return name in self.tables or name in self.layers

    def file_of(self, name: str) -> str:
        """Return the name of the file a table stands in."""
        return f"{name}.csv" if name in self.tables else SPATIAL

    def append(self, name: str, rows: pd.DataFrame) -> pd.Index:
        """Put rows at the end of a table; return their row numbers."""
        known = self[name]
        new = pd.RangeIndex(known.index[-1] + 1, known.index[-1] + 1 + len(rows), name="row")
        both = pd.concat([known, rows.set_axis(new)])
        if name in self.tables:
            self.tables[name] = both
        else:
            self.layers[name] = gpd.GeoDataFrame(both, geometry="geometry", crs=known.crs)
        return new

    @property
    def crs(self) -> str:
        """CRS of the layers, as text."""
        return str(next(iter(self.layers.values())).crs.to_string())

    @property
    def zone(self) -> str:
        """Time zone that the settings name."""
        return zone_of(self.path)

    def write(self, out: Path) -> None:
        """Write all tables into ``out``; files that nothing touched are copied."""
        if out.resolve() == self.path.resolve():
            raise SystemExit("give another folder; the clean one is not written over")
        out.mkdir(parents=True, exist_ok=True)
        if (self.path / SETTINGS).is_file():
            shutil.copyfile(self.path / SETTINGS, out / SETTINGS)
        for name in self.tables:
            if name in self.touched:
                (out / f"{name}.csv").write_text(self._csv(name), encoding="utf-8", newline="")
            else:
                shutil.copyfile(self.path / f"{name}.csv", out / f"{name}.csv")
        (out / SPATIAL).unlink(missing_ok=True)
        if not self.touched & set(self.layers):
            shutil.copyfile(self.path / SPATIAL, out / SPATIAL)
            return
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": STAMP})
        try:
            for name, kind in _layers_of(self.path / SPATIAL).items():
                pyogrio.write_dataframe(
                    self.layers[name],
                    out / SPATIAL,
                    layer=name,
                    driver="GPKG",
                    geometry_type=kind,
                    layer_options={"GEOMETRY_NAME": "geometry"},
                )
        finally:
            pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": None})

    def _csv(self, name: str) -> str:
        text = io.StringIO()
        writer = csv.writer(text, lineterminator="\n")
        writer.writerow(self.tables[name].columns)
        for row, cells in zip(
            self.tables[name].index, self.tables[name].to_numpy(dtype=object), strict=True
        ):
            torn = self.torn.get((name, int(row)))
            if torn is None:
                writer.writerow(cells)
            else:
                text.write(",".join(torn) + "\n")
        return text.getvalue()


def zone_of(folder: Path) -> str:
    """Return the time zone that a folder's settings name, UTC if they name none."""
    settings = folder / SETTINGS
    if not settings.is_file():
        return "UTC"
    return str(tomllib.loads(settings.read_text(encoding="utf-8")).get("time_zone", "UTC"))


def _layers_of(spatial: Path) -> dict[str, str]:
    """Return the type of shape of each layer that is named as a table, in the file's order."""
    found = pyogrio.list_layers(spatial)
    return {str(name): str(kind) for name, kind in found if name in schema.LOADABLE}
