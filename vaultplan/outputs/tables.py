"""Tables as files: CSV, Parquet and GeoPackage for any table, CSV of a planned week."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import pandas as pd
import pyogrio
import shapely

from vaultplan import schema
from vaultplan.errors import CRSError, OutputError
from vaultplan.geometry import LONLAT
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.plan_view import stops_in_full, time_zone_of, unserved_in_full
from vaultplan.outputs.workbook import write_plan_xlsx

__all__ = ["harmless", "spreadsheet_frame", "write_plan_csv", "write_plan_xlsx", "write_table"]

#: A cell that begins so may be run as a formula by a spreadsheet; the last four are full-width.
FORMULA_STARTS: Final = ("=", "+", "-", "@", "\t", "\r", "\n", *"\uff1d\uff0b\uff0d\uff20")

_PLAN_COLUMNS: Final = (
    *("outcome", "on", "truck_id", "stop_number", "kind", "arrive_local", "leave_local"),
    *("arrive_at", "start_at", "leave_at", "drive_minutes", "order_id", "vault_id", "site_id"),
    *("address", "task", "skill", "priority", "due_on", "rank", "score", "method", "gate"),
    *("volume_gal_p10", "volume_gal_p50", "volume_gal_p90", "volume_gal_mean", "load_gal"),
    *("tank_after_gal", "socks", "sensitivity", "rules_fired", "reason", "geometry"),
)

#: No forecast, drive or score is known more closely than that.
_TENTHS: Final = (
    *("drive_minutes", "score", "volume_gal_p10", "volume_gal_p50", "volume_gal_p90"),
    *("volume_gal_mean", "load_gal", "tank_after_gal"),
)


def harmless(values: pd.Series[Any]) -> pd.Series[Any]:
    """Return text that no spreadsheet runs as a formula.

    Text that begins with ``=``, ``+``, ``-``, ``@``, tab or a line break gets an apostrophe in
    front; all other text is left as it is. Numbers are never touched.

    >>> list(harmless(pd.Series(["=1+1", "Tern Street", "-5"])))
    ["'=1+1", 'Tern Street', "'-5"]
    """
    risky = values.str.startswith(FORMULA_STARTS).fillna(False).astype(bool)
    return values.mask(risky, "'" + values)


def spreadsheet_frame(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a table as a CSV file holds it.

    Dates are ``YYYY-MM-DD``, times UTC ISO 8601 with ``Z``, yes/no ``true``/``false``, text
    :func:`harmless`. A geometry becomes WKT in the table's own CRS, to a thousandth of its unit;
    points get ``lon`` and ``lat`` (EPSG:4326) as well.

    Raises
    ------
    CRSError
        If a table with places has no CRS.
    """
    places = frame.geometry if isinstance(frame, gpd.GeoDataFrame) else None
    plain = pd.DataFrame(frame.drop(columns=places.name) if places is not None else frame).copy()
    for name, values in plain.items():
        if isinstance(values.dtype, pd.DatetimeTZDtype):
            plain[name] = values.dt.tz_convert("UTC").dt.strftime("%Y-%m-%dT%H:%M:%SZ")
        elif pd.api.types.is_datetime64_any_dtype(values):
            plain[name] = values.dt.strftime("%Y-%m-%d")
        elif pd.api.types.is_bool_dtype(values):
            plain[name] = values.astype("object").map({True: "true", False: "false"})
        elif pd.api.types.is_string_dtype(values) or values.dtype == object:
            # A lone carriage return would start a row of its own in the file.
            lines = values.astype("str").str.replace(r"\r\n?", "\n", regex=True)
            plain[name] = harmless(lines)
    if places is not None:
        if places.crs is None and not places.isna().all():
            raise CRSError("the table has no CRS, so its places mean nothing; set one first")
        if len(places) and places.geom_type.dropna().eq("Point").all() and places.notna().any():
            lonlat = places.to_crs(LONLAT)
            plain["lon"], plain["lat"] = lonlat.x.round(7), lonlat.y.round(7)
        plain["geometry"] = shapely.to_wkt(places.to_numpy(), rounding_precision=3)
    return plain


def table_ending(path: Path) -> str:
    """Return the ending of a table's file; ``OutputError`` if none can be written with it."""
    ending = path.suffix.lower()
    if ending not in (".csv", ".parquet", ".gpkg"):
        raise OutputError(f"{path.name}: a table goes to .csv, .parquet or .gpkg, not {ending!r}")
    return ending


def write_table(frame: pd.DataFrame, path: Path, *, layer: str | None = None) -> None:
    """Write one table to a ``.csv``, ``.parquet`` or ``.gpkg`` file, chosen by its ending.

    Parameters
    ----------
    frame
        Any table; a GeoDataFrame keeps its places in every format.
    path
        File to write; one that is there is replaced, whole or not at all.
    layer
        Layer name inside a GeoPackage; the file's name when not given.

    Raises
    ------
    OutputError
        If the ending is another one or the folder does not exist.
    CRSError
        If places without a CRS are to be written.

    Notes
    -----
    CSV is UTF-8 as :func:`spreadsheet_frame` describes: text that a spreadsheet could run as a
    formula starts with an apostrophe there, and only there. Parquet and GeoPackage keep it as is.
    """
    writers = {".csv": _write_csv, ".parquet": _write_parquet, ".gpkg": _write_gpkg}
    ending = table_ending(path)
    with whole_file(path) as part:
        writers[ending](frame, part, layer or path.stem)


def write_plan_csv(frames: schema.Frames, path: Path, *, time_zone: str | None = None) -> None:
    """Write the whole week as one CSV: every planned stop, then every order left out and why.

    ``outcome`` is ``planned`` for stops, else what became of the order. Local times carry their
    offset and stand beside UTC. ``time_zone`` is the database's when not given. Gallons, drive
    minutes and scores are rounded to tenths.

    Raises
    ------
    OutputError
        If the folder does not exist.
    """
    stops = stops_in_full(frames, time_zone_of(frames, time_zone)).assign(outcome="planned")
    unserved = unserved_in_full(frames)
    both = [part.reindex(columns=list(_PLAN_COLUMNS)) for part in (stops, unserved)]
    filled = [part.dropna(axis=1, how="all") for part in both if len(part)]
    week = pd.concat(filled, ignore_index=True) if filled else both[0]
    week = gpd.GeoDataFrame(week.reindex(columns=list(_PLAN_COLUMNS)), geometry="geometry")
    for name in _TENTHS:
        week[name] = week[name].astype("float64").round(1)
    if week.crs is None and isinstance(stops, gpd.GeoDataFrame):
        week = week.set_crs(stops.crs)
    write_table(week, path)


def _write_csv(frame: pd.DataFrame, path: Path, _layer: str) -> None:
    spreadsheet_frame(frame).to_csv(
        path, index=False, encoding="utf-8", lineterminator="\n", float_format="%.10g"
    )


def _write_parquet(frame: pd.DataFrame, path: Path, _layer: str) -> None:
    frame.to_parquet(path, index=False)


def _write_gpkg(frame: pd.DataFrame, path: Path, layer: str) -> None:
    if isinstance(frame, gpd.GeoDataFrame) and frame.crs is None and frame.geometry.notna().any():
        raise CRSError(f"{layer} has no CRS, so its places mean nothing; set one first")
    pyogrio.write_dataframe(frame, path, layer=layer, driver="GPKG")
