"""A user's file as frames of one table, or a full account of why not."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pyproj

from vaultplan.columns import Table
from vaultplan.errors import SchemaError, SettingsError
from vaultplan.geometry import foot_of, projected_crs
from vaultplan.intake.checks import KeyChecks, check_rows, frame_schema
from vaultplan.intake.chunk import Chunk
from vaultplan.intake.column_map import ColumnMap
from vaultplan.intake.convert import typed_columns
from vaultplan.intake.faults import FaultBook
from vaultplan.intake.matching import Matching, match_columns
from vaultplan.intake.placing import places_of
from vaultplan.intake.readers import layers_of, read_chunks
from vaultplan.intake.shapes import check_shapes
from vaultplan.intake.values import Reading
from vaultplan.schema import LOADABLE, table


def read_table(
    name: str,
    path: Path,
    *,
    crs: pyproj.CRS | str,
    time_zone: str = "UTC",
    column_map: ColumnMap | None = None,
    known: Mapping[str, Collection[str]] | None = None,
    on_progress: Callable[[int], object] | None = None,
    chunk_rows: int = 50_000,
) -> Iterator[pd.DataFrame]:
    """Return the rows of a file as frames of one table, chunk by chunk, in the database's CRS.

    Write the frames in one transaction: faults are raised when the whole file has been gone
    through, after the frames before the first fault were handed out.

    Parameters
    ----------
    name
        Table to load, one of ``schema.LOADABLE``.
    path
        File to read; see :func:`~vaultplan.intake.readers.read_chunks`.
    crs
        Projected CRS of the database.
    time_zone
        Zone whose days the database reckons in. It is never given to times that state none: that
        is the column map's to say.
    column_map
        How the file's columns, words and units become the schema's.
    known
        Values that references may point to, by ``table.column``, e.g. ``vaults.vault_id``.
    on_progress
        Called with the number of rows gone through since the last call.
    chunk_rows
        Most rows in one frame.

    Raises
    ------
    BadRowsError
        If anything in the file is wrong: every fault with row, column, value and remedy.
    SettingsError
        If the table, file, layer or column map cannot be meant.
    SchemaError
        If the file is empty or cannot be read.

    Notes
    -----
    Shapes lose Z and M. A single polygon becomes a multipolygon; a multi-line of one part a line.
    Datum shifts use the best transformation that pyproj has on this machine without a network.
    """
    if name not in LOADABLE:
        choices = ", ".join(LOADABLE)
        raise SettingsError(f"{name!r} is not loaded from files; choose one of {choices}")
    declared = table(name)
    mapping = column_map or ColumnMap()
    mapping.check_against(declared, path)
    chunks = read_chunks(
        path,
        layer=_layer(path, mapping, name),
        chunk_rows=chunk_rows,
        encoding=mapping.encoding,
        delimiter=mapping.delimiter,
    )
    target = projected_crs(crs) if isinstance(crs, str) else crs
    reading = Reading(time_zone, mapping.time_zone, mapping.date_format, mapping.time_format)
    work = _Load(declared, path, mapping, target, reading)
    return work.frames(chunks, KeyChecks(declared, known or {}), on_progress)


def preview(name: str, path: Path, *, column_map: ColumnMap | None = None) -> Matching:
    """Return which columns of a file would be read into which columns of the table."""
    declared = table(name)
    mapping = column_map or ColumnMap()
    mapping.check_against(declared, path)
    chunks = read_chunks(
        path,
        layer=_layer(path, mapping, name),
        chunk_rows=1,
        encoding=mapping.encoding,
        delimiter=mapping.delimiter,
    )
    first = next(chunks, None)
    if first is None:
        raise SchemaError(f"{path} has no rows to show its columns by")
    return _matching(declared, first, path, mapping)


@dataclass(frozen=True, slots=True)
class _Load:
    declared: Table
    path: Path
    column_map: ColumnMap
    target: pyproj.CRS
    reading: Reading

    def frames(
        self,
        chunks: Iterator[Chunk],
        keys: KeyChecks,
        on_progress: Callable[[int], object] | None,
    ) -> Iterator[pd.DataFrame]:
        book = FaultBook()
        schema = frame_schema(self.declared)
        matching: Matching | None = None
        for chunk in chunks:
            _take_misfits(chunk, book)
            if matching is None:
                matching = _matching(self.declared, chunk, self.path, self.column_map)
                self._check_whole(chunk, matching, book)
            typed = typed_columns(
                self.declared,
                chunk,
                matching,
                self.column_map,
                foot=foot_of(self.target),
                reading=self.reading,
                book=book,
            )
            check_rows(self.declared, schema, typed.frame, typed.text, book)
            keys.check(typed.frame, typed.text, book)
            frame = self._with_shapes(typed.frame, chunk, matching, book)
            if on_progress is not None:
                on_progress(chunk.size)
            if not book:
                yield self.declared.conform(frame).reset_index(drop=True)
        keys.finish(book)
        book.raise_if_any(str(self.path), self.declared.name)

    def _with_shapes(
        self, frame: pd.DataFrame, chunk: Chunk, matching: Matching, book: FaultBook
    ) -> pd.DataFrame:
        column = self.declared.geometry
        if column is None:
            return frame
        places = places_of(chunk, matching.places, self._crs_of(chunk), book)
        placed = check_shapes(column, places.shapes, self.target, book, blamed=places.blamed)
        placed_frame: pd.DataFrame = gpd.GeoDataFrame(frame, geometry=placed, crs=self.target)
        return placed_frame

    def _crs_of(self, chunk: Chunk) -> pyproj.CRS | None:
        if self.column_map.crs is None:
            return chunk.crs
        try:
            stated = pyproj.CRS.from_user_input(self.column_map.crs)
        except pyproj.exceptions.CRSError as error:
            raise SettingsError(
                f"the column map's crs {self.column_map.crs!r} is not known; write e.g. EPSG:2227"
            ) from error
        if chunk.crs is not None and not chunk.crs.equals(stated, ignore_axis_order=True):
            raise SettingsError(
                f"{self.path} states its CRS, {chunk.crs.name}; the column map says {stated.name}. "
                "Leave crs out of the map, or mend the file"
            )
        return stated

    def _check_whole(self, chunk: Chunk, matching: Matching, book: FaultBook) -> None:
        found = ", ".join(chunk.frame.columns)
        for name in matching.missing:
            book.add_whole(
                name,
                "the column is missing",
                f"add it, or say under [columns] in a column map which of these it is: {found}",
            )
        column = self.declared.geometry
        if column is None:
            return
        if chunk.geometry is None and not matching.places:
            if column.required:
                book.add_whole(
                    "geometry",
                    "the file has no shapes",
                    "load a spatial file, or name the columns x and y, or wkt, in a column map",
                )
        elif self._crs_of(chunk) is None:
            book.add_whole(
                "geometry",
                "the file has no CRS",
                'export it with one, or state it in a column map, e.g. crs = "EPSG:2227"',
            )


def _take_misfits(chunk: Chunk, book: FaultBook) -> None:
    book.add(
        "",
        pd.Series([line for _, line, _ in chunk.misfits], [row for row, _, _ in chunk.misfits]),
        "the row does not fit the header",
        "quote values that hold the delimiter, and give every row all columns",
        details=[why for _, _, why in chunk.misfits],
    )


def _matching(declared: Table, chunk: Chunk, path: Path, mapping: ColumnMap) -> Matching:
    found = [str(name) for name in chunk.frame.columns]
    return match_columns(declared, found, path, mapping, has_shapes=chunk.geometry is not None)


def _layer(path: Path, mapping: ColumnMap, name: str) -> str | None:
    """Return the layer of the map, or the one named as the table where there are several."""
    if mapping.layer is not None or not path.exists():
        return mapping.layer
    return name if name in layers_of(path) else None
