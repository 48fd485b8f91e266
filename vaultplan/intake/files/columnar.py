"""Parquet and GeoParquet, read in a stream, values as text and shapes beside them."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet
import pyproj

from vaultplan.errors import SchemaError
from vaultplan.intake.files.arrow_text import is_bytes, shapes_of, text_of
from vaultplan.intake.files.chunk import Chunk

#: Names of a column of bytes that holds WKB where the file does not say which does.
_SHAPE_NAMES = ("geometry", "geom", "wkb", "wkb_geometry")
#: GeoParquet 1.1: shapes whose CRS is left out are in longitude and latitude on WGS 84.
_CRS_LEFT_OUT = "OGC:CRS84"


@dataclass(frozen=True, slots=True)
class _Shapes:
    """Which column holds the shapes, and their CRS."""

    column: str
    crs: pyproj.CRS | None


def count(path: Path) -> int:
    """Return the number of rows."""
    with _open(path) as file:
        return int(file.metadata.num_rows)


def read(path: Path, chunk_rows: int) -> Iterator[Chunk]:
    """Return the rows in chunks of at most ``chunk_rows``."""
    with _open(path) as file:
        schema = file.schema_arrow
    names = Counter(schema.names)
    twice = [name for name, times in names.items() if times > 1]
    if twice:
        raise SchemaError(f"{path} has two columns named {', '.join(twice)}; rename one of each")
    return _chunks(path, chunk_rows, _shapes_in(path, schema))


def _chunks(path: Path, chunk_rows: int, shapes: _Shapes | None) -> Iterator[Chunk]:
    with _open(path) as file:
        first = 1
        for batch in file.iter_batches(batch_size=chunk_rows):
            yield _chunk(path, batch, first, shapes)
            first += batch.num_rows
        if first == 1:
            nothing = file.schema_arrow.empty_table().to_batches()
            empty = nothing[0] if nothing else _no_rows(file.schema_arrow)
            yield _chunk(path, empty, first, shapes)


def _chunk(path: Path, batch: pa.RecordBatch, first: int, shapes: _Shapes | None) -> Chunk:
    rows = pd.RangeIndex(first, first + batch.num_rows, name="row")
    columns = {}
    for field in batch.schema:
        if shapes is None or field.name != shapes.column:
            written = _written(path, field.name, batch.column(field.name))
            columns[field.name] = pd.Series(written.to_pandas().array, index=rows, dtype="str")
    frame = pd.DataFrame(columns, index=rows)
    if shapes is None:
        return Chunk(path, frame, size=len(rows))
    geometry, unreadable = shapes_of(_plain(batch.column(shapes.column)))
    return Chunk(path, frame, geometry, unreadable, shapes.crs, size=len(rows))


def _written(path: Path, name: str, values: pa.Array) -> pa.Array:
    try:
        return text_of(_plain(values))
    except (pa.ArrowNotImplementedError, pa.ArrowInvalid) as error:
        raise SchemaError(
            f"{path}, column {name}: {values.type} cannot be read as text ({error}); write it as "
            "text or numbers"
        ) from error


def _plain(values: pa.Array) -> pa.Array:
    return values.storage if isinstance(values, pa.ExtensionArray) else values


def _shapes_in(path: Path, schema: pa.Schema) -> _Shapes | None:
    told = (schema.metadata or {}).get(b"geo")
    if told is None:
        return _unmarked_shapes(schema)
    try:
        geo = json.loads(told)
        name = str(geo["primary_column"])
        column: dict[str, Any] = geo["columns"][name]
        encoding = str(column["encoding"])
        crs = _crs(column)
    except (ValueError, KeyError, TypeError, RecursionError, pyproj.exceptions.CRSError) as error:
        raise SchemaError(
            f"{path}: what it says of its shapes cannot be understood ({error}); write it anew"
        ) from error
    if name not in schema.names:
        raise SchemaError(f"{path} says its shapes are in {name!r}, a column it does not have")
    if encoding.upper() != "WKB" or not is_bytes(_storage(schema.field(name).type)):
        raise SchemaError(f"{path} holds its shapes as {encoding}; write them as WKB")
    return _Shapes(name, crs)


def _crs(column: dict[str, Any]) -> pyproj.CRS | None:
    stated = column.get("crs", _CRS_LEFT_OUT)
    if stated is None:
        return None
    if isinstance(stated, dict):
        return pyproj.CRS.from_json_dict(stated)
    return pyproj.CRS.from_user_input(stated)


def _unmarked_shapes(schema: pa.Schema) -> _Shapes | None:
    held = [
        field.name
        for field in schema
        if field.name.lower() in _SHAPE_NAMES and is_bytes(_storage(field.type))
    ]
    first = min(held, key=lambda name: _SHAPE_NAMES.index(name.lower()), default=None)
    return None if first is None else _Shapes(first, None)


def _storage(kind: pa.DataType) -> pa.DataType:
    return kind.storage_type if isinstance(kind, pa.BaseExtensionType) else kind


def _no_rows(schema: pa.Schema) -> pa.RecordBatch:
    return pa.RecordBatch.from_arrays([pa.array([], kind) for kind in schema.types], schema=schema)


@contextmanager
def _open(path: Path) -> Iterator[Any]:
    try:
        with pyarrow.parquet.ParquetFile(str(path), pre_buffer=False) as file:
            yield file
    except (pa.ArrowException, OSError, MemoryError) as error:
        raise SchemaError(
            f"{path} cannot be read as Parquet: {error}; open it where it was made and export it "
            "again"
        ) from error
