"""Drawn maps of hot spots: the fleet in hexagons, and each spot with its vaults."""

from __future__ import annotations

from typing import Final

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely

from vaultplan import styles
from vaultplan.outputs.drawn import ink
from vaultplan.outputs.drawn.scene import Scene, Window

#: Sizes in points as drawn; pages show them about 1.7 times as large.
FLEET_WIDE_PT: Final = 420.0
FLEET_HIGH_PT: Final = (150.0, 340.0)
SPOT_PT: Final = (205.0, 190.0)
HOT: Final = styles.SEQUENTIAL[4]
_SOME_HOT: Final = styles.SEQUENTIAL[2]
_NOT_HOT: Final = styles.SEQUENTIAL[1]
_NOT_KNOWN: Final = "#FFFFFF"
_SPOT_FT: Final = 700.0
_MOST_ROADS: Final = 2500
_MOST_MARKS: Final = 1200
_STREET_FT: Final = 30.0
#: Not known lies lowest, hot on top.
_ORDER: Final = ("not_known", "not_hot", "hot")
_CELL_ORDER: Final = ("not_known", "none_hot", "some_hot", "many_hot")

Spots = npt.NDArray[np.float64]


def fleet_map(scene: Scene, cells: gpd.GeoDataFrame) -> str:
    """Return the fleet as SVG: hexagons by their share of hot places, hatched if not known."""
    if cells.empty:
        return ""
    corners = shapely.get_coordinates(cells.geometry)
    wide, high = np.ptp(corners, axis=0).tolist()
    size = (FLEET_WIDE_PT, float(np.clip(FLEET_WIDE_PT * high / max(wide, 1.0), *FLEET_HIGH_PT)))
    window = Window.around(corners, size, least=_SPOT_FT / scene.feet_per_unit, margin_pt=12)
    parts = [_HATCH, *ink.ground(scene, window)]
    for state in _CELL_ORDER:
        some = np.asarray(cells.geometry[cells["state"].eq(state)].array, dtype=object)
        fill, edge = _cell_look(state)
        parts += [
            ink.painted_areas(window, some, fill),
            ink.painted_lines(window, shapely.boundary(some), edge),
        ]
    placed = window.to_paper(shapely.get_coordinates(shapely.centroid(cells.geometry)))
    boxes = [(x - 3, y - 3, x + 3, y + 3) for x, y in placed.tolist()]
    parts += [ink.north(size), ink.scale_bar(window, scene.feet_per_unit, boxes)]
    return ink.svg(size, parts)


def spot_map(scene: Scene, places: gpd.GeoDataFrame, cluster: int) -> str:
    """Return one hot spot as SVG: its places, and those around it in their states.

    Parameters
    ----------
    places
        ``state`` and ``cluster`` of each, and where it lies.
    cluster
        The one in the middle.
    """
    own = places["cluster"].eq(cluster).to_numpy()
    points = shapely.get_coordinates(places.geometry)
    least = _SPOT_FT / scene.feet_per_unit
    window = Window.around(points[own], SPOT_PT, least=least, margin_pt=26)
    west, south, east, north = window.bounds
    x, y = points.T
    inside = np.flatnonzero((x >= west) & (x <= east) & (y >= south) & (y <= north))
    # Of more than can be told apart every so many, so that no part of the map is left bare.
    inside = inside[:: len(inside) // _MOST_MARKS + 1]
    roads, _ = scene.roads.within(window)
    wide = _STREET_FT / scene.feet_per_unit / window.units_per_pt
    streets = ink.streets(window, roads, min(max(wide, 0.5), 6.0))
    parts = [*ink.ground(scene, window), streets if len(roads) <= _MOST_ROADS else ""]
    spots = window.to_paper(points[inside].copy())
    state = places["state"].to_numpy(dtype=object)[inside]
    half = float(np.clip(34.0 / np.sqrt(max(own.sum(), 1)), 1.8, 4.0))
    for name in _ORDER:
        mine = spots[state == name]
        parts.append("".join(state_mark(name, x, y, half) for x, y in mine.tolist()))
    boxes: list[ink.Box] = [(x - 4, y - 4, x + 4, y + 4) for x, y in spots.tolist()]
    parts += [ink.north(SPOT_PT), ink.scale_bar(window, scene.feet_per_unit, boxes)]
    return ink.svg(SPOT_PT, parts)


def state_mark(state: str, x: float, y: float, half: float) -> str:
    """Return the mark of a place: a full diamond, a small disc, or a hollow ring of dashes."""
    if state == "hot":
        d = f"M{x:.1f} {y - 1.35 * half:.1f}l{1.35 * half:.1f} {1.35 * half:.1f}"
        d += f"l{-1.35 * half:.1f} {1.35 * half:.1f}l{-1.35 * half:.1f} {-1.35 * half:.1f}Z"
        return f'<path d="{d}" fill="{HOT}" stroke="#FFFFFF" stroke-width=".8"/>'
    if state == "not_hot":
        look = f'fill="{_NOT_HOT}" stroke="{ink.INK}" stroke-width=".7"'
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{0.75 * half:.1f}" {look}/>'
    look = f'fill="{_NOT_KNOWN}" stroke="{ink.INK}" stroke-width=".8" stroke-dasharray="1.6 1.3"'
    return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{0.9 * half:.1f}" {look}/>'


def cell_mark(state: str) -> str:
    """Return a hexagon as on the fleet's map, for the legend."""
    fill, (edge, width) = _cell_look(state)
    d = "M8.5 1.5l6.1 3.5v7l-6.1 3.5l-6.1 -3.5v-7Z"
    hatch = _HATCH if state == "not_known" else ""
    return f'{hatch}<path d="{d}" fill="{fill}" {edge} stroke-width="{max(width, 0.8):g}"/>'


def _cell_look(state: str) -> tuple[str, tuple[str, float]]:
    white = ('stroke="#FFFFFF"', 0.4)
    return {
        "many_hot": (HOT, (f'stroke="{ink.INK}"', 0.7)),
        "some_hot": (_SOME_HOT, white),
        "none_hot": (_NOT_HOT, white),
        "not_known": ("url(#unknown)", ('stroke="#8A857B"', 0.4)),
    }[state]


_HATCH: Final = (
    '<defs><pattern id="unknown" width="4" height="4" patternUnits="userSpaceOnUse">'
    '<rect width="4" height="4" fill="#FFFFFF"/>'
    '<path d="M0 4L4 0" stroke="#8A857B" stroke-width=".8"/></pattern></defs>'
)
