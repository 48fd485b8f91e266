"""A column map guessed from a file's own names, units and values, each guess with its reason."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pyproj

from vaultplan.columns import Table
from vaultplan.errors import SettingsError
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.files.delimited import guess_delimiter, guess_letters
from vaultplan.intake.files.readers import DELIMITED, layers_of, read_chunks
from vaultplan.intake.recipes.column_map import ColumnMap
from vaultplan.intake.recipes.guess_columns import Choice, choose_columns
from vaultplan.intake.recipes.guess_draft import Draft, GuessLine, draft_forms, draft_meaning
from vaultplan.intake.recipes.guess_names import NameReader
from vaultplan.intake.recipes.guess_places import Box, guess_crs, place_columns, points_of
from vaultplan.intake.recipes.matching import match_columns, places_by_name
from vaultplan.intake.values import tidy


@dataclass(frozen=True, slots=True)
class Guess:
    """What a file seems to mean.

    ``unused`` are columns of the file that are not read, ``missing`` required columns of the
    table that nothing provides. ``is_plain`` says that nothing had to be guessed, so no column
    map need be written.
    """

    column_map: ColumnMap
    lines: tuple[GuessLine, ...]
    unused: tuple[str, ...]
    missing: tuple[str, ...]
    is_plain: bool


def guess_map(
    declared: Table,
    path: Path,
    *,
    crs: pyproj.CRS,
    stated: ColumnMap | None = None,
    near: Box | None = None,
    sample_rows: int = 20_000,
) -> Guess:
    """Return the column map that a file seems to need, with a reason for every guess in it.

    The same file always gives the same map. Words, forms and units that are not guessed are left
    for the findings.

    Parameters
    ----------
    declared
        Table that the file is meant for.
    path
        File to read; see :func:`~vaultplan.intake.files.readers.read_chunks`.
    crs
        Projected CRS of the database.
    stated
        What is known already; it always wins.
    near
        Box of what the database already holds: west, south, east, north in ``crs``. Where it is
        not given, a file's places are judged by the area of use of ``crs``.
    sample_rows
        How many of the first rows are looked at.

    Raises
    ------
    SettingsError
        If the file is not there, its ending is unknown, or no layer can be chosen.
    SchemaError
        If the file cannot be read.
    """
    draft = Draft(stated or ColumnMap())
    _guess_opening(draft, declared, path)
    chunk = _sample(path, draft, sample_rows, declared.name)
    frame = chunk.frame.apply(tidy)
    names = [str(name) for name in frame.columns]
    reader = NameReader(declared, is_shapefile=chunk.ending == ".shp")
    own = {name: _standing(source, names) for name, source in draft.stated.columns.items()}
    places = _guess_places(draft, reader, chunk, crs, near)
    given = {*own, *draft.stated.constants}
    choices = choose_columns(reader, frame, given=given, taken={*own.values(), *places})
    for name, source in own.items():
        choices[name] = Choice(source, "is stated", "sure")
    for column in declared.columns:
        if column.name in choices:
            draft_meaning(draft, declared, column, choices[column.name], frame)
    sources = {c.name: choices[c.name].source for c in declared.columns if c.name in choices}
    draft_forms(draft, declared, frame, sources, places)
    return _settle(draft, declared, path, chunk, sources, places)


def _guess_opening(draft: Draft, declared: Table, path: Path) -> None:
    if path.suffix.lower() in DELIMITED and path.is_file() and path.stat().st_size:
        letters = draft.stated.encoding
        if letters is None:
            letters = guess_letters(path)
            if codecs.lookup(letters).name != "utf-8":
                draft.entries["encoding"] = letters
                draft.say("encoding", "", f"its bytes are letters of {letters}", "likely")
        if draft.stated.delimiter is None:
            mark = guess_delimiter(path, letters)
            if mark != ",":
                draft.entries["delimiter"] = mark
                told = {"\t": "tab", ";": "semicolon", "|": "upright bar"}.get(mark, mark)
                draft.say("delimiter", "", f"a {told} stands between its columns")
        return
    layers = layers_of(path)
    if draft.stated.layer is None and len(layers) > 1 and declared.name not in layers:
        reader = NameReader(declared)
        named = [layer for layer in layers if reader.is_about(layer)]
        if len(named) == 1:
            draft.entries["layer"] = named[0]
            draft.say("layer", named[0], f"of {len(layers)} layers it is named so", "likely")


def _sample(path: Path, draft: Draft, sample_rows: int, name: str) -> Chunk:
    entries = {**draft.stated.model_dump(), **draft.entries}
    layer = entries["layer"] or (name if name in layers_of(path) else None)
    chunks = read_chunks(
        path,
        layer=layer,
        chunk_rows=sample_rows,
        encoding=entries["encoding"],
        delimiter=entries["delimiter"],
    )
    return _joined(_enough(chunks, sample_rows))


def _enough(chunks: Iterator[Chunk], sample_rows: int) -> list[Chunk]:
    taken, rows = [], 0
    for chunk in chunks:
        taken.append(chunk)
        rows += len(chunk.frame)
        if rows >= sample_rows:
            break
    return taken


def _joined(chunks: list[Chunk]) -> Chunk:
    first = chunks[0]
    if len(chunks) == 1:
        return first
    shapes = [chunk.geometry for chunk in chunks if chunk.geometry is not None]
    geometry = np.concatenate(shapes) if shapes else None
    frame = pd.concat([chunk.frame for chunk in chunks])
    return Chunk(first.file, frame, geometry, crs=first.crs, inner=first.inner)


def _standing(source: str, names: list[str]) -> str:
    """Return the column of the file that a stated name means; capitals may differ."""
    alike = [name for name in names if name.lower() == source.lower()]
    return source if source in names or len(alike) != 1 else alike[0]


def _guess_places(
    draft: Draft, reader: NameReader, chunk: Chunk, crs: pyproj.CRS, near: Box | None
) -> tuple[str, ...]:
    """Return the columns that hold the places, and draft those and the CRS."""
    if reader.declared.geometry is None:
        return ()
    said = draft.stated
    names = [str(name) for name in chunk.frame.columns]
    if chunk.geometry is not None:
        if chunk.crs is None and said.crs is None:
            _say_crs(draft, points_of(chunk.geometry), "its shapes", crs, near)
        return ()
    own = tuple(_standing(c, names) for c in (said.x, said.y, said.wkt) if c is not None)
    taken = [_standing(source, names) for source in said.columns.values()]
    found = place_columns(reader, chunk, taken, stated=own)
    if not found:
        return own or places_by_name(names)
    fits = [guess_crs(place.points, crs, near) for place in found]
    shares = [0.0 if fit is None else fit.share for fit in fits]
    at = shares.index(max(shares)) if said.crs is None else 0
    columns, listed = found[at].columns, ", ".join(found[at].columns)
    if not own:
        kind = "hold shapes as text" if len(columns) == 1 else "hold where a row lies"
        others = [", ".join(place.columns) for place in found if place.columns != columns]
        why = f"its values {kind}" + (f"; so do {'; '.join(others)}" if others else "")
        draft.say("geometry", listed, why, "likely" if others else "sure")
        keys = ("wkt",) if len(columns) == 1 else ("x", "y")
        draft.entries.update(zip(keys, columns, strict=True))
    if said.crs is None:
        _say_crs(draft, found[at].points, listed, crs, near)
    return columns


def _say_crs(draft: Draft, points: Any, source: str, crs: pyproj.CRS, near: Box | None) -> None:
    found = guess_crs(points, crs, near)
    if found is None:
        why = (
            f"the file states none and its coordinates fit neither {crs.name}, nor that in another "
            "unit, nor degrees, nor web Mercator; state crs in the map"
        )
        draft.say("crs", source, why, "unsure")
        return
    draft.entries["crs"] = f"EPSG:{found.crs.to_epsg()}"
    where = "where the area of use of the database lies" if near is None else "near what is loaded"
    why = f"the file states none; in {found.crs.name} {found.share:.0%} of its places lie {where}"
    if found.rivals:
        why += f"; they do in {', '.join(found.rivals)} too, as the two feet hardly differ"
    draft.say("crs", source, why, "unsure" if found.rivals else "likely")


def _settle(
    draft: Draft,
    declared: Table,
    path: Path,
    chunk: Chunk,
    sources: dict[str, str],
    places: tuple[str, ...],
) -> Guess:
    said = draft.stated
    names = [str(name) for name in chunk.frame.columns]
    has_shapes = chunk.geometry is not None
    is_plain = not (set(draft.entries) - {"x", "y", "wkt"})
    try:
        by_name = match_columns(
            declared, names, path, said, has_shapes=has_shapes, ending=chunk.ending
        )
        is_plain &= by_name.sources == sources and by_name.places == places
    except SettingsError:
        is_plain = False
    column_map = said
    if not is_plain:
        merged = {**said.model_dump(exclude_unset=True), **draft.entries}
        merged["columns"] = {**sources, **said.columns}
        merged["units"] = {**draft.entries.get("units", {}), **said.units}
        guessed, known = draft.entries.get("values", {}), said.model_dump()["values"]
        merged["values"] = {
            name: {**guessed.get(name, {}), **known.get(name, {})}
            for name in dict.fromkeys([*guessed, *known])
        }
        column_map = ColumnMap.model_validate(merged)
    provided = {*sources, *said.constants}
    missing = [c.name for c in declared.columns if c.required and c.name not in provided]
    if has_shapes or places:
        missing = [name for name in missing if declared.column(name).type != "geometry"]
    used = {*sources.values(), *places}
    unused = tuple(name for name in names if name not in used)
    return Guess(column_map, tuple(draft.lines), unused, tuple(missing), is_plain)
