"""A user's file as rows of one table: those to load, those mended, those set aside."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd
import pandas as pd
import pyproj

from vaultplan.columns import Table
from vaultplan.errors import SchemaError, SettingsError
from vaultplan.geometry import foot_of, projected_crs
from vaultplan.intake.around import Around
from vaultplan.intake.checks import KeyChecks, check_rows, frame_schema
from vaultplan.intake.convert import Typed, typed_columns
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.files.readers import layers_of, read_chunks
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.keys import KnownIds
from vaultplan.intake.other_rules import check_orders, check_pipes, check_samples
from vaultplan.intake.outcome import Intake, contents, sorted_out
from vaultplan.intake.placing import Places, places_of
from vaultplan.intake.reading import Reading
from vaultplan.intake.recipes.column_map import ColumnMap
from vaultplan.intake.recipes.matching import Matching, match_columns
from vaultplan.intake.shapes import check_shapes
from vaultplan.intake.survey import Survey, Surveyor, needs_survey
from vaultplan.intake.vault_rules import check_vaults
from vaultplan.intake.visit_rules import VisitRules
from vaultplan.intake.words import WordList, word_list
from vaultplan.schema import LOADABLE, table

Source = Callable[[], Iterator[Chunk]]


@dataclass(slots=True)
class TableIntake:
    """One file on its way into one table.

    Run :meth:`chunks` to its end; ``book`` then holds all that was found. ``column_map`` is the
    recipe, ``around`` what the database holds, ``layer`` the one that is read. Once the first
    chunk is out, ``told`` names the
    table's columns that the file speaks of; the others of known rows are none of its business.
    """

    declared: Table
    path: Path
    source: Source
    target: pyproj.CRS
    reading: Reading
    column_map: ColumnMap = field(default_factory=ColumnMap)
    around: Around = field(default_factory=Around)
    book: FindingBook = field(default_factory=FindingBook)
    is_strict: bool = False
    layer: str | None = None
    survey: Survey = field(default_factory=Survey)
    crs_text: str = ""
    ending: str = ""
    told: frozenset[str] = frozenset()

    def look_through(self, on_progress: Callable[[int], object] | None = None) -> None:
        """Go through the whole file once, where its rows can only be judged as a whole."""
        if not needs_survey(self.declared):
            return
        surveyor = Surveyor(self.declared, self.target, self.around)
        unread = FindingBook(kept=0)
        matching: Matching | None = None
        for chunk in self.source():
            matching = matching or self._matching(chunk)
            typed = self._typed(chunk, matching, unread)
            placed = None
            if self.declared.geometry is not None:
                placed = self._places(chunk, matching, unread).shapes
            surveyor.take(typed.frame, placed)
            unread.take_chunk()
            if on_progress is not None:
                on_progress(chunk.size)
        self.survey = surveyor.tell()

    def chunks(self) -> Iterator[Intake]:
        """Yield what becomes of the rows, chunk by chunk.

        Raises
        ------
        BadRowsError
            If the file as a whole cannot be meant for the table.
        """
        known = {**self.around.ids}
        for target, own in self.survey.own_ids.items():
            known[target] = own if target not in known else _both(known[target], own)
        work = _Work(self, frame_schema(self.declared), KeyChecks(self.declared, known))
        matching: Matching | None = None
        for chunk in self.source():
            if matching is None:
                matching = self._matching(chunk)
                self._check_whole(chunk, matching)
                self.told = self._columns_told(matching)
                self.ending = chunk.ending
                if self.book and not self.is_strict:
                    self.book.raise_if_any(str(self.path), self.declared.name)
            yield work.done(chunk, matching)

    def columns_of(self, chunk: Chunk) -> dict[str, str]:
        """Return by column of the table the column of the file that it is read from."""
        return dict(self._matching(chunk).sources)

    def _columns_told(self, matching: Matching) -> frozenset[str]:
        return frozenset({"geometry", *matching.sources, *self.column_map.constants})

    def _matching(self, chunk: Chunk) -> Matching:
        return _matching(self.declared, chunk, self.path, self.column_map)

    def _typed(self, chunk: Chunk, matching: Matching, book: FindingBook) -> Typed:
        return typed_columns(
            self.declared,
            chunk,
            matching,
            self.column_map,
            foot=foot_of(self.target),
            reading=self.reading,
            book=book,
        )

    def _places(self, chunk: Chunk, matching: Matching, book: FindingBook) -> Places:
        crs = self._crs_of(chunk)
        return places_of(chunk, matching.places, crs, self.reading, book)

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

    def _check_whole(self, chunk: Chunk, matching: Matching) -> None:
        found = ", ".join(chunk.frame.columns)
        for name in matching.missing:
            self.book.add_whole(
                "missing_column",
                name,
                "the column is missing",
                f"add it, or say under [columns] in a column map which of these it is: {found}",
            )
        column = self.declared.geometry
        if column is None:
            return
        if chunk.geometry is None and not matching.places:
            if column.required:
                self.book.add_whole(
                    "no_places",
                    "geometry",
                    "the file has no shapes",
                    "load a spatial file, or name the columns x and y, or wkt, in a column map",
                )
        elif self._crs_of(chunk) is None:
            self.book.add_whole(
                "no_crs",
                "geometry",
                "the file has no CRS",
                'export it with one, or state it in a column map, e.g. crs = "EPSG:2227"',
            )
        if chunk.geometry is not None and chunk.crs is not None:
            self.crs_text = chunk.crs.to_string()


@dataclass(slots=True)
class _Work:
    """The steps that each chunk goes through, and what they remember from one to the next."""

    job: TableIntake
    schema: Any
    keys: KeyChecks
    visits: VisitRules | None = None

    def done(self, chunk: Chunk, matching: Matching) -> Intake:
        job, book = self.job, self.job.book
        _take_misfits(chunk, book)
        typed = job._typed(chunk, matching, book)
        frame = check_rows(
            job.declared, self.schema, typed.frame, typed.text, book, job.reading.words
        )
        frame, again = self.keys.check(frame, typed.text, contents(chunk), book)
        frame = self._placed(frame, chunk, matching)
        frame = self._by_the_trade(frame, typed.text)
        bad, changes = book.take_chunk()
        beyond = book.take_beyond()
        return sorted_out(job.declared, chunk, frame, typed, bad, again, changes, beyond)

    def _placed(self, frame: pd.DataFrame, chunk: Chunk, matching: Matching) -> pd.DataFrame:
        job = self.job
        column = job.declared.geometry
        if column is None:
            return frame
        places = job._places(chunk, matching, job.book)
        placed = check_shapes(
            column,
            places.shapes,
            job.target,
            job.book,
            blamed=places.blamed,
            home=job.survey.home,
        )
        placed_frame: pd.DataFrame = gpd.GeoDataFrame(frame, geometry=placed, crs=job.target)
        return placed_frame

    def _by_the_trade(self, frame: pd.DataFrame, text: dict[str, pd.Series[Any]]) -> pd.DataFrame:
        job = self.job
        match job.declared.name:
            case "vaults":
                return check_vaults(frame, text, job.survey, job.around, job.book)
            case "visits":
                self.visits = self.visits or VisitRules(job.around, job.reading)
                return self.visits.check(frame, text, job.book)
            case "work_orders":
                return check_orders(frame, text, job.around, job.book)
            case "samples":
                return check_samples(frame, text, job.book)
            case "drain_pipes" if {"from_node", "to_node"} <= set(frame):
                return check_pipes(frame, job.survey, job.book)
            case _:
                return frame


def _both(one: KnownIds, other: KnownIds) -> KnownIds:
    """Return the ids of both; neither is changed."""
    both = KnownIds()
    both.take(one)
    both.take(other)
    return both


def _take_misfits(chunk: Chunk, book: FindingBook) -> None:
    book.add(
        "ragged_row",
        "",
        pd.Series([line for _, line, _ in chunk.misfits], [row for row, _, _ in chunk.misfits]),
        "the row does not fit the header",
        "quote values that hold the delimiter, and give every row all columns",
        details=[why for _, _, why in chunk.misfits],
    )


def open_intake(
    name: str,
    path: Path,
    *,
    crs: pyproj.CRS | str,
    time_zone: str = "UTC",
    column_map: ColumnMap | None = None,
    around: Around | None = None,
    apply: Collection[str] = (),
    words: WordList | None = None,
    chunk_rows: int = 50_000,
    source: Source | None = None,
    is_strict: bool = False,
) -> TableIntake:
    """Return a file ready to be taken in as one table.

    Parameters
    ----------
    name
        Table to load, one of ``schema.LOADABLE``.
    path
        File to read; see :func:`~vaultplan.intake.files.readers.read_chunks`.
    crs
        Projected CRS of the database.
    time_zone
        Zone whose days the database reckons in. It is never given to times that state none: that
        is the column map's to say, or a repair to be asked for.
    column_map
        How the file's columns, words and units become the schema's.
    around
        What the database holds, to judge the rows by.
    apply
        Rules whose repairs are to be made; see :func:`~vaultplan.intake.rules.asked_for`.
    words
        Words that stand for the schema's; the program's own list if not given.
    source
        Where the rows come from, if not from the file itself.

    Raises
    ------
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
    layer = _layer(path, mapping, name) if source is None else None

    def from_file() -> Iterator[Chunk]:
        return read_chunks(
            path,
            layer=layer,
            chunk_rows=chunk_rows,
            encoding=mapping.encoding,
            delimiter=mapping.delimiter,
        )

    reading = Reading(
        time_zone,
        mapping.time_zone,
        mapping.date_format,
        mapping.time_format,
        mapping.thousands,
        mapping.decimal,
        mapping.excel_days,
        word_list() if words is None else words,
    )
    return TableIntake(
        declared,
        path,
        source or from_file,
        projected_crs(crs) if isinstance(crs, str) else crs,
        reading,
        mapping,
        around or Around(),
        FindingBook(frozenset(apply)),
        is_strict,
        layer,
    )


def read_table(
    name: str,
    path: Path,
    *,
    crs: pyproj.CRS | str,
    time_zone: str = "UTC",
    column_map: ColumnMap | None = None,
    known: Mapping[str, Iterable[str]] | None = None,
    on_progress: Callable[[int], object] | None = None,
    chunk_rows: int = 50_000,
) -> Iterator[pd.DataFrame]:
    """Return the rows of a file as frames of one table, or refuse the file for any error in it.

    Write the frames in one transaction: errors are raised when the whole file has been gone
    through, after the frames before the first one were handed out. ``known`` holds values that
    references may point to, by ``table.column``. For the rest see :func:`open_intake`.

    Raises
    ------
    BadRowsError
        If anything in the file is wrong: every error with row, column, value and remedy.
    """
    ids = {target: KnownIds.of(values) for target, values in (known or {}).items()}
    job = open_intake(
        name,
        path,
        crs=crs,
        time_zone=time_zone,
        column_map=column_map,
        around=Around(ids),
        chunk_rows=chunk_rows,
        is_strict=True,
    )
    return _strict_frames(job, on_progress)


def _strict_frames(
    job: TableIntake, on_progress: Callable[[int], object] | None
) -> Iterator[pd.DataFrame]:
    job.look_through()
    for part in job.chunks():
        if on_progress is not None:
            on_progress(part.size)
        if not job.book:
            yield part.frame
    job.book.raise_if_any(str(job.path), job.declared.name)


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


def _matching(declared: Table, chunk: Chunk, path: Path, mapping: ColumnMap) -> Matching:
    found = [str(name) for name in chunk.frame.columns]
    has_shapes = chunk.geometry is not None
    return match_columns(declared, found, path, mapping, has_shapes=has_shapes, ending=chunk.ending)


def _layer(path: Path, mapping: ColumnMap, name: str) -> str | None:
    """Return the layer of the map, or the one named as the table where there are several."""
    if mapping.layer is not None or not path.exists():
        return mapping.layer
    return name if name in layers_of(path) else None
