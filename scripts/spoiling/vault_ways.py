"""Ways to spoil vaults: where they lie, how large they are, and their ids."""

from __future__ import annotations

from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from spoiling.bench import Bench, way

M_PER_FT = 0.3048
M_PER_US_SURVEY_FT = 1200 / 3937
SIZES = ("length_ft", "width_ft", "depth_ft")


def _points(rows: pd.Index[Any], x: Any, y: Any) -> pd.Series[Any]:
    return pd.Series(shapely.points(np.asarray(x), np.asarray(y)), index=rows, dtype=object)


def _move(bench: Bench, change: Any) -> None:
    """Pick vaults and place them where ``change`` takes x and y."""
    rows = bench.pick(bench.rows.geometry.notna())
    at = bench.rows.geometry.loc[rows]
    bench.put("geometry", _points(rows, *change(at.x.to_numpy(), at.y.to_numpy())))


@way("swapped_axes", "vaults", "value", within=1.0)
def vault_axes_swapped(bench: Bench) -> None:
    """Northing stands in x and easting in y."""
    _move(bench, lambda x, y: (y, x))


@way("zero_place", "vaults")
def vault_at_zero(bench: Bench) -> None:
    """A vault that nobody placed lies at 0, 0. Where it was cannot be known again."""
    _move(bench, lambda x, y: (0 * x, 0 * y))


def _degrees(bench: Bench, x: Any, y: Any) -> tuple[Any, Any]:
    moved = gpd.GeoSeries(shapely.points(x, y), crs=bench.rows.crs).to_crs("EPSG:4326")
    return moved.x.round(7).to_numpy(), moved.y.round(7).to_numpy()


@way("wrong_grid", "vaults", "value", within=1.0)
def vault_lonlat_in_grid(bench: Bench) -> None:
    """Longitude and latitude off a phone, 7 decimals, typed in for easting and northing."""
    _move(bench, lambda x, y: _degrees(bench, x, y))


@way("wrong_grid", "vaults", "value", within=1.0)
def vault_latlon_in_grid(bench: Bench) -> None:
    """Latitude first, as a phone shows it, typed in for easting and northing."""
    _move(bench, lambda x, y: _degrees(bench, x, y)[::-1])


@way("wrong_grid", "vaults", "value", within=1.0)
def vault_in_feet(bench: Bench) -> None:
    """Coordinates in international feet among metres."""
    _move(bench, lambda x, y: (x / M_PER_FT, y / M_PER_FT))


@way("wrong_grid", "vaults", "value", within=35.0)
def vault_in_survey_feet(bench: Bench) -> None:
    """Coordinates in US survey feet among metres.

    Which foot it was cannot be known from a place alone: 2 parts in a million of some 4,000 km are
    28 ft, so that much is allowed.
    """
    _move(bench, lambda x, y: (x / M_PER_US_SURVEY_FT, y / M_PER_US_SURVEY_FT))


@way("outside_area", "vaults")
def vault_far_away(bench: Bench) -> None:
    """The digit of the hundred kilometres in the northing is mistyped.

    A wrong digit further behind puts a vault in the next street or town and cannot be known.
    """

    def mistyped(x: Any, y: Any) -> tuple[Any, Any]:
        digit = (y // 100_000) % 10
        other = (digit + bench.rng.integers(1, 9, len(y))) % 10
        return x, y + (other - digit) * 100_000

    _move(bench, mistyped)


@way("outside_crs", "vaults")
def vault_outside_grid(bench: Bench) -> None:
    """The decimal point of the easting slipped by a place or two."""
    _move(bench, lambda x, y: (x * 10.0 ** bench.rng.integers(1, 3, len(x)), y))


@way("no_shape", "vaults")
def vault_no_geometry(bench: Bench) -> None:
    """A vault that is in the register and on no map."""
    rows = bench.pick(bench.rows.geometry.notna())
    bench.put("geometry", pd.Series(None, index=rows, dtype=object))


def _given(bench: Bench, *names: str) -> pd.Series[Any]:
    return (bench.rows[list(names)] > 0).all(axis=1) & bench.rows["kind"].notna()


def _below_class(bench: Bench, name: str, smaller: pd.Series[Any]) -> pd.Series[Any]:
    """Return which sizes are less than any that the clean file has in the vault's class."""
    vaults = bench.rows[bench.sound("vaults")]
    least = vaults.groupby(["kind", "shape"])[name].min().rename("least")
    joined = bench.rows[["kind", "shape"]].join(least, on=["kind", "shape"])["least"]
    return smaller < joined


@way("size_in_inches", "vaults", "value")
def vault_depth_in_inches(bench: Bench) -> None:
    """The depth alone is in inches."""
    rows = bench.pick(_given(bench, "depth_ft"))
    bench.put("depth_ft", bench.rows.loc[rows, "depth_ft"] * 12.0)


@way("size_in_inches", "vaults", "value")
def vault_sizes_in_inches(bench: Bench) -> None:
    """Length, width and depth are all in inches, as on a drawing."""
    rows = bench.pick(_given(bench, *SIZES))
    for name in SIZES:
        bench.put(name, bench.rows.loc[rows, name] * 12.0)


@way("size_in_metres", "vaults", "value")
def vault_depth_in_metres(bench: Bench) -> None:
    """The depth alone is in metres.

    Left out where it could be the depth of another vault of its class (kind and shape) in feet.
    """
    metres = (bench.rows["depth_ft"] * M_PER_FT).round(3)
    rows = bench.pick(_given(bench, "depth_ft") & _below_class(bench, "depth_ft", metres))
    bench.put("depth_ft", metres.loc[rows])


@way("size_in_metres", "vaults", "value")
def vault_sizes_in_metres(bench: Bench) -> None:
    """Length, width and depth are all in metres.

    Left out where any of the three could be that of another vault of its class in feet.
    """
    metres = {name: (bench.rows[name] * M_PER_FT).round(3) for name in SIZES}
    fitting = _given(bench, *SIZES)
    for name in SIZES:
        fitting &= _below_class(bench, name, metres[name])
    rows = bench.pick(fitting)
    for name in SIZES:
        bench.put(name, metres[name].loc[rows])


@way("size_absurd", "vaults", "range")
def vault_depth_zero(bench: Bench) -> None:
    """The depth is 0, as a form fills it in."""
    rows = bench.pick(_given(bench, "depth_ft"))
    bench.put("depth_ft", pd.Series(0.0, index=rows))


@way("size_absurd", "vaults", "range")
def vault_depth_absurd(bench: Bench) -> None:
    """The depth is 200 ft or a number that means no depth, such as 999.

    Numbers such as 70 are left out: they may be inches as well as feet without a decimal point.
    """
    rows = bench.pick(_given(bench, "depth_ft"))
    bench.put("depth_ft", bench.choose(rows, ["200", "500", "999", "9999"]).astype("float64"))


@way("size_missing", "vaults", "range")
def vault_length_missing(bench: Bench) -> None:
    """The length is blank."""
    rows = bench.pick(_given(bench, "length_ft"))
    bench.put("length_ft", pd.Series(np.nan, index=rows))


@way("key_twice", "vaults")
def vault_id_twice(bench: Bench) -> None:
    """A vault was surveyed again and entered again under its id, with other sizes and notes."""
    rows = bench.pick(_given(bench, "depth_ft"))
    again = bench.rows.loc[rows].copy()
    again["depth_ft"] += bench.choose(rows, ["-0.5", "0.5"]).astype("float64")
    again["access_notes"] = "Surveyed again"
    bench.append(again)


@way("row_twice", "vaults", "once")
def vault_row_repeated(bench: Bench) -> None:
    """A feature was pasted twice, all of it alike."""
    bench.append(bench.rows.loc[bench.pick()].copy())


@way("near_twin", "vaults")
def vault_near_twin(bench: Bench) -> None:
    """A vault was entered again under a new id, within 2 ft of itself and with the same sizes."""
    rows = bench.pick(bench.rows.geometry.notna() & bench.rows["kind"].notna())
    twins = bench.rows.loc[rows].copy()
    away = bench.rng.uniform(0.1, 2.0, len(rows)) * M_PER_FT
    turn = bench.rng.uniform(0.0, 2 * np.pi, len(rows))
    x, y = twins.geometry.x + away * np.cos(turn), twins.geometry.y + away * np.sin(turn)
    twins.geometry = shapely.points(x, y)
    twins["vault_id"] += bench.choose(rows, ["A", "-2", "N"]).to_numpy()
    bench.append(twins)
