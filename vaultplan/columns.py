"""What a declared column and table are, and how a frame is brought into their shape."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any, Final, Literal, cast

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan.errors import SchemaError

ColumnType = Literal[
    "text", "words", "integer", "real", "boolean", "date", "time", "clock", "geometry"
]

#: How each column type stands in a pandas frame. ``words`` is text with ``;`` between the words,
#: ``clock`` a local time of day ``HH:MM``, ``date`` a local day at midnight, ``time`` aware UTC.
FRAME_DTYPES: Final[dict[ColumnType, str]] = {
    "text": "str",
    "words": "str",
    "clock": "str",
    "integer": "Int64",
    "real": "float64",
    "boolean": "boolean",
    "date": "datetime64[s]",
    "time": "datetime64[ms, UTC]",
}


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, what it means, and which values it may hold.

    ``refers_to`` names the ``table.column`` a value must stand in; ``shape`` the geometry type.
    """

    name: str
    type: ColumnType
    meaning: str
    unit: str = ""
    required: bool = False
    allowed: tuple[str, ...] = ()
    least: float | None = None
    most: float | None = None
    refers_to: str = ""
    shape: str = ""

    def cast(self, values: pd.Series[Any]) -> pd.Series[Any]:
        """Return the values in this column's frame type; ``ValueError`` where that fails."""
        dtype = cast(Any, FRAME_DTYPES[self.type])
        if values.dtype == dtype:
            return values
        if self.type == "time":
            return pd.to_datetime(values, utc=True).astype(dtype)
        if self.type == "date":
            return pd.to_datetime(values).astype(dtype)
        if values.dtype == object:
            values = values.convert_dtypes()
        if self.type == "real":
            return pd.to_numeric(values).astype("Float64").astype(dtype)
        return values.astype(dtype)


@dataclass(frozen=True, slots=True)
class Table:
    """One table: its meaning, the columns that identify a row, and all its columns.

    ``source`` tells who writes it: ``loaded`` from a user's files, ``planned`` by a plan, ``kept``
    by the program itself, ``derived`` from the others between two steps and never stored.
    """

    name: str
    meaning: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    source: Literal["loaded", "planned", "kept", "derived"] = "loaded"

    @property
    def is_stored(self) -> bool:
        """Whether a database holds the table."""
        return self.source != "derived"

    @property
    def geometry(self) -> Column | None:
        """The geometry column, if the table has one."""
        return next((column for column in self.columns if column.type == "geometry"), None)

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of all columns in order."""
        return tuple(column.name for column in self.columns)

    def column(self, name: str) -> Column:
        """Return one column by name; ``SchemaError`` if there is none."""
        for column in self.columns:
            if column.name == name:
                return column
        raise SchemaError(f"{self.name} has no column {name!r}; it has {self.column_names}")

    def conform(self, frame: pd.DataFrame) -> pd.DataFrame:
        """Return the frame with exactly this table's columns, in order and of the declared types.

        Optional columns that are missing come back blank; columns the table does not know are
        dropped. A table with a geometry comes back as a GeoDataFrame in the CRS it had.

        Raises
        ------
        SchemaError
            If required columns are missing or a column cannot be read as its type.
        """
        missing = [c.name for c in self.columns if c.required and c.name not in frame.columns]
        if missing:
            raise SchemaError(f"{self.name} lacks required column(s): {', '.join(missing)}")
        data: dict[str, pd.Series[Any]] = {}
        for column in self.columns:
            if column.type == "geometry":
                continue
            if column.name not in frame.columns:
                blank = column.cast(pd.Series([None], dtype=object)).array
                rows = np.zeros(len(frame), dtype=np.intp)
                data[column.name] = pd.Series(blank.take(rows), frame.index)
                continue
            try:
                data[column.name] = column.cast(frame[column.name])
            except (TypeError, ValueError) as error:
                raise SchemaError(
                    f"{self.name}.{column.name} is not {column.type}: {error}"
                ) from error
        plain = pd.DataFrame(data, index=frame.index)
        return self._with_geometry(plain, frame)[list(self.column_names)]

    def _with_geometry(self, plain: pd.DataFrame, frame: pd.DataFrame) -> pd.DataFrame:
        if self.geometry is None:
            return plain
        if isinstance(frame, gpd.GeoDataFrame) and "geometry" in frame.columns:
            geometry = frame["geometry"]
            placed: pd.DataFrame = gpd.GeoDataFrame(plain, geometry=geometry, crs=geometry.crs)
            return placed
        if self.geometry.required and len(frame):
            raise SchemaError(f"{self.name} needs a geometry column")
        blank = gpd.GeoSeries([None] * len(frame), index=frame.index)
        unplaced: pd.DataFrame = gpd.GeoDataFrame(plain, geometry=blank)
        return unplaced

    def empty(self, crs: object = None) -> pd.DataFrame:
        """Return the table with no rows, for a part of the data that a utility does not have."""
        names = [c.name for c in self.columns if c.type != "geometry"]
        frame = pd.DataFrame({name: pd.Series([], dtype=object) for name in names})
        if self.geometry is not None:
            frame = gpd.GeoDataFrame(frame, geometry=gpd.GeoSeries([]), crs=crs)
        return self.conform(frame)


def text(name: str, meaning: str, *allowed: str, refers_to: str = "") -> Column:
    """Declare a text column, free or of the allowed words only."""
    return Column(name, "text", meaning, allowed=allowed, refers_to=refers_to)


def words(name: str, meaning: str, *allowed: str) -> Column:
    """Declare a column of several words with ``;`` between them."""
    return Column(name, "words", meaning, allowed=allowed)


def integer(
    name: str, meaning: str, unit: str = "", *, least: float | None = 0, most: float | None = None
) -> Column:
    """Declare a column of whole numbers."""
    return Column(name, "integer", meaning, unit, least=least, most=most)


def real(
    name: str, meaning: str, unit: str = "", *, least: float | None = 0, most: float | None = None
) -> Column:
    """Declare a column of numbers."""
    return Column(name, "real", meaning, unit, least=least, most=most)


def share(name: str, meaning: str) -> Column:
    """Declare a share or probability between 0 and 1."""
    return Column(name, "real", meaning, "share 0-1", least=0, most=1)


def band(
    name: str, meaning: str, unit: str, percents: Iterable[int] = (10, 50, 90)
) -> tuple[Column, ...]:
    """Declare the columns ``_p10``, ``_p50``, ``_p90``: 10, 50, 90 % of outcomes are no greater."""
    return tuple(
        real(f"{name}_p{percent:02d}", f"{meaning}; {percent} % chance of no more than this", unit)
        for percent in percents
    )


def flag(name: str, meaning: str) -> Column:
    """Declare a yes/no column; blank stays unknown."""
    return Column(name, "boolean", meaning)


def date(name: str, meaning: str) -> Column:
    """Declare a local date."""
    return Column(name, "date", meaning, "local date")


def time(name: str, meaning: str) -> Column:
    """Declare a moment, in UTC."""
    return Column(name, "time", meaning, "UTC")


def clock(name: str, meaning: str) -> Column:
    """Declare a local time of day."""
    return Column(name, "clock", meaning, "local HH:MM")


def shape(kind: str, meaning: str, *, required: bool = True) -> Column:
    """Declare the geometry column."""
    return Column("geometry", "geometry", meaning, shape=kind, required=required)


def must(column: Column) -> Column:
    """Return the column as one that no row may leave blank."""
    return replace(column, required=True)


#: Text that begins so could run as a formula in a spreadsheet; the last four are full-width.
_FORMULA_SIGNS: Final = (*"=+-@\t\r\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def guarded(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return text that no spreadsheet runs as a formula, and from which the text can be had back.

    Text that begins with ``=``, ``+``, ``-``, ``@``, tab or a line break gets an apostrophe in
    front, and so does such text that has apostrophes in front already. All other text stays.

    >>> list(guarded(pd.Series(["=1+1", "'=1+1", "'t Hof", "5-3"], dtype="str")))
    ["'=1+1", "''=1+1", "'t Hof", '5-3']
    """
    return values.mask(_is_risky(values), "'" + values)


def unguarded(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return the text that :func:`guarded` was given.

    Call it on a file's text as it stands, before blanks around it are trimmed.

    >>> list(unguarded(pd.Series(["'=1+1", "''=1+1", "'t Hof", "5-3"], dtype="str")))
    ['=1+1', "'=1+1", "'t Hof", '5-3']
    """
    quoted = values.str.startswith("'", na=False)
    if not quoted.any():
        return values
    return values.mask(quoted & _is_risky(values), values.str.slice(1))


def _is_risky(values: pd.Series[Any]) -> pd.Series[Any]:
    # Both steps run in Arrow; a pattern would be matched by Python, text by text.
    return values.str.lstrip("'").str.startswith(_FORMULA_SIGNS, na=False).astype(bool)
