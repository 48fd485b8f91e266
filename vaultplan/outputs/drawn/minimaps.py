"""Small maps drawn as SVG text: the surroundings of one stop, and a truck's whole day.

Everything is drawn in points (1/72 in) at its final size, so that line widths and letters come out
as stated.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from vaultplan import styles
from vaultplan.outputs.drawn import ink as ink
from vaultplan.outputs.drawn.scene import Places, Scene, Shapes, Window

STREET_FT: Final = 30.0
MOST_ROADS: Final = 2000
INSET_PT: Final = (104.0, 80.0)


def stop_map(
    scene: Scene,
    vault: Point,
    number: int,
    *,
    size: tuple[float, float],
    path: BaseGeometry | None = None,
    inlet_id: str = "",
    second_inlet_id: str = "",
    least_ft: float = 260.0,
) -> str:
    """Return the surroundings of one stop as SVG: streets, vault, inlets, and where water runs.

    Parameters
    ----------
    scene
        What lies behind, from :func:`scene_of`.
    vault
        Centre of the lid, in the CRS of the scene.
    number
        Number printed at the vault.
    size
        Width and height on paper, in points.
    path
        Way of the water from the vault on; arrows show its direction.
    inlet_id, second_inlet_id
        Inlet that the water would enter, and another nearly as close.
    least_ft
        Least ground shown across the shorter side, in feet.
    """
    spots = [(i, scene.inlets[i]) for i in (inlet_id, second_inlet_id) if i in scene.inlets]
    seen = np.vstack([shapely.get_coordinates(p) for p in (vault, *(p for _, p in spots))])
    window = Window.around(seen, size, least=least_ft / scene.feet_per_unit, margin_pt=30.0)
    boxes: list[ink.Box] = []
    parts = ink.ground(scene, window)
    roads, names = scene.roads.within(window)
    street_pt = STREET_FT / scene.feet_per_unit / window.units_per_pt
    parts.append(ink.streets(window, roads, min(max(street_pt, 4.0), 15.0)))
    if path is not None and not path.is_empty:
        parts.append(ink.way(window, path, ink.PATH, 2.4))
        boxes += ink.along(window, path)
    badge_x, badge_y = window.spot(vault)
    boxes.append((badge_x - 10, badge_y - 10, badge_x + 10, badge_y + 10))
    corner = [ink.north(size), ink.scale_bar(window, scene.feet_per_unit, boxes)]
    boxes.append((size[0] - 20, 0, size[0], 28))
    marks = []
    for at, (inlet, point) in enumerate(spots):
        x, y = window.spot(point)
        boxes.append((x - 6, y - 5, x + 6, y + 5))
        marks.append(ink.inlet_mark(x, y, is_second=at > 0))
        marks.append(ink.label_beside(x, y, inlet, size, boxes))
    parts += [*ink.street_names(window, roads, names, boxes, most=4), *marks]
    parts += [ink.badge(badge_x, badge_y, str(number), 8.5), *corner]
    return ink.svg(size, parts)


def day_map(
    scene: Scene,
    stops: Sequence[tuple[str, Point]],
    *,
    size: tuple[float, float],
    route: BaseGeometry | None = None,
    yard: tuple[str, Point] | None = None,
) -> str:
    """Return a truck's day as SVG: streets, waters, the way driven and the stops by number.

    Parameters
    ----------
    scene
        What lies behind, from :func:`scene_of`.
    stops
        Text of each badge and its place, in driving order.
    size
        Width and height on paper, in points.
    route
        The way along the streets; straight dashes join the stops where it is missing.
    yard
        Letter and place of the yard.
    """
    ends = [yard] if yard else []
    places = [point for _, point in (*ends, *stops, *ends)]
    drawn, is_dashed = route, False
    if drawn is None or drawn.is_empty:
        drawn, is_dashed = LineString(places if len(places) > 1 else []), True
    least = 1200.0 / scene.feet_per_unit
    all_seen = np.vstack([_corners(places), shapely.get_coordinates(drawn)])
    whole = Window.around(all_seen, size, least=least)
    close = Window.around(_corners([point for _, point in stops]), size, least=least)
    has_inset = close.units_per_pt < 0.5 * whole.units_per_pt
    window = close if has_inset else whole
    yard_seen = yard if yard and not has_inset else None
    roads, names = _streets_near(scene, window, drawn)
    parts = _town(scene, window, roads, drawn, is_dashed=is_dashed)
    boxes: list[ink.Box] = [(size[0] - 20, 0, size[0], 28)]
    corner = [ink.north(size)]
    if has_inset:
        box = _inset_box(window, [point for _, point in stops], drawn, size)
        boxes.append(box)
        corner.append(_inset(scene, all_seen, window, drawn, yard, box))
    boxes += ink.along(window, drawn)
    corner.append(ink.scale_bar(window, scene.feet_per_unit, boxes))
    marks = ink.badges(window, stops, yard_seen, size, boxes)
    named = ink.street_names(window, roads, names, boxes, most=8)
    return ink.svg(size, [*parts, *named, *marks, *corner])


def _corners(points: Sequence[Point]) -> Places:
    corners: Places = shapely.get_coordinates(np.array(points, dtype=object))
    return corners


def _streets_near(
    scene: Scene, window: Window, drawn: BaseGeometry
) -> tuple[Shapes, npt.NDArray[np.object_]]:
    """Return the streets of a window and their names; of very many those nearest the way."""
    return scene.roads.within(window, near=shapely.get_coordinates(drawn), most=MOST_ROADS)


def _town(
    scene: Scene,
    window: Window,
    roads: Shapes,
    drawn: BaseGeometry,
    *,
    is_dashed: bool,
    width: float = 2.0,
) -> list[str]:
    """Draw waters, streets and the way."""
    street_pt = STREET_FT / scene.feet_per_unit / window.units_per_pt
    return [
        *ink.ground(scene, window),
        ink.streets(window, roads, min(max(street_pt, 0.6), 5.0)),
        ink.way(window, drawn, styles.SEQUENTIAL[4], width, dashed=is_dashed),
    ]


def _inset_box(
    window: Window, stops: Sequence[Point], drawn: BaseGeometry, size: tuple[float, float]
) -> ink.Box:
    """Return the lower corner of the map that hides fewest stops and least of the way."""
    wide, high = INSET_PT
    top = size[1] - high
    corners = [(size[0] - wide, top, size[0], size[1]), (0.0, top, wide, size[1])]
    placed = window.to_paper(_corners(stops))
    track = np.array(ink.along(window, drawn)).reshape(-1, 4)[:, :2]

    def hidden(box: ink.Box) -> tuple[int, int]:
        low, far = np.array(box[:2]) - 10.0, np.array(box[2:]) + 10.0
        inside = [((at >= low) & (at <= far)).all(axis=1).sum() for at in (placed, track)]
        return int(inside[0]), int(inside[1])

    return min(corners, key=hidden)


def _inset(
    scene: Scene,
    seen: Places,
    window: Window,
    drawn: BaseGeometry,
    yard: tuple[str, Point] | None,
    box: ink.Box,
) -> str:
    """Draw the whole way small, with a frame where the large map looks."""
    small = Window.around(seen, INSET_PT, least=1.0, margin_pt=11.0)
    roads, _ = _streets_near(scene, small, drawn)
    parts = _town(scene, small, roads, drawn, is_dashed=False, width=1.2)
    looked = np.array([window.bounds[:2], window.bounds[2:]])
    (x0, y1), (x1, y0) = small.to_paper(looked).tolist()
    frame = f'x="{x0:.1f}" y="{y0:.1f}" width="{x1 - x0:.1f}" height="{y1 - y0:.1f}"'
    parts.append(f'<rect {frame} fill="none" stroke="{ink.INK}" stroke-width="1.3"/>')
    if yard:
        x, y = small.spot(yard[1])
        parts.append(ink.badge(x, y, yard[0], 6.0, is_yard=True))
    return ink.panel(box, parts)
