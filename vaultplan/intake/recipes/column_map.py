"""How a utility's own columns, words and units become the schema's: a column map in TOML."""

from __future__ import annotations

import re
from collections.abc import Mapping
from fnmatch import fnmatch
from pathlib import Path
from typing import Final, Literal, Self
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from vaultplan import units
from vaultplan.columns import Table
from vaultplan.errors import SettingsError
from vaultplan.settings import load_toml

_NUMBERS = ("real", "integer")
_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_-]+")
_ESCAPES: Final = {"\\": "\\\\", '"': '\\"', "\t": "\\t", "\n": "\\n", "\r": "\\r"}
_PARTS: Final = {
    "columns": "column of the table = column of the file",
    "units": "column of the table = unit of the file's numbers",
    "values": "word of the file = word of the table; an empty word means blank",
    "constants": "column of the table = one value for every row",
}


class ColumnMap(BaseModel):
    """What one file means, in the words of the schema.

    Everything may be left out; columns not mapped are found by the schema's own names.
    ``columns`` gives the file's name for a column of the table, ``units`` the unit its numbers are
    in, ``values`` turns the file's words into the schema's (an empty word means blank) and
    ``constants`` states one value for all rows, whatever the file says. ``x`` and ``y``, or
    ``wkt``, name the columns that place a row.

    Examples
    --------
    >>> ColumnMap(columns={"vault_id": "VAULT_NO"}, units={"depth_ft": "in"}).units
    {'depth_ft': 'in'}
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    files: tuple[str, ...] = Field(
        (), description="names of the files it is for; * for any letters"
    )
    layer: str | None = Field(None, description="layer to read")
    encoding: str | None = Field(None, description="letters of a text file, e.g. cp1252")
    delimiter: str | None = Field(
        None, min_length=1, max_length=1, description="mark between columns"
    )
    crs: str | None = Field(None, description="CRS of a file that states none, e.g. EPSG:2227")
    time_zone: str | None = Field(None, description="zone of times without an offset")
    date_format: str | None = Field(None, description="form of dates, e.g. %m/%d/%Y")
    time_format: str | None = Field(None, description="form of times, e.g. %m/%d/%Y %H:%M")
    thousands: Literal[",", ".", "'", " "] | None = Field(
        None, description="mark between thousands: comma, point, apostrophe or blank"
    )
    decimal: Literal[".", ","] = Field(".", description="mark before the decimals: point or comma")
    excel_days: bool = Field(
        default=False, description="numbers for days are a spreadsheet's days since 1900"
    )
    x: str | None = Field(None, description="column of eastings or longitudes")
    y: str | None = Field(None, description="column of northings or latitudes")
    wkt: str | None = Field(None, description="column of shapes as well-known text")
    columns: dict[str, str] = {}
    units: dict[str, str] = {}
    values: dict[str, dict[str, str]] = {}
    constants: dict[str, str | int | float | bool] = {}

    @field_validator("time_zone")
    @classmethod
    def _zone_is_known(cls, zone: str | None) -> str | None:
        if zone is not None:
            try:
                ZoneInfo(zone)
            except (ZoneInfoNotFoundError, ValueError, OSError) as error:
                raise ValueError(
                    f"{zone!r} is no time zone; write e.g. Pacific/Honolulu"
                ) from error
        return zone

    @field_validator("units")
    @classmethod
    def _units_are_known(cls, given: dict[str, str]) -> dict[str, str]:
        unknown = sorted(set(given.values()) - set(units.UNITS))
        if unknown:
            raise ValueError(f"unknown unit {', '.join(unknown)}; use {', '.join(units.UNITS)}")
        return given

    @model_validator(mode="after")
    def _marks_differ(self) -> Self:
        if self.thousands == self.decimal:
            raise ValueError(
                f"thousands and decimal are both {self.decimal!r}; a number could not be read"
            )
        return self

    def to_toml(self) -> str:
        """Return the map as TOML with a comment on each part; it reads back as an equal map.

        Examples
        --------
        >>> print(ColumnMap(crs="EPSG:2227", columns={"vault_id": "VAULT NO"}).to_toml(), end="")
        # How the columns, units and words of a file are read; see the data dictionary.
        # CRS of a file that states none, e.g. EPSG:2227
        crs = "EPSG:2227"
        <BLANKLINE>
        # column of the table = column of the file
        [columns]
        vault_id = "VAULT NO"
        """
        lines = ["# How the columns, units and words of a file are read; see the data dictionary."]
        for name, field in type(self).model_fields.items():
            value = getattr(self, name)
            if name not in _PARTS and value != field.get_default(call_default_factory=True):
                lines += [f"# {field.description}", f"{name} = {_toml_value(value)}"]
        for name, meaning in _PARTS.items():
            part = getattr(self, name)
            if name == "values":
                lines += _toml_words(part, meaning)
            elif part:
                lines += ["", f"# {meaning}", f"[{name}]", *_toml_entries(part)]
        return "\n".join(lines) + "\n"

    def check_against(self, declared: Table, path: Path | None = None) -> None:
        """Raise ``SettingsError`` if this map cannot be meant for the table or the file."""
        name = declared.name
        if path is not None and self.files and not any(fnmatch(path.name, f) for f in self.files):
            raise SettingsError(f"the column map is for {', '.join(self.files)}, not {path.name}")
        known = {column.name for column in declared.columns if column.type != "geometry"}
        given = {*self.columns, *self.units, *self.values, *self.constants}
        unknown = sorted(given - known)
        if unknown:
            raise SettingsError(
                f"the column map names {', '.join(unknown)}, which {name} does not have; "
                f"its columns are {', '.join(sorted(known))}"
            )
        twice = sorted(set(self.columns) & set(self.constants))
        if twice:
            raise SettingsError(f"both a column and a constant are given for {', '.join(twice)}")
        for column, unit in self.units.items():
            self._check_unit(declared, column, unit)
        for column, words in self.values.items():
            allowed = declared.column(column).allowed
            several = declared.column(column).type == "words"
            meant = {w for word in words.values() for w in (word.split(";") if several else [word])}
            wrong = sorted(meant - {"", *allowed})
            if allowed and wrong:
                raise SettingsError(
                    f"[values.{column}] leads to {', '.join(wrong)}; allowed are "
                    f"{', '.join(allowed)}"
                )
        self._check_placing(declared)

    def _check_unit(self, declared: Table, column: str, unit: str) -> None:
        meant = declared.column(column)
        if meant.type not in _NUMBERS or meant.unit not in units.UNITS:
            raise SettingsError(f"[units] {column}: {declared.name} gives it no unit to convert to")
        units.factor_between(unit, meant.unit)

    def _check_placing(self, declared: Table) -> None:
        placed = [name for name in (self.x, self.y, self.wkt) if name is not None]
        if placed and declared.geometry is None:
            raise SettingsError(f"{declared.name} has no geometry; leave out x, y and wkt")
        if (self.x is None) != (self.y is None):
            raise SettingsError("the column map gives one of x and y; give both")
        if self.x is not None and self.wkt is not None:
            raise SettingsError("the column map gives x, y and wkt; give one or the other")


def load_column_map(path: Path, declared: Table | None = None) -> ColumnMap:
    """Return the column map in a TOML file, checked against the table if one is given.

    Raises
    ------
    SettingsError
        If the file is missing, is not TOML, or names an unknown entry, unit or table column.
    """
    found = load_toml(path, ColumnMap, "column map")
    if declared is not None:
        try:
            found.check_against(declared)
        except SettingsError as error:
            raise SettingsError(f"{path}: {error}") from error
    return found


def _toml_words(values: Mapping[str, Mapping[str, str]], meaning: str) -> list[str]:
    lines: list[str] = []
    for column, words in values.items():
        lines += ["", *([] if lines else [f"# {meaning}"]), f"[values.{_toml_key(column)}]"]
        lines += _toml_entries(words)
    return lines


def _toml_entries(entries: Mapping[str, object]) -> list[str]:
    return [f"{_toml_key(key)} = {_toml_value(value)}" for key, value in entries.items()]


def _toml_key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _toml_text(key)


def _toml_value(value: object) -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, str):
        return _toml_text(value)
    if isinstance(value, tuple):
        return f"[{', '.join(_toml_value(one) for one in value)}]"
    raise TypeError(f"{value!r} is nothing that a column map holds")


def _toml_text(text: str) -> str:
    return f'"{"".join(_escaped(letter) for letter in text)}"'


def _escaped(letter: str) -> str:
    if letter in _ESCAPES:
        return _ESCAPES[letter]
    # TOML forbids control signs; the line separators beyond ASCII would only confuse a reader.
    if ord(letter) < 0x20 or 0x7F <= ord(letter) <= 0x9F or letter in "\u2028\u2029":
        return f"\\u{ord(letter):04X}"
    return letter
