"""Between frames and what the two stores take in and give out, whole columns at a time."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from io import BytesIO
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.csv as pacsv
import pyproj
import shapely

from vaultplan.columns import Column
from vaultplan.store.geopackage_blob import Geometries, decode, encode

_ARROW_TYPES: Final[dict[str, Any]] = {
    "text": pa.large_string(),
    "words": pa.large_string(),
    "clock": pa.large_string(),
    "integer": pa.int64(),
    "real": pa.float64(),
    "boolean": pa.bool_(),
    "date": pa.timestamp("s"),
    "time": pa.timestamp("ms", tz="UTC"),
}
_PANDAS_TYPES: Final = {
    pa.int64(): pd.Int64Dtype(),
    pa.bool_(): pd.BooleanDtype(),
}


class FrameBuilder:
    """Collects blocks of rows as they come from a store and joins them to one frame."""

    def __init__(self, columns: Sequence[Column], crs: pyproj.CRS) -> None:
        self._plain = [column for column in columns if column.type != "geometry"]
        self._order = [column.name for column in columns]
        self._placed = any(column.type == "geometry" for column in columns)
        self._crs = crs
        self._blocks: list[pa.Table] = []
        self._geometries: list[Geometries] = []

    @property
    def columns(self) -> list[str]:
        """Names of the columns in the order that rows must bring them: geometry last."""
        plain = [column.name for column in self._plain]
        return [*plain, "geometry"] if self._placed else plain

    def add_rows(self, rows: list[tuple[Any, ...]]) -> None:
        """Take rows as sqlite3 gives them."""
        values: list[Sequence[Any]] = list(zip(*rows, strict=True)) if rows else []
        if not values:
            return
        if self._placed:
            self._geometries.append(decode(values.pop()))
        arrays = [
            _from_sqlite(column, given) for column, given in zip(self._plain, values, strict=True)
        ]
        self._blocks.append(pa.table(arrays, names=[column.name for column in self._plain]))

    def add_csv(self, text: bytes) -> None:
        """Take rows as PostgreSQL copies them out."""
        names = self.columns
        types = {column.name: _ARROW_TYPES[column.type] for column in self._plain}
        block = pacsv.read_csv(
            BytesIO(text),
            read_options=pacsv.ReadOptions(column_names=names, block_size=len(text) + 1),
            parse_options=pacsv.ParseOptions(newlines_in_values=True, ignore_empty_lines=False),
            convert_options=pacsv.ConvertOptions(
                column_types={**types, "geometry": pa.large_string()},
                null_values=[""],
                true_values=["t"],
                false_values=["f"],
                strings_can_be_null=True,
                quoted_strings_can_be_null=False,
            ),
        )
        if self._placed:
            hexes = block.column("geometry").to_numpy()
            self._geometries.append(shapely.set_srid(shapely.from_wkb(hexes), 0))
            block = block.drop_columns(["geometry"])
        self._blocks.append(block)

    def frame(self) -> pd.DataFrame:
        """Return all rows taken so far as one frame."""
        schema = pa.schema([(c.name, _ARROW_TYPES[c.type]) for c in self._plain])
        joined = pa.concat_tables([schema.empty_table(), *self._blocks])
        self._blocks.clear()
        frame: pd.DataFrame = joined.to_pandas(
            types_mapper=_PANDAS_TYPES.get, split_blocks=True, self_destruct=True
        )
        if not self._placed:
            return frame
        shapes = np.concatenate([np.empty(0, dtype=object), *self._geometries])
        frame = frame.reindex(range(len(shapes))) if not self._plain else frame
        placed: pd.DataFrame = gpd.GeoDataFrame(frame, geometry=shapes, crs=self._crs)
        return placed[self._order]


def _from_sqlite(column: Column, values: Sequence[Any]) -> Any:
    if column.type == "boolean":
        return pa.array(values, type=pa.int64()).cast(pa.bool_())
    if column.type == "date":
        days = pa.array(values, type=pa.large_string()).cast(pa.date32())
        return days.cast(_ARROW_TYPES["date"])
    if column.type == "time":
        return pa.array(values, type=pa.large_string()).cast(_ARROW_TYPES["time"])
    return pa.array(values, type=_ARROW_TYPES[column.type])


def sqlite_rows(
    frame: pd.DataFrame, columns: Sequence[Column], srid: int
) -> Iterator[tuple[Any, ...]]:
    """Yield the frame's rows as sqlite3 takes them, in the order of ``columns``."""
    return zip(*(_to_sqlite(frame, column, srid) for column in columns), strict=True)


def _to_sqlite(frame: pd.DataFrame, column: Column, srid: int) -> list[Any]:
    values = frame[column.name]
    if column.type == "geometry":
        return encode(np.asarray(values, dtype=object), srid)
    if column.type in {"date", "time"}:
        is_time = column.type == "time"
        moments = values.to_numpy(dtype="datetime64[ms]")
        text = np.datetime_as_string(moments, unit="ms" if is_time else "D")
        return _blanked(np.char.add(text, "Z") if is_time else text, np.isnat(moments))
    if column.type == "real":
        numbers = values.to_numpy(dtype="float64")
        return _blanked(numbers, np.isnan(numbers))
    blank: Any = None
    objects: list[Any] = values.to_numpy(dtype=object, na_value=blank).tolist()
    return objects


def _blanked(values: npt.NDArray[Any], missing: npt.NDArray[np.bool_]) -> list[Any]:
    objects = values.astype(object)
    objects[missing] = None
    listed: list[Any] = objects.tolist()
    return listed


def csv_bytes(frame: pd.DataFrame, columns: Sequence[Column], srid: int) -> bytes:
    """Return the frame's rows as PostgreSQL copies them in, in the order of ``columns``.

    Text is always quoted and blanks never are, which is how ``COPY`` tells empty text from NULL.
    """
    arrays = []
    for column in columns:
        values = frame[column.name]
        if column.type == "geometry":
            shapes = shapely.set_srid(np.asarray(values, dtype=object), srid)
            hexes = shapely.to_wkb(shapes, hex=True, output_dimension=2, include_srid=True)
            arrays.append(pa.array(hexes, type=pa.large_string()))
        else:
            kind = _ARROW_TYPES[column.type]
            arrays.append(pa.array(values, type=kind, from_pandas=True))
    # Arrow writes stray bytes for text whose first chunk is empty, as read tables have it.
    table = pa.table(arrays, names=[column.name for column in columns]).combine_chunks()
    sink = BytesIO()
    pacsv.write_csv(table, sink, pacsv.WriteOptions(include_header=False))
    return sink.getvalue()
