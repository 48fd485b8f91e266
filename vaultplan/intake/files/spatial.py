"""Spatial files, read in a stream through GDAL, values as text and shapes beside them."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyogrio
import pyproj
from pyogrio.errors import DataLayerError, DataSourceError, FieldError

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.intake.files.arrow_text import shapes_of, text_of
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.files.letters import check_name

#: Tables that hold how a file is drawn, not data.
_NOT_DATA = ("layer_styles", "qgis_projects")
#: How such files begin. GDAL goes by content: a file of another kind could lead it to read others.
_STARTS = {
    ".gpkg": (b"SQLite format 3\0",),
    ".shp": (b"\0\0\x27\x0a",),
    ".geojson": (b"{", b"["),
    ".json": (b"{", b"["),
}
_GDAL_ERRORS = (DataSourceError, DataLayerError, FieldError, pa.ArrowException, UnicodeDecodeError)


def layers(path: Path) -> tuple[str, ...]:
    """Return the names of the layers that hold data."""
    _check_start(path)
    try:
        with _m_is_dropped():
            names = [str(name) for name, _ in pyogrio.list_layers(path)]
    except _GDAL_ERRORS as error:
        raise SchemaError(_unreadable(path, error)) from error
    return tuple(name for name in names if name not in _NOT_DATA)


def count(path: Path, layer: str | None) -> int:
    """Return the number of features."""
    chosen = choose_layer(path, layer)
    with _m_is_dropped():
        return int(pyogrio.read_info(path, layer=chosen, force_feature_count=True)["features"])


def choose_layer(path: Path, layer: str | None) -> str:
    """Return the layer to read: the one asked for, or the only one there is."""
    names = layers(path)
    listed = ", ".join(names)
    if not names:
        raise SchemaError(f"{path} holds no layer; export it again")
    if layer is not None:
        if layer not in names:
            raise SettingsError(f"{path} has no layer {layer!r}; it has {listed}")
        return layer
    if len(names) > 1:
        raise SettingsError(f"{path} has {len(names)} layers; name one of: {listed}")
    return names[0]


def read(
    path: Path, chunk_rows: int, *, layer: str | None, encoding: str | None
) -> Iterator[Chunk]:
    """Return the features of one layer in chunks of at most ``chunk_rows``."""
    if encoding is not None:
        check_name(encoding)
    return _chunks(path, chunk_rows, choose_layer(path, layer), encoding)


def _chunks(path: Path, chunk_rows: int, layer: str, encoding: str | None) -> Iterator[Chunk]:
    try:
        with _open(path, layer, chunk_rows, encoding) as (meta, batches):
            crs = pyproj.CRS.from_user_input(meta["crs"]) if meta["crs"] else None
            shapes = meta["geometry_name"] or "wkb_geometry"
            first = 1
            for batch in batches:
                yield _chunk(path, batch, first, shapes, crs, encoding)
                first += batch.num_rows
            if first == 1:
                yield _chunk(path, _no_rows(batches.schema), first, shapes, crs, encoding)
    except NotImplementedError as error:
        raise SchemaError(
            f"{path}, layer {layer}: it holds curved shapes; convert them to straight segments"
        ) from error
    except _GDAL_ERRORS as error:
        raise SchemaError(_unreadable(path, error)) from error


def _check_start(path: Path) -> None:
    ending = path.suffix.lower()
    if ending not in _STARTS:
        return
    with path.open("rb") as file:
        start = file.read(1 << 12).removeprefix(b"\xef\xbb\xbf").lstrip(b" \t\r\n")
    if not start.startswith(_STARTS[ending]):
        raise SchemaError(
            f"{path} cannot be read: it does not begin as a {ending} file does; export it again"
        )


@contextmanager
def _m_is_dropped() -> Iterator[None]:
    """Keep GDAL's note on dropped M off the screen; the docstring of ``read_chunks`` tells it."""
    with warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Measured")
        yield


@contextmanager
def _open(path: Path, layer: str, chunk_rows: int, encoding: str | None) -> Iterator[Any]:
    with ExitStack() as stack:
        with _m_is_dropped():
            source = stack.enter_context(
                pyogrio.raw.open_arrow(
                    path,
                    layer=layer,
                    encoding=encoding,
                    batch_size=chunk_rows,
                    use_pyarrow=True,
                    datetime_as_string=True,
                )
            )
        yield source


def _chunk(
    path: Path,
    batch: pa.RecordBatch,
    first: int,
    shapes: str,
    crs: pyproj.CRS | None,
    encoding: str | None,
) -> Chunk:
    rows = pd.RangeIndex(first, first + batch.num_rows, name="row")
    columns = {}
    for field in batch.schema:
        if field.name != shapes:
            written = _written(path, field.name, batch.column(field.name), encoding)
            if path.suffix.lower() == ".gdb" and _is_datetime(field):
                # A File Geodatabase keeps no zone with a time; the Z is GDAL's guess.
                written = pc.replace_substring_regex(written, r"Z$", "")
            columns[field.name] = pd.Series(written.to_pandas().array, index=rows, dtype="str")
    frame = pd.DataFrame(columns, index=rows)
    if shapes not in batch.schema.names:
        return Chunk(path, frame, size=len(rows))
    geometry, unreadable = shapes_of(batch.column(shapes))
    return Chunk(path, frame, geometry, unreadable, crs, size=len(rows))


def _written(path: Path, name: str, values: pa.Array, encoding: str | None) -> pa.Array:
    try:
        return text_of(values)
    except pa.ArrowInvalid as error:
        letters = "the letters its .cpg or .dbf states" if encoding is None else encoding
        raise SchemaError(
            f"{path}, column {name}: its text cannot be read in {letters}; state the right ones "
            'in the column map, e.g. encoding = "cp1252"'
        ) from error


def _is_datetime(field: pa.Field) -> bool:
    return (field.metadata or {}).get(b"GDAL:OGR:type") == b"DateTime"


def _no_rows(schema: pa.Schema) -> pa.RecordBatch:
    return pa.RecordBatch.from_arrays(
        [pa.array([], kind) for kind in schema.types], names=schema.names
    )


def _unreadable(path: Path, error: Exception) -> str:
    return f"{path} cannot be read: {error}; open it where it was made and export it again"
