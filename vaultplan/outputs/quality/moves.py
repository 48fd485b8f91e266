"""Where rows lay before a repair moved them and after, and where rows set aside would lie."""

from __future__ import annotations

import json
import tomllib
from dataclasses import dataclass
from typing import Any, Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from vaultplan import schema
from vaultplan.errors import CRSError
from vaultplan.geometry import LONLAT
from vaultplan.outputs.maps.lines import Grid
from vaultplan.outputs.plan_view import crs_of, part

MOST_DRAWN: Final = 5_000
_MOST_LISTED: Final = 500
#: The map reaches this share of its own size beyond the fleet, and at least so many degrees.
_MARGIN_FRAC: Final = 0.5
_LEAST_MARGIN_DEG: Final = 0.02
#: Keys under which a raw row holds its shape; the recipe may name columns of its own.
_SHAPE: Final = "(shape)"
_SHAPE_COLUMNS: Final = ("geometry", "wkt")


@dataclass(frozen=True, slots=True)
class Reach:
    """The part of the Earth that the map shows: west, south, east and north in degrees."""

    west: float
    south: float
    east: float
    north: float

    def holds(self, lonlat: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
        """Return which places lie on the map; a place that is not known does not."""
        x, y = lonlat.T
        within: npt.NDArray[np.bool_] = (
            (x >= self.west) & (x <= self.east) & (y >= self.south) & (y <= self.north)
        )
        return within


def reach_of(places: list[gpd.GeoDataFrame]) -> Reach | None:
    """Return what the map shows, around the first of these tables that has places."""
    for frame in places:
        if len(frame) and frame.geometry.notna().any():
            west, south, east, north = frame.to_crs(LONLAT).total_bounds
            wide = max(_MARGIN_FRAC * (east - west), _LEAST_MARGIN_DEG)
            high = max(_MARGIN_FRAC * (north - south), _LEAST_MARGIN_DEG)
            return Reach(west - wide, south - high, east + wide, north + high)
    return None


def moved_rows(frames: schema.Frames) -> pd.DataFrame:
    """Return rows that a repair moved, and rows set aside from tables that have places.

    Returns
    -------
    DataFrame
        ``state`` (``moved`` or ``aside``), ``table``, ``row_key``, ``file``, ``row`` (blank if not
        known), ``rules`` with ``;`` between, ``written`` (the place as the file has it) and
        ``before_lon``, ``before_lat``, ``after_lon``, ``after_lat`` in degrees, blank where there
        is no such place.
    """
    loads, changes, raw = (part(frames, name) for name in ("loads", "changes", "raw_rows"))
    changes = changes[changes["column_name"].eq("geometry") & changes["load_id"].notna()]
    changes = changes.drop_duplicates(["load_id", "row_key"], keep="last")
    raw = raw.merge(loads, on="load_id", how="inner", validate="many_to_one")
    has_places = [name for name, declared in schema.TABLES.items() if declared.geometry is not None]
    aside = raw[raw["state"].eq("quarantined") & raw["table_name"].isin(has_places)]
    mended = raw[raw["state"].isin(["repaired", "mended"])]
    mended = mended.drop_duplicates(["load_id", "row_key"], keep="last")
    moved = changes.merge(
        mended[["load_id", "row_key", "row", "raw"]],
        on=["load_id", "row_key"],
        how="left",
        validate="one_to_one",
    ).merge(loads[["load_id", "file", "recipe", "crs"]], on="load_id", how="left")
    rows = pd.concat(
        [
            moved.assign(state="moved", rules=moved["rule"]),
            aside.assign(state="aside", before=None, after=None),
        ],
        ignore_index=True,
    )
    before, crs = _written_shapes(rows)
    target = crs_of(frames)
    after = _from_wkt(rows["after"])
    return pd.DataFrame(
        {
            "state": rows["state"],
            "table": rows["table_name"],
            "row_key": rows["row_key"],
            "file": rows["file"],
            "row": rows["row"],
            "rules": rows["rules"],
            "written": [_place_words(shape) for shape in before],
            **_lonlat("before", before, crs),
            **_lonlat("after", after, [target] * len(rows)),
        }
    )


def moves_on_map(rows: pd.DataFrame, reach: Reach | None, grid: Grid) -> dict[str, Any]:
    """Return what the map draws of :func:`moved_rows`, and the list of what lies beyond it."""
    before = rows[["before_lon", "before_lat"]].to_numpy(np.float64)
    after = rows[["after_lon", "after_lat"]].to_numpy(np.float64)
    nowhere = np.zeros(len(rows), dtype=bool)
    has_before = nowhere if reach is None else reach.holds(before)
    has_after = nowhere if reach is None else reach.holds(after)
    drawn = np.flatnonzero(has_before | has_after)
    off = np.flatnonzero(~has_before)
    told = rows[["state", "table", "row_key", "file", "row", "rules", "written"]]
    texts = told.astype(object).where(told.notna(), "").to_dict("records")

    def told_row(at: int) -> dict[str, Any]:
        return {str(key): value for key, value in texts[at].items()}

    return {
        "drawn": [
            {
                **told_row(at),
                "before": grid.steps(before[at]).tolist() if has_before[at] else None,
                "after": grid.steps(after[at]).tolist() if has_after[at] else None,
            }
            for at in drawn[:MOST_DRAWN]
        ],
        "drawn_of": len(drawn),
        "off": [told_row(at) for at in off[:_MOST_LISTED]],
        "off_of": len(off),
    }


def _written_shapes(rows: pd.DataFrame) -> tuple[npt.NDArray[Any], list[pyproj.CRS | None]]:
    """Return the shape that each row has in its file, and the file's CRS."""
    recipes = {text: _recipe(text) for text in rows["recipe"].dropna().unique()}
    known: dict[tuple[str, str], pyproj.CRS | None] = {}
    texts, systems = [], []
    columns = rows[["raw", "before", "recipe", "crs"]].astype(object)
    columns = columns.where(columns.notna(), "")
    for raw, before, recipe_text, stated in columns.itertuples(index=False):
        recipe = recipes.get(recipe_text, {})
        texts.append(_written_place(raw, recipe) or before)
        named = stated or str(recipe.get("crs", ""))
        if (named, "") not in known:
            known[named, ""] = _crs(named)
        systems.append(known[named, ""])
    return _from_wkt(pd.Series(texts, dtype=object)), systems


def _recipe(text: str) -> dict[str, Any]:
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}


def _written_place(raw: str, recipe: dict[str, Any]) -> str:
    """Return the place of a raw row as well-known text; blank if it has none."""
    try:
        row = json.loads(raw) if raw else {}
    except json.JSONDecodeError:
        return ""
    if not isinstance(row, dict):
        return ""
    lower = {str(name).lower(): value for name, value in row.items()}
    for name in (_SHAPE, str(recipe.get("wkt", "")), *_SHAPE_COLUMNS):
        if name.lower() in lower:
            return str(lower[name.lower()] or "")
    x, y = (lower.get(str(recipe.get(axis, axis)).lower()) for axis in ("x", "y"))
    try:
        return f"POINT ({float(str(x))!r} {float(str(y))!r})"
    except ValueError:
        return ""


def _crs(text: str) -> pyproj.CRS | None:
    try:
        return pyproj.CRS.from_user_input(text) if text else None
    except pyproj.exceptions.CRSError:
        return None


def _from_wkt(texts: pd.Series[Any]) -> npt.NDArray[Any]:
    given = [text if isinstance(text, str) and text else None for text in texts]
    return np.asarray(shapely.from_wkt(given, on_invalid="ignore"), dtype=object)


def _place_words(shape: Any) -> str:
    at = _middle(shape)
    if at is None:
        return "no place"
    return ", ".join(f"{value:.6f}".rstrip("0").rstrip(".") for value in at)


def _middle(shape: Any) -> tuple[float, float] | None:
    if shape is None or shape.is_empty:
        return None
    bounds = np.asarray(shape.bounds, dtype=np.float64)
    if not np.isfinite(bounds).all():
        return None
    if shape.geom_type == "Point":
        return float(shape.x), float(shape.y)
    return float(bounds[[0, 2]].mean()), float(bounds[[1, 3]].mean())


def _lonlat(
    name: str, shapes: npt.NDArray[Any], systems: list[pyproj.CRS | None]
) -> dict[str, npt.NDArray[np.float64]]:
    """Return longitudes and latitudes of the middles of shapes, each in a CRS of its own."""
    middles = [_middle(shape) for shape in shapes]
    places = np.array([at or (np.nan, np.nan) for at in middles], dtype=np.float64).reshape(-1, 2)
    degrees = np.full((len(shapes), 2), np.nan)
    numbers, found = pd.factorize(pd.Series(systems, dtype=object))
    for number, crs in enumerate(found):
        at = (numbers == number) & np.isfinite(places).all(axis=1)
        try:
            to_lonlat = pyproj.Transformer.from_crs(crs, LONLAT, always_xy=True)
        except pyproj.exceptions.ProjError as error:
            raise CRSError(f"{crs} cannot be brought into longitude and latitude") from error
        degrees[at] = np.column_stack(to_lonlat.transform(*places[at].T))
    degrees[~np.isfinite(degrees).all(axis=1)] = np.nan
    return {f"{name}_lon": degrees[:, 0], f"{name}_lat": degrees[:, 1]}
