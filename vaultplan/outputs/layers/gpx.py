"""A truck's day for a navigation device or a phone."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import geopandas as gpd
import gpxpy.gpx
import pandas as pd
import shapely

from vaultplan import schema
from vaultplan.geometry import LONLAT, feet_per_unit
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.files import remove_stale, truck_day_names, whole_file
from vaultplan.outputs.labels import printable
from vaultplan.outputs.layers.telling import stop_name, stop_words
from vaultplan.outputs.plan_view import crs_of, part, plan_of, stops_in_full, time_zone_of

#: A track leaves out corners nearer than this to the straight line: no device shows them.
_TRACK_FT: Final = 6.0


def write_gpx(frames: schema.Frames, folder: Path, *, time_zone: str | None = None) -> list[Path]:
    """Return the GPX files written to ``folder``, one per truck and day.

    Each holds the stops as waypoints in order and, where the way along the streets is known, a
    track. Files of the same week that this plan no longer has are removed.

    Raises
    ------
    OutputError
        If the folder does not exist or there is not exactly one plan.

    Notes
    -----
    GPX 1.1 (Topografix, 2004); places in WGS 84 to six decimals. A track keeps within six feet of
    the way.
    """
    zone, plan = time_zone_of(frames, time_zone), plan_of(frames)
    if crs_of(frames) is None:
        remove_stale(folder, plan["week_of"], ".gpx", [])
        return []
    stops = gpd.GeoDataFrame(_placed(stops_in_full(frames, zone), frames).to_crs(LONLAT))
    routes = _placed(part(frames, "routes"), frames)
    routes = routes.set_geometry(routes.simplify(_TRACK_FT / feet_per_unit(routes)))
    routes = gpd.GeoDataFrame(routes.to_crs(LONLAT))
    tracks = {(r["truck_id"], r["on"]): r["geometry"] for r in routes.to_dict("records")}
    days = list(stops.groupby(["on", "truck_id"], sort=True))
    names = truck_day_names([pair for pair, _ in days], ".gpx")
    written = []
    for ((day, truck), mine), name in zip(days, names, strict=True):
        written.append(folder / name)
        told = _gpx(str(truck), day, mine, tracks.get((truck, day)), plan)
        with whole_file(written[-1]) as unfinished:
            unfinished.write_text(told.to_xml(version="1.1"), encoding="utf-8", newline="\n")
    remove_stale(folder, plan["week_of"], ".gpx", written)
    return written


def _placed(frame: pd.DataFrame, frames: schema.Frames) -> gpd.GeoDataFrame:
    placed = gpd.GeoDataFrame(frame, geometry="geometry")
    return placed.set_crs(crs_of(frames)) if placed.crs is None else placed


def _gpx(
    truck: str, day: pd.Timestamp, stops: gpd.GeoDataFrame, track: Any, plan: pd.Series[Any]
) -> gpxpy.gpx.GPX:
    gpx = gpxpy.gpx.GPX()
    gpx.creator = "vaultplan"
    gpx.name = f"{_plain(truck, 40)} {day:%Y-%m-%d}"
    gpx.description = f"Plan {_plain(plan['plan_id'], 60)}. {' '.join(CAUTIONS)}"
    gpx.time = plan["made_at"].to_pydatetime()
    for stop in stops.to_dict("records"):
        if stop["geometry"] is None or stop["geometry"].is_empty:
            continue
        point = gpxpy.gpx.GPXWaypoint(*_spot(stop["geometry"].y, stop["geometry"].x))
        point.time = stop["start_at"].to_pydatetime()
        point.name = stop_name(stop)
        address = _plain(stop["address"], 120)
        clock = stop["start_local"][11:16]
        point.description = ". ".join(p for p in (f"{clock} {stop_words(stop)}", address) if p)
        point.type = stop["kind"]
        gpx.waypoints.append(point)
    if track is not None and not track.is_empty:
        drawn = gpxpy.gpx.GPXTrack(name=gpx.name)
        for line in shapely.get_parts(track):
            at = [gpxpy.gpx.GPXTrackPoint(*_spot(y, x)) for x, y in shapely.get_coordinates(line)]
            drawn.segments.append(gpxpy.gpx.GPXTrackSegment(at))
        gpx.tracks.append(drawn)
    return gpx


def _spot(latitude: float, longitude: float) -> tuple[float, float]:
    return round(float(latitude), 6), round(float(longitude), 6)


def _plain(value: object, longest: int) -> str:
    return printable(value, longest, may_break=False)
