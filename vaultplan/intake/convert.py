"""A chunk of a user's text as a typed frame of one table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from vaultplan import units
from vaultplan.columns import Column, Table, unguarded
from vaultplan.geometry import Foot
from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.files.readers import DELIMITED
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.reading import Reading
from vaultplan.intake.recipes.column_map import ColumnMap
from vaultplan.intake.recipes.matching import Matching
from vaultplan.intake.values import read_values, tidy

_US_FOOT = "US survey foot"


@dataclass(frozen=True, slots=True)
class Typed:
    """A chunk as typed columns, with the user's own text beside it for the messages."""

    frame: pd.DataFrame
    text: dict[str, pd.Series[Any]]


def typed_columns(
    declared: Table,
    chunk: Chunk,
    matching: Matching,
    column_map: ColumnMap,
    *,
    foot: Foot,
    reading: Reading,
    book: FindingBook,
) -> Typed:
    """Return the provided columns of the table, typed, in its units; geometry not included.

    Columns that nothing provides are left out. What cannot be read is blank and in the book.
    """
    text: dict[str, pd.Series[Any]] = {}
    values: dict[str, pd.Series[Any]] = {}
    for column in declared.columns:
        written = _written(column, chunk, matching, column_map)
        if written is None:
            continue
        text[column.name] = written
        meant = _reworded(written, column_map.values.get(column.name, {}))  # noqa: PD011
        unit = column_map.units.get(column.name)
        typed = read_values(column, meant, reading, book, unit=unit or "")
        if unit is not None:
            typed = _in_unit(column, typed, unit, foot)
        # Blank by the map's own word is no misreading.
        text[column.name] = written.mask(meant.isna())
        values[column.name] = typed
    return Typed(pd.DataFrame(values, index=chunk.frame.index), text)


def _written(
    column: Column, chunk: Chunk, matching: Matching, column_map: ColumnMap
) -> pd.Series[Any] | None:
    rows = chunk.frame.index
    if column.name in column_map.constants:
        constant = column_map.constants[column.name]
        said = str(constant).lower() if isinstance(constant, bool) else str(constant)
        return pd.Series(said, index=rows, dtype="str")
    if column.name in matching.sources:
        raw = chunk.frame[matching.sources[column.name]]
        # Our own text files guard text that a spreadsheet would run as a formula.
        guards = column.type in ("text", "words", "clock") and chunk.ending in DELIMITED
        return tidy(unguarded(raw) if guards else raw)
    return None


def _reworded(written: pd.Series[Any], meanings: dict[str, str]) -> pd.Series[Any]:
    if not meanings:
        return written
    known = written.isin(list(meanings))
    return tidy(written.mask(known, written.map(meanings).astype("str")))


def _in_unit(column: Column, values: pd.Series[Any], unit: str, foot: Foot) -> pd.Series[Any]:
    wanted = column.unit
    if wanted == "ft" and foot.name == _US_FOOT:
        wanted = "us_ft"
    numbers = values.to_numpy(dtype=np.float64, na_value=np.nan)
    converted = pd.Series(units.convert(numbers, unit, wanted), index=values.index)
    return converted if column.type == "real" else converted.round().astype("Int64")
