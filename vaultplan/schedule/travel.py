"""How long a truck drives from every place of the week to every other."""

from __future__ import annotations

import hashlib
import tempfile
from collections import OrderedDict
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely

from vaultplan.errors import ScheduleError, SchemaError
from vaultplan.geometry import feet_per_unit, require_same_crs
from vaultplan.schedule.search import minutes_to
from vaultplan.schedule.streets import Floats, Ints, street_graph
from vaultplan.settings import ScheduleSettings
from vaultplan.units import FT_PER_MI


@dataclass(frozen=True, slots=True)
class TravelTimes:
    """Driving between places, from row to column.

    ``minutes`` holds parking and turning of every leg; ``is_straight`` marks pairs that no street
    joins, reckoned by straight distance and detour.
    """

    place_ids: tuple[str, ...]
    minutes: Floats
    is_straight: np.ndarray[tuple[int, int], np.dtype[np.bool_]]

    @property
    def straight_count(self) -> int:
        """How many ordered pairs of different places no street joins."""
        return int(self.is_straight.sum())

    @property
    def seconds(self) -> np.ndarray[tuple[int, int], np.dtype[np.int64]]:
        """Whole seconds of driving, rounded up so that a plan never promises too much."""
        return np.ceil(np.round(self.minutes * 60.0, 6)).astype(np.int64)


@dataclass(frozen=True, slots=True)
class _Searched:
    """Minutes along streets between places that were searched: coordinates (n, 2), minutes."""

    at: Floats
    minutes: Floats


#: What was searched before, by a hash of the streets.
_SEARCHED: Final[OrderedDict[str, _Searched]] = OrderedDict()
_KEPT: Final = 4
#: With more new places than this share all are searched anew.
_MOST_NEW: Final = 0.25


def travel_times(
    places: gpd.GeoDataFrame, roads: gpd.GeoDataFrame, *, settings: ScheduleSettings
) -> TravelTimes:
    """Return driving minutes between all places.

    Parameters
    ----------
    places
        Columns ``place_id`` and ``geometry`` (points).
    roads
        Table ``roads``; without rows, everything goes by straight distance.
    settings
        Speed, detour, minutes per leg, and ``travel_cache``: a folder in which what was searched is
        kept, by a hash of the streets; only ways from and to new places are searched then.

    Raises
    ------
    SchemaError
        If a place has no location, or an id stands twice.
    CRSError
        If streets and places are not in one projected CRS.

    Notes
    -----
    Along streets: ``leg + access(a) + shortest path + access(b)``, where access is the straight
    distance to the street times detour over speed. Elsewhere: ``leg + distance * detour / speed``.
    Two places at one point are no leg at all.

    Examples
    --------
    >>> from shapely import Point
    >>> spots = gpd.GeoDataFrame({"place_id": ["a", "b"]},
    ...     geometry=[Point(0, 0), Point(0, 5280)], crs="EPSG:2227")
    >>> none = gpd.GeoDataFrame({"road_id": []}, geometry=[], crs="EPSG:2227")
    >>> flat = ScheduleSettings(speed_mph=20, detour=1.0, leg_minutes=1.5)
    >>> float(travel_times(spots, none, settings=flat).minutes[0, 1])
    4.5
    """
    ids = tuple(str(place) for place in places["place_id"])
    if len(set(ids)) != len(ids):
        raise SchemaError("a place_id stands twice among the places to travel between")
    points = np.asarray(places.geometry.values, dtype=object)
    lost = [ids[i] for i in np.flatnonzero(shapely.is_missing(points) | shapely.is_empty(points))]
    if lost:
        raise SchemaError(f"no location for: {', '.join(lost[:10])}; give them one or leave it out")
    straight_ft = _straight(points) * feet_per_unit(places) if len(points) else np.zeros((0, 0))
    feet_a_minute = settings.speed_mph * FT_PER_MI / 60.0
    apart = straight_ft > 0
    path = np.full(straight_ft.shape, np.inf)
    if len(roads) and len(points):
        require_same_crs(places=places, roads=roads)
        path = _searched(points, roads, settings)
    off = apart & ~np.isfinite(path)
    path = np.where(off, straight_ft * settings.detour / feet_a_minute, path)
    minutes = np.where(apart, path + settings.leg_minutes, 0.0)
    if not np.isfinite(minutes).all():
        raise ScheduleError("driving times are not finite; check the streets' minutes")
    return TravelTimes(ids, minutes, off if len(roads) else np.zeros_like(off))


def _searched(
    points: np.ndarray[tuple[int], np.dtype[np.object_]],
    roads: gpd.GeoDataFrame,
    settings: ScheduleSettings,
) -> Floats:
    """Return minutes along streets, searched once for the same points and streets."""
    key = _content(roads, settings)
    file = settings.travel_cache and settings.travel_cache / f"travel-{key}.npy"
    known = _SEARCHED.get(key) or (_read(file) if file else None)
    at = shapely.get_coordinates(points)
    place = _places(known, at)
    new = np.flatnonzero(place < 0)
    if known is None or len(new) > _MOST_NEW * len(points):
        found = _along_streets(points, roads, settings, None)
    elif len(new):
        found = _along_streets(points, roads, settings, new)
        old = np.flatnonzero(place >= 0)
        found[np.ix_(old, old)] = known.minutes[np.ix_(place[old], place[old])]
    else:
        found = known.minutes[np.ix_(place, place)]
    searched = _Searched(at, found)
    if file and (known is None or len(new)):
        _keep(file, searched)
    _SEARCHED[key] = searched if known is None or len(new) else known
    _SEARCHED.move_to_end(key)
    while len(_SEARCHED) > _KEPT:
        _SEARCHED.popitem(last=False)
    return found.copy()


def _places(known: _Searched | None, at: Floats) -> Ints:
    """Return which of the known places lies at each spot; -1 where none does."""
    if known is None:
        return np.full(len(at), -1)
    row = {spot.tobytes(): number for number, spot in enumerate(known.at)}
    return np.array([row.get(spot.tobytes(), -1) for spot in at], dtype=np.int64)


def _read(file: Path) -> _Searched | None:
    """Return what a file holds, if it is there and whole: two columns of places, then minutes."""
    try:
        both = np.load(file, allow_pickle=False)
    except (OSError, ValueError, EOFError):
        return None
    return _Searched(both[:, :2].copy(), both[:, 2:].copy())


def _keep(file: Path, searched: _Searched) -> None:
    """Write a file whole or not at all, so that one cut short is never read."""
    file.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.NamedTemporaryFile(dir=file.parent, suffix=".npy", delete=False) as part:
        np.save(part, np.hstack([searched.at, searched.minutes]))
    Path(part.name).replace(file)


def _content(roads: gpd.GeoDataFrame, settings: ScheduleSettings) -> str:
    """Return a hash of all but the places that the minutes along streets hang on."""
    digest = hashlib.sha256(
        repr((settings.speed_mph, settings.detour, settings.junction_ft, str(roads.crs))).encode()
    )
    coordinates, of_road = shapely.get_coordinates(roads.geometry.to_numpy(), return_index=True)
    digest.update(coordinates.tobytes())
    digest.update(of_road.astype(np.int64).tobytes())
    told = roads.reindex(columns=["from_node", "to_node", "minutes", "one_way"])
    digest.update(pd.util.hash_pandas_object(told, index=False).to_numpy().tobytes())
    return digest.hexdigest()[:24]


def _straight(points: np.ndarray[tuple[int], np.dtype[np.object_]]) -> Floats:
    at = shapely.get_coordinates(points)
    return np.hypot(at[:, None, 0] - at[None, :, 0], at[:, None, 1] - at[None, :, 1])


def _along_streets(
    points: np.ndarray[tuple[int], np.dtype[np.object_]],
    roads: gpd.GeoDataFrame,
    settings: ScheduleSettings,
    some: Ints | None,
) -> Floats:
    """Return minutes of the quickest way along streets; infinite where there is none.

    If only ``some`` of the places are asked for, ways between the others stay infinite. Minutes are
    rounded to a billionth: how many places cut a street does not show.
    """
    graph = street_graph(points, roads, settings)
    reach = graph.access_ft * settings.detour / (settings.speed_mph * FT_PER_MI / 60.0)
    minutes = np.full((len(points), len(points)), np.inf)
    asked = np.arange(len(points)) if some is None else some
    nodes = graph.place_node
    minutes[asked] = minutes_to(graph.minutes, nodes[asked], nodes)
    if some is not None:
        minutes[:, asked] = minutes_to(graph.minutes.T.tocsr(), nodes[asked], nodes).T
    around: Floats = np.round(minutes + reach[:, None] + reach[None, :], 9)
    return around
