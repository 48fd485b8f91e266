"""Which column of a file is which column of the table."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from vaultplan.columns import Table
from vaultplan.errors import SettingsError
from vaultplan.intake.recipes.column_map import ColumnMap

_SHAPEFILE_LETTERS = 10
_DEFAULT_PLACES = (("geometry",), ("wkt",), ("x", "y"))


@dataclass(frozen=True, slots=True)
class Matching:
    """The outcome: ``sources`` leads from table columns to file columns.

    ``unused`` are file columns that will not be read, ``missing`` required columns of the table
    that nothing provides, ``places`` the columns that hold the shape: none, one of well-known
    text, or x and y.
    """

    sources: dict[str, str]
    unused: tuple[str, ...]
    missing: tuple[str, ...]
    places: tuple[str, ...]


def match_columns(
    declared: Table,
    found: Sequence[str],
    path: Path,
    column_map: ColumnMap,
    *,
    has_shapes: bool,
    ending: str = "",
) -> Matching:
    """Return which file column provides each column of the table.

    The column map comes first, and what it takes for a place is read as nothing else. Other columns
    are found by their name, capitals aside, and in a Shapefile by its first ten letters where no
    other column starts with them. ``ending`` is the file's, where the path is an archive's.

    Raises
    ------
    SettingsError
        If the map names a file column that is not there, or two file columns fit one name.
    """
    sources = {
        name: _named(source, found, path, f"[columns] {name}")
        for name, source in column_map.columns.items()
    }
    places = () if has_shapes or declared.geometry is None else _places(found, path, column_map)
    placing = places if places != places_by_name(found) else ()
    taken = {*sources.values(), *placing}
    free = [name for name in found if name not in taken]
    for column in declared.columns:
        name = column.name
        if column.type == "geometry" or name in sources or name in column_map.constants:
            continue
        fitting = [source for source in free if source.lower() == name]
        if not fitting and (ending or path.suffix.lower()) == ".shp":
            fitting = _shortened(name, declared, free)
        if len(fitting) > 1:
            both = ", ".join(fitting)
            raise SettingsError(f"{path}: {both} may all be {name}; say which under [columns]")
        if fitting:
            sources[name] = fitting[0]
    provided = {*sources, *column_map.constants}
    missing = [
        c.name
        for c in declared.columns
        if c.required and c.type != "geometry" and c.name not in provided
    ]
    used = {*sources.values(), *places}
    unused = tuple(name for name in found if name not in used)
    return Matching(sources, unused, tuple(missing), places)


def _named(source: str, found: Sequence[str], path: Path, asker: str) -> str:
    if source in found:
        return source
    fitting = [name for name in found if name.lower() == source.lower()]
    if len(fitting) == 1:
        return fitting[0]
    listed = ", ".join(found)
    raise SettingsError(f"{asker}: {path} has no column {source!r}; it has {listed}")


def _shortened(name: str, declared: Table, free: Sequence[str]) -> list[str]:
    if len(name) <= _SHAPEFILE_LETTERS:
        return []
    starts = Counter(column[:_SHAPEFILE_LETTERS] for column in declared.column_names)
    start = name[:_SHAPEFILE_LETTERS]
    return [source for source in free if source.lower() == start and starts[start] == 1]


def _places(found: Sequence[str], path: Path, column_map: ColumnMap) -> tuple[str, ...]:
    if column_map.wkt is not None:
        return (_named(column_map.wkt, found, path, "wkt"),)
    if column_map.x is not None and column_map.y is not None:
        return (
            _named(column_map.x, found, path, "x"),
            _named(column_map.y, found, path, "y"),
        )
    return places_by_name(found)


def places_by_name(found: Sequence[str]) -> tuple[str, ...]:
    """Return the columns that hold the shape where no map says so: geometry, wkt, or x and y."""
    small = {name.lower(): name for name in found}
    for names in _DEFAULT_PLACES:
        if all(name in small for name in names):
            return tuple(small[name] for name in names)
    return ()
