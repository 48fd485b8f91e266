"""Tables as files that load again: nothing is lost, and the same rows give the same bytes.

The spreadsheet's view of a table, with rounded places and local times, is ``outputs/tables.py``.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pyogrio
import pyproj
import shapely

from vaultplan import schema
from vaultplan.columns import Column, Table, guarded
from vaultplan.errors import CRSError, OutputError
from vaultplan.geometry import srid_of
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.tables import table_ending

#: Geometry of a table with places in a folder of exported tables.
SPATIAL_FILE: Final = "spatial.gpkg"

_ROWS_AT_A_TIME: Final = 50_000
#: Decimals at which every double of 0.0001 or more is exact; smaller ones are written with an
#: exponent.
_WKT_DECIMALS: Final = 20
#: A GeoPackage states when it was changed; no one day, so that the same rows give the same bytes.
_NO_DAY: Final = "1970-01-01T00:00:00.000Z"
_ARROW_TYPES: Final[dict[str, Any]] = {
    "text": pa.large_string(),
    "words": pa.large_string(),
    "clock": pa.large_string(),
    "integer": pa.int64(),
    "real": pa.float64(),
    "boolean": pa.bool_(),
    "date": pa.date32(),
    "time": pa.timestamp("ms", tz="UTC"),
    "geometry": pa.large_binary(),
}
_TEXTUAL: Final = ("text", "words", "clock")
_GDAL_SHAPES: Final = {
    "POINT": "Point",
    "LINESTRING": "LineString",
    "MULTIPOLYGON": "MultiPolygon",
    "GEOMETRY": "Unknown",
}


def write_export(frame: pd.DataFrame, name: str, path: Path) -> tuple[Path, ...]:
    """Return the files written: one table as ``.csv``, ``.parquet`` or ``.gpkg``, by the ending.

    Rows stand in the order of their key, columns in the order of the schema. The file is replaced
    whole or not at all. Loaded into an empty database and exported again, it gives the same bytes.

    Parameters
    ----------
    frame
        Rows in the shape of the table; a table with places as a GeoDataFrame with its CRS.
    name
        Table of the schema; also the layer's name in a GeoPackage.
    path
        File to write.

    Raises
    ------
    OutputError
        If the ending is another one, the folder does not exist, or the kind of file would change
        a value: text with a zero byte in a CSV or GeoPackage, parts of a minute's last second
        before 1970 in a GeoPackage.
    CRSError
        If a table with places has no CRS, or one without an EPSG number.
    SchemaError
        If there is no such table or the rows are not in its shape.

    Notes
    -----
    CSV is UTF-8 with a line feed after each row, quotes only where needed, blank for missing.
    Numbers are the shortest that read back exactly, times UTC with ``Z`` and with milliseconds
    where there are any, places WKT with all digits. Text is
    :func:`~vaultplan.columns.guarded`, so that no spreadsheet runs it. A CSV cannot name its CRS,
    so a column map that does is written beside it: ``vaults.csv.vaults.toml`` beside
    ``vaults.csv``.

    What the store holds is written as it is, but loading tidies: it trims blanks around text, reads
    text of blanks only as missing, and trims the words of a ``;`` list. So text with such blanks,
    which only another program can have put into the store, comes back without them, and nothing
    else changes; the bytes are the same from the second export on. Negative zero is written as 0.
    Parquet and GeoPackage hold the values themselves; text is not guarded there.
    """
    declared = schema.table(name)
    ending = table_ending(path)
    batches = _batches(frame, declared)
    if ending == ".gpkg":
        with whole_file(path) as part, _changed_on_no_day():
            _add_layer(batches, declared, _crs_of(frame, declared), part)
        return (path,)
    crs = _crs_of(frame, declared)
    if ending == ".parquet":
        with whole_file(path) as part:
            _write_parquet(batches, crs, part)
        return (path,)
    if crs is None:
        with whole_file(path) as part:
            _write_csv(batches, declared, part)
        return (path,)
    column_map = path.with_name(f"{path.name}.{name}.toml")
    with whole_file(path) as part, whole_file(column_map) as map_part:
        map_part.write_text(f'crs = "EPSG:{srid_of(crs)}"\n', encoding="utf-8", newline="\n")
        _write_csv(batches, declared, part)
    return path, column_map


def write_export_folder(frames: schema.Frames, folder: Path) -> tuple[Path, ...]:
    """Return the files written: all tables as a folder that ``vaultplan load all`` takes.

    Tables with places are layers of one ``spatial.gpkg``, the others one CSV each, as
    :func:`write_export` writes them. A table without rows is a file or layer without rows. Each
    file is replaced whole or not at all.

    Raises
    ------
    OutputError
        If the folder does not exist, or a file would change a value, as in :func:`write_export`.
    CRSError
        If a table with places has no CRS, or one without an EPSG number.
    SchemaError
        If there is no such table or rows are not in the shape of theirs.
    """
    tables = {name: declared for name, declared in schema.TABLES.items() if name in frames}
    for name in frames:
        schema.table(name)
    placed = [name for name, declared in tables.items() if declared.geometry is not None]
    written: list[Path] = []
    if placed:
        spatial = folder / SPATIAL_FILE
        with whole_file(spatial) as part, _changed_on_no_day():
            for name in placed:
                crs = _crs_of(frames[name], tables[name])
                _add_layer(_batches(frames[name], tables[name]), tables[name], crs, part)
        written.append(spatial)
    for name in tables:
        if name not in placed:
            written += write_export(frames[name], name, folder / f"{name}.csv")
    return tuple(written)


def _crs_of(frame: pd.DataFrame, declared: Table) -> pyproj.CRS | None:
    """Return the CRS that places are in; ``None`` for a table without places."""
    if declared.geometry is None:
        return None
    crs: pyproj.CRS | None = frame.crs if isinstance(frame, gpd.GeoDataFrame) else None
    if crs is None:
        raise CRSError(f"{declared.name} has no CRS, so its places mean nothing; set one first")
    srid_of(crs)
    return crs


def _batches(frame: pd.DataFrame, declared: Table) -> pa.RecordBatchReader:
    """Return the rows in the order of their key as a stream, so that no copy of all is made."""
    declared.conform(frame.iloc[:0])
    kinds = pa.schema([_field(column) for column in declared.columns])
    return pa.RecordBatchReader.from_batches(kinds, _in_key_order(frame, declared, kinds))


def _in_key_order(
    frame: pd.DataFrame, declared: Table, kinds: pa.Schema
) -> Iterator[pa.RecordBatch]:
    keys = {key: _array(declared.column(key), frame[key]) for key in declared.key}
    order = pc.sort_indices(
        pa.table(keys), sort_keys=[(key, "ascending") for key in declared.key]
    ).to_numpy()
    del keys
    for start in range(0, len(frame), _ROWS_AT_A_TIME):
        part = declared.conform(frame.iloc[order[start : start + _ROWS_AT_A_TIME]])
        arrays = [_array(column, part[column.name]) for column in declared.columns]
        yield pa.record_batch(arrays, schema=kinds)


def _field(column: Column) -> pa.Field:
    is_shape = column.type == "geometry"
    metadata = {"ARROW:extension:name": "geoarrow.wkb"} if is_shape else None
    return pa.field(column.name, _ARROW_TYPES[column.type], metadata=metadata)


def _array(column: Column, values: pd.Series[Any]) -> pa.Array:
    if column.type == "geometry":
        shapes = np.asarray(values, dtype=object)
        return pa.array(shapely.to_wkb(shapes, output_dimension=2), type=pa.large_binary())
    cast = column.cast(values)
    if column.type == "real":
        # The embedded store knows no negative zero; adding zero makes both stores alike.
        cast = cast + 0.0
    if column.type == "date":
        return pa.array(cast, type=pa.timestamp("s"), from_pandas=True).cast(pa.date32())
    return _whole(pa.array(cast, type=_ARROW_TYPES[column.type], from_pandas=True))


def _whole(values: pa.Array | pa.ChunkedArray) -> pa.Array:
    return values.combine_chunks() if isinstance(values, pa.ChunkedArray) else values


def _write_csv(batches: pa.RecordBatchReader, declared: Table, path: Path) -> None:
    with path.open("wb") as file:
        file.write((",".join(declared.column_names) + "\n").encode())
        for batch in batches:
            cells = [_cells(column, batch.column(column.name)) for column in declared.columns]
            lines = pc.binary_join_element_wise(
                *cells, _scalar(","), null_handling="replace", null_replacement=""
            )
            file.write(_joined(lines))
            file.write(b"\n")


def _joined(lines: pa.Array) -> Any:
    """Return the bytes of all lines with line breaks between them."""
    whole = pa.LargeListArray.from_arrays(pa.array([0, len(lines)], type=pa.int64()), lines)
    return pc.binary_join(whole, _scalar("\n"))[0].as_buffer()


def _cells(column: Column, values: pa.Array) -> pa.Array:
    if column.type == "geometry":
        shapes = shapely.from_wkb(values.to_numpy(zero_copy_only=False))
        text = shapely.to_wkt(shapes, rounding_precision=_WKT_DECIMALS)
        return _quoted(pa.array(text, type=pa.large_string(), from_pandas=True))
    if column.type in _TEXTUAL:
        _refuse_zero_bytes(column, values)
        safe = guarded(pd.Series(values.to_pandas().array, dtype="str"))
        return _quoted(_whole(pa.array(safe, type=pa.large_string(), from_pandas=True)))
    if column.type == "time":
        moments = values.cast(pa.timestamp("ms")).cast(pa.large_string())
        plain = pc.replace_substring_regex(moments, r"\.000$", "")
        stated = pc.replace_substring(plain, " ", "T", max_replacements=1)
        return pc.binary_join_element_wise(stated, _scalar("Z"), _scalar(""))
    return values.cast(pa.large_string())


def _quoted(text: pa.Array) -> pa.Array:
    is_odd = pc.match_substring_regex(text, r'[",\r\n]')
    if not pc.any(is_odd).as_py():
        return text
    doubled = pc.replace_substring(text, '"', '""')
    mark = _scalar('"')
    quoted = pc.binary_join_element_wise(mark, doubled, mark, _scalar(""))
    return pc.if_else(is_odd, quoted, text)


def _scalar(text: str) -> pa.Scalar:
    return pa.scalar(text, type=pa.large_string())


def _refuse_zero_bytes(column: Column, values: pa.Array) -> None:
    if pc.any(pc.match_substring(values, "\0")).as_py():
        raise OutputError(
            f"{column.name} holds text with a zero byte, which this kind of file cannot; take it "
            "out, or export the table to .parquet"
        )


def _write_parquet(batches: pa.RecordBatchReader, crs: pyproj.CRS | None, path: Path) -> None:
    """Write the rows without notes of the libraries' versions, places as GeoParquet 1.1 says."""
    kinds = batches.schema
    if crs is not None:
        at = kinds.get_field_index("geometry")
        kinds = kinds.set(at, kinds.field(at).remove_metadata())
        geometry = {"encoding": "WKB", "geometry_types": [], "crs": crs.to_json_dict()}
        geo = {"version": "1.1.0", "primary_column": "geometry", "columns": {"geometry": geometry}}
        kinds = kinds.with_metadata({"geo": json.dumps(geo, sort_keys=True)})
    with pq.ParquetWriter(path, kinds, compression="zstd") as writer:
        for batch in batches:
            writer.write_batch(pa.record_batch(batch.columns, schema=kinds))


def _add_layer(
    batches: pa.RecordBatchReader, declared: Table, crs: pyproj.CRS | None, path: Path
) -> None:
    """Add the table to a GeoPackage, which is made if it is not there."""
    shape = declared.geometry
    faults: list[Exception] = []
    rows = _telling(_that_gdal_keeps(batches, declared), faults)
    try:
        pyogrio.write_arrow(
            pa.RecordBatchReader.from_batches(batches.schema, rows),
            path,
            layer=declared.name,
            driver="GPKG",
            geometry_name=shape.name if shape else None,
            geometry_type=_GDAL_SHAPES[shape.shape] if shape else None,
            crs=f"EPSG:{srid_of(crs)}" if crs is not None else None,
            append=path.exists(),
        )
    except RuntimeError as error:
        raise (faults or [error])[0] from None


def _that_gdal_keeps(batches: pa.RecordBatchReader, declared: Table) -> Iterator[pa.RecordBatch]:
    """Yield the batches; refuse the few values that GDAL would change without a word."""
    for batch in batches:
        for column in declared.columns:
            values = batch.column(column.name)
            if column.type in _TEXTUAL:
                _refuse_zero_bytes(column, values)
            elif column.type == "time":
                _refuse_lost_parts(column, values)
        yield batch


def _refuse_lost_parts(column: Column, moments: pa.Array) -> None:
    """Refuse parts of a minute's last second before 1970, which GDAL 3.12 rounds to the minute."""
    since = moments.cast(pa.int64()).to_numpy(zero_copy_only=False)
    if ((since < 0) & (since % 60_000 > 59_000)).any():
        raise OutputError(
            f"{column.name} holds a time before 1970 whose part of a second a GeoPackage would "
            "lose; export the table to .csv or .parquet"
        )


def _telling(
    batches: Iterator[pa.RecordBatch], faults: list[Exception]
) -> Iterator[pa.RecordBatch]:
    """Yield the batches; what goes wrong is kept, as GDAL only hears that something did."""
    try:
        yield from batches
    except Exception as fault:
        faults.append(fault)
        raise


@contextmanager
def _changed_on_no_day() -> Iterator[None]:
    """Keep the clock out of the GeoPackages that GDAL writes meanwhile."""
    before = pyogrio.get_gdal_config_option("OGR_CURRENT_DATE")
    pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": _NO_DAY})
    try:
        yield
    finally:
        pyogrio.set_gdal_config_options({"OGR_CURRENT_DATE": before})
