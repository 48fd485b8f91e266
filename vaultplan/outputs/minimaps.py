"""Small maps drawn as SVG text: the surroundings of one stop, and a truck's whole day.

Everything is drawn in points (1/72 in) at its final size, so that line widths and letters come out
as stated. Roads, waters and backdrop are indexed once for all maps of a week.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Final
from xml.sax.saxutils import escape

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from vaultplan import styles
from vaultplan.geometry import feet_per_unit
from vaultplan.outputs.sheets_labels import printable

INK: Final = styles.OUTLINE
BADGE: Final = styles.SEQUENTIAL[5]
PATH: Final = styles.DIVERGING[0]
LABEL_PT: Final = 7.2
STREET_FT: Final = 30.0
MOST_ROADS: Final = 4000
NICE_FEET: Final = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000, 100000)
_FILLS: Final = {"land": "#FAF9F5", "park": "#E9EDE3", "building": "#E6E3DC", "water": "#D6E4EE"}

Shapes = npt.NDArray[np.object_]
Box = tuple[float, float, float, float]


@dataclass(frozen=True)
class Layer:
    """Shapes of one layer with their names, indexed for look-ups by window."""

    shapes: Shapes
    names: npt.NDArray[np.object_]
    tree: shapely.STRtree = field(repr=False)

    @classmethod
    def of(cls, frame: gpd.GeoDataFrame, name: str = "name") -> Layer:
        """Return the layer of a frame; rows without a shape are left out."""
        held = frame[frame.geometry.notna() & ~frame.geometry.is_empty]
        shapes = np.asarray(held.geometry.array, dtype=object)
        has_names = name in held.columns
        names = held[name].fillna("").to_numpy(object) if has_names else np.full(len(held), "")
        return cls(shapes, names, shapely.STRtree(shapes))

    def within(self, window: Window) -> tuple[Shapes, npt.NDArray[np.object_]]:
        """Return shapes and names that touch the window, cut at its edges, in table order."""
        box = shapely.box(*window.bounds)
        hits = np.sort(self.tree.query(box))
        if not len(hits):
            return np.empty(0, dtype=object), np.empty(0, dtype=object)
        cut = shapely.clip_by_rect(self.shapes[hits], *window.bounds)
        kept = ~shapely.is_empty(cut)
        return cut[kept], self.names[hits][kept]


@dataclass(frozen=True)
class Scene:
    """What lies behind every map of a week: streets, waters, land, and inlets by id."""

    roads: Layer
    waters: Layer
    backdrop: Layer
    inlets: dict[str, Point]
    feet_per_unit: float


@dataclass(frozen=True)
class Window:
    """A rectangle of the town and the piece of paper it is drawn on, in points."""

    bounds: tuple[float, float, float, float]
    width: float
    height: float

    @classmethod
    def around(
        cls,
        points: npt.NDArray[np.float64],
        size: tuple[float, float],
        *,
        least: float,
        margin_pt: float = 22.0,
    ) -> Window:
        """Return the window that shows all points, at least ``least`` map units across."""
        low, high = points.min(axis=0), points.max(axis=0)
        middle, extent = (low + high) / 2, np.maximum(high - low, 1e-9)
        inner = np.array(size) - 2 * margin_pt
        per_pt = max(float((extent / inner).max()), least / min(size))
        half = np.array(size) * per_pt / 2
        bounds = (*(middle - half).tolist(), *(middle + half).tolist())
        return cls((bounds[0], bounds[1], bounds[2], bounds[3]), *size)

    @property
    def units_per_pt(self) -> float:
        """Map units that one point of paper stands for."""
        return (self.bounds[2] - self.bounds[0]) / self.width

    def to_paper(self, coordinates: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Return map coordinates as points from the upper left corner."""
        corner = np.array([self.bounds[0], self.bounds[3]])
        placed: npt.NDArray[np.float64] = (coordinates - corner) / self.units_per_pt
        placed[:, 1] *= -1.0
        return placed

    def spot(self, point: BaseGeometry) -> tuple[float, float]:
        """Return one point on paper."""
        x, y = self.to_paper(shapely.get_coordinates(point))[0]
        return float(x), float(y)


def scene_of(frames: dict[str, Any]) -> Scene:
    """Return the scene of a week.

    Parameters
    ----------
    frames
        Tables ``roads``, ``receiving_waters``, ``backdrop``, ``inlets`` and ``vaults`` in one
        projected CRS; the first four may be empty.
    """
    inlets = frames["inlets"]
    return Scene(
        roads=Layer.of(frames["roads"]),
        waters=Layer.of(frames["receiving_waters"]),
        backdrop=Layer.of(frames["backdrop"], "kind"),
        inlets=dict(zip(inlets["inlet_id"], inlets.geometry, strict=True)),
        feet_per_unit=feet_per_unit(frames["vaults"]),
    )


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
    boxes: list[Box] = []
    parts = _ground(scene, window)
    roads, names = scene.roads.within(window)
    street_pt = STREET_FT / scene.feet_per_unit / window.units_per_pt
    parts.append(_streets(window, roads, min(max(street_pt, 4.0), 15.0)))
    if path is not None and not path.is_empty:
        parts.append(_way(window, path, PATH, 2.4))
        boxes += _along(window, path)
    badge_x, badge_y = window.spot(vault)
    boxes.append((badge_x - 10, badge_y - 10, badge_x + 10, badge_y + 10))
    corner = [_north(size), _scale_bar(window, scene.feet_per_unit, boxes)]
    boxes.append((size[0] - 20, 0, size[0], 28))
    marks = []
    for at, (inlet, point) in enumerate(spots):
        x, y = window.spot(point)
        boxes.append((x - 6, y - 5, x + 6, y + 5))
        marks.append(_inlet(x, y, is_second=at > 0))
        marks.append(_beside(x, y, inlet, size, boxes))
    parts += [*_street_names(window, roads, names, boxes, most=4), *marks]
    parts += [_badge(badge_x, badge_y, str(number), 8.5), *corner]
    return _svg(size, parts)


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
    places = [*stops, *([yard] if yard else [])]
    seen = np.vstack([shapely.get_coordinates(point) for _, point in places])
    has_route = route is not None and not route.is_empty
    if route is not None and has_route:
        seen = np.vstack([seen, shapely.get_coordinates(route)])
    window = Window.around(seen, size, least=1200.0 / scene.feet_per_unit)
    ends = [point for _, point in ([yard] if yard else [])]
    between = [*ends, *(point for _, point in stops), *ends]
    straight = LineString(between if len(between) > 1 else [])
    drawn = route if route is not None and has_route else straight
    roads, names = scene.roads.within(window)
    if len(roads) > MOST_ROADS:
        near = np.argsort(shapely.distance(roads, drawn), kind="stable")[:MOST_ROADS]
        roads, names = roads[near], names[near]
    parts = _ground(scene, window)
    parts.append(_streets(window, roads, 1.6 if len(roads) < 1500 else 0.8))
    parts.append(_way(window, drawn, styles.SEQUENTIAL[4], 2.0, dashed=not has_route))
    boxes = [(size[0] - 20, 0, size[0], 28), *_along(window, drawn)]
    corner = [_north(size), _scale_bar(window, scene.feet_per_unit, boxes)]
    marks = _badges(window, stops, yard, size, boxes)
    parts += [*_street_names(window, roads, names, boxes, most=8), *marks, *corner]
    return _svg(size, parts)


def _svg(size: tuple[float, float], parts: Sequence[str]) -> str:
    width, height = size
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}pt" height="{height:g}pt" '
        f'viewBox="0 0 {width:g} {height:g}" font-family="DejaVu Sans" font-size="{LABEL_PT}">'
    )
    clip = f'<clipPath id="p"><rect width="{width:g}" height="{height:g}"/></clipPath>'
    return f'{head}{clip}<g clip-path="url(#p)">{"".join(p for p in parts if p)}</g></svg>'


def _ground(scene: Scene, window: Window) -> list[str]:
    parts = [f'<rect width="{window.width:g}" height="{window.height:g}" fill="#FCFBF8"/>']
    shapes, kinds = scene.backdrop.within(window)
    for kind in ("land", "water", "park", "building"):
        parts.append(_areas(window, shapes[kinds == kind], _FILLS[kind]))
    waters, _ = scene.waters.within(window)
    is_area = shapely.get_dimensions(waters) == 2
    parts.append(_areas(window, waters[is_area], _FILLS["water"]))
    parts.append(_lines(window, waters[~is_area], f'stroke="{styles.DIVERGING[2]}"', 2.6))
    return parts


def _d(window: Window, shape: BaseGeometry, *, closed: bool) -> str:
    placed = window.to_paper(shapely.get_coordinates(shape)).round(1)
    pairs = [f"{x:g} {y:g}" for x, y in placed.tolist()]
    kept = [pair for at, pair in enumerate(pairs) if at == 0 or pair != pairs[at - 1]]
    return f"M{'L'.join(kept)}{'Z' if closed else ''}" if len(kept) > 1 else ""


def _areas(window: Window, shapes: Shapes, fill: str) -> str:
    areas = shapely.get_parts(shapes)
    rings = shapely.get_rings(areas[shapely.get_dimensions(areas) == 2])
    d = "".join(_d(window, ring, closed=True) for ring in rings)
    return f'<path d="{d}" fill="{fill}" fill-rule="evenodd"/>' if d else ""


def _lines(window: Window, shapes: Shapes, stroke: str, width: float) -> str:
    lines = shapely.get_parts(shapes)
    lines = lines[shapely.get_dimensions(lines) == 1]
    d = "".join(_d(window, line, closed=False) for line in lines)
    if not d:
        return ""
    joins = 'stroke-linejoin="round" stroke-linecap="round"'
    return f'<path d="{d}" fill="none" {stroke} stroke-width="{width:g}" {joins}/>'


def _streets(window: Window, roads: Shapes, width: float) -> str:
    edge = _lines(window, roads, 'stroke="#BDB9B0"', width + 1.0)
    if width < 1.2:
        return edge
    return edge + _lines(window, roads, 'stroke="#FFFFFF"', width)


def _way(
    window: Window, path: BaseGeometry, colour: str, width: float, *, dashed: bool = False
) -> str:
    cut = shapely.clip_by_rect(path, *window.bounds)
    parts = [p for p in shapely.get_parts(cut) if p.geom_type == "LineString"]
    shapes = np.array(parts, dtype=object)
    dash = ' stroke-dasharray="4 3"' if dashed else ""
    casing = _lines(window, shapes, 'stroke="#FFFFFF"', width + 1.8)
    line = _lines(window, shapes, f'stroke="{colour}"{dash}', width)
    arrows = "".join(_arrows(window, part, colour) for part in parts)
    return casing + line + arrows


def _arrows(window: Window, line: LineString, colour: str, every_pt: float = 52.0) -> str:
    length = line.length / window.units_per_pt
    if length < 14:
        return ""
    count = max(1, int(length // every_pt))
    middles = (np.arange(count) + 0.5) * line.length / count
    step = 3.0 * window.units_per_pt
    ahead = window.to_paper(shapely.get_coordinates(line.interpolate(middles + step)))
    behind = window.to_paper(shapely.get_coordinates(line.interpolate(middles - step)))
    marks = []
    for (x0, y0), (x1, y1) in zip(behind.tolist(), ahead.tolist(), strict=True):
        turn = math.degrees(math.atan2(y1 - y0, x1 - x0))
        place = f"translate({(x0 + x1) / 2:.1f} {(y0 + y1) / 2:.1f}) rotate({turn:.0f})"
        marks.append(
            f'<path transform="{place}" d="M-3.8 -4.4L5.4 0L-3.8 4.4L-1.6 0Z" fill="{colour}" '
            'stroke="#FFFFFF" stroke-width="0.9"/>'
        )
    return "".join(marks)


def _along(window: Window, path: BaseGeometry) -> list[Box]:
    """Small boxes along a line, so that letters keep off it."""
    cut = shapely.clip_by_rect(path, *window.bounds)
    boxes = []
    for line in shapely.get_parts(cut):
        steps = np.arange(0.0, line.length, 9.0 * window.units_per_pt)
        placed = window.to_paper(
            shapely.get_coordinates(shapely.line_interpolate_point(line, steps))
        )
        boxes += [(x - 2.5, y - 2.5, x + 2.5, y + 2.5) for x, y in placed.tolist()]
    return boxes


def _text(
    x: float, y: float, words: str, *, size: float = LABEL_PT, anchor: str = "middle",
    turn: float = 0.0, fill: str = INK, bold: bool = False, halo: bool = True,
) -> str:  # fmt: skip
    weight = ' font-weight="700"' if bold else ""
    around = ' stroke="#FFFFFF" stroke-width="2.2" stroke-linejoin="round"' if halo else ""
    place = f'transform="translate({x:.1f} {y:.1f})' + (f' rotate({turn:.0f})"' if turn else '"')
    body = f'font-size="{size:g}" text-anchor="{anchor}"{weight}>{escape(words)}</text>'
    glyphs = f'<text {place} fill="{fill}" {body}'
    return f'<text {place} fill="#FFFFFF"{around} {body}{glyphs}' if halo else glyphs


def _badge(x: float, y: float, words: str, half: float, *, is_yard: bool = False) -> str:
    fill, ink = ("#FFFFFF", BADGE) if is_yard else (BADGE, "#FFFFFF")
    wide = max(half, 2.6 * len(words) + 2.4)
    box = (
        f'<rect x="{x - wide:.1f}" y="{y - half:.1f}" width="{2 * wide:.1f}" '
        f'height="{2 * half:.1f}" rx="2.4" fill="{fill}" stroke="{BADGE if is_yard else "#FFFFFF"}"'
        f' stroke-width="1.2"/>'
    )
    size = min(half * 1.35, 10.0)
    return box + _text(x, y + size * 0.36, words, size=size, fill=ink, bold=True, halo=False)


def _badges(
    window: Window,
    stops: Sequence[tuple[str, Point]],
    yard: tuple[str, Point] | None,
    size: tuple[float, float],
    boxes: list[Box],
) -> list[str]:
    """Badges moved apart until none covers another, each tied to its true place."""
    half = 7.0 if len(stops) <= 25 else 5.6
    named = [*stops, *([yard] if yard else [])]
    true = np.array([window.spot(point) for _, point in named])
    wide = np.array([max(half, 2.6 * len(text) + 2.4) for text, _ in named])
    moved = spread_out(true, wide + 0.8, half + 0.8, size)
    marks = []
    for (x0, y0), (x1, y1) in zip(true.tolist(), moved.tolist(), strict=True):
        if math.hypot(x1 - x0, y1 - y0) > half:
            ends = f'x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"'
            marks.append(f'<line {ends} stroke="{BADGE}" stroke-width="0.7"/>')
        marks.append(f'<circle cx="{x0:.1f}" cy="{y0:.1f}" r="1.6" fill="{BADGE}"/>')
    for at, ((x, y), (text, _)) in enumerate(zip(moved.tolist(), named, strict=True)):
        boxes.append((x - wide[at], y - half, x + wide[at], y + half))
        marks.append(_badge(x, y, text, half, is_yard=bool(yard) and at == len(stops)))
    return marks


def spread_out(
    places: npt.NDArray[np.float64],
    half_width: npt.NDArray[np.float64],
    half_height: float,
    size: tuple[float, float],
) -> npt.NDArray[np.float64]:
    """Return a place for each box, on paper, near its wish and clear of the boxes before it.

    A box that finds no free place within reach stays at its wish.

    Parameters
    ----------
    places
        Wished centres in points, a row each.
    half_width, half_height
        Half the width of each box and half the height of all, in points.
    size
        Width and height of the paper.
    """
    angles = np.arange(16) * np.pi / 8
    rings = np.arange(1, 41)[:, None] * 4.0
    reach = np.dstack([rings * np.cos(angles), rings * np.sin(angles)]).reshape(-1, 2)
    offsets = np.vstack([np.zeros((1, 2)), reach])
    moved = np.empty_like(places)
    for at, (place, half) in enumerate(zip(places, half_width, strict=True)):
        edge = np.array([half, half_height])
        choices = np.clip(place + offsets, edge, np.array(size) - edge)
        room = np.column_stack([half_width[:at] + half, np.full(at, 2 * half_height)])
        apart = np.abs(choices[:, None, :] - moved[None, :at, :])
        is_free = (apart >= room - 1e-6).any(axis=2).all(axis=1)
        moved[at] = choices[np.argmax(is_free)]
    return moved


def _inlet(x: float, y: float, *, is_second: bool) -> str:
    dash = ' stroke-dasharray="1.6 1.2"' if is_second else ""
    bars = "".join(f"M{x + dx:.1f} {y - 2:.1f}v4" for dx in (-2.4, 0, 2.4))
    return (
        f'<rect x="{x - 5:.1f}" y="{y - 4:.1f}" width="10" height="8" fill="#FFFFFF" '
        f'stroke="{PATH}" stroke-width="1.3"{dash}/>'
        f'<path d="{bars}" stroke="{PATH}" stroke-width="1" fill="none"/>'
    )


def _free(box: Box, boxes: Sequence[Box]) -> bool:
    return all(box[2] < b[0] or box[0] > b[2] or box[3] < b[1] or box[1] > b[3] for b in boxes)


def _beside(
    x: float,
    y: float,
    words: str,
    size: tuple[float, float],
    boxes: list[Box],
) -> str:
    """Return a label on the first free side of a mark, right, left, below, above."""
    words = printable(words, 18, may_break=False)
    wide = 0.62 * LABEL_PT * len(words)
    choices = [
        (x + 8, y + 2.6, "start", (x + 7, y - 4, x + 8 + wide, y + 4)),
        (x - 8, y + 2.6, "end", (x - 8 - wide, y - 4, x - 7, y + 4)),
        (x, y + 13, "middle", (x - wide / 2, y + 7, x + wide / 2, y + 14)),
        (x, y - 8, "middle", (x - wide / 2, y - 14, x + wide / 2, y - 7)),
    ]
    inside = [c for c in choices if c[3][0] > 0 and c[3][2] < size[0] and 0 < c[3][1] < size[1]]
    chosen = next((c for c in inside if _free(c[3], boxes)), (inside or choices)[0])
    boxes.append(chosen[3])
    return _text(chosen[0], chosen[1], words, anchor=chosen[2], fill=PATH, bold=True)


def _street_names(
    window: Window,
    roads: Shapes,
    names: npt.NDArray[np.object_],
    boxes: list[Box],
    most: int,
) -> list[str]:
    """Each street is named once, on its longest straight piece, where nothing else stands."""
    lengths = shapely.length(roads)
    marks: list[str] = []
    done: set[str] = set()
    for at in np.argsort(-lengths, kind="stable").tolist():
        words = printable(names[at], 28, may_break=False)
        if len(marks) >= most or lengths[at] < 30 * window.units_per_pt:
            break
        if not words or words in done:
            continue
        lines = [p for p in shapely.get_parts(roads[at]) if p.geom_type == "LineString"]
        if not lines:
            continue
        placed = window.to_paper(shapely.get_coordinates(max(lines, key=lambda p: p.length)))
        steps = np.hypot(*np.diff(placed, axis=0).T)
        longest = int(np.argmax(steps))
        (x0, y0), (x1, y1) = placed[longest].tolist(), placed[longest + 1].tolist()
        turn = math.degrees(math.atan2(y1 - y0, x1 - x0))
        turn = turn - 180 if turn > 90 else turn + 180 if turn <= -90 else turn
        reach = 0.31 * LABEL_PT * len(words)
        if steps[longest] < 1.6 * reach:
            continue
        across, up = (
            reach * abs(math.cos(math.radians(turn))),
            reach * abs(math.sin(math.radians(turn))),
        )
        for share in (0.5, 0.3, 0.7, 0.18, 0.82):
            x, y = x0 + share * (x1 - x0), y0 + share * (y1 - y0)
            box = (x - across - 3, y - up - 4, x + across + 3, y + up + 4)
            inside = box[0] > 0 and box[1] > 0 and box[2] < window.width and box[3] < window.height
            if inside and _free(box, boxes):
                boxes.append(box)
                done.add(words)
                lift = 2.4
                tilt = math.radians(turn)
                dx, dy = -lift * math.sin(tilt), lift * math.cos(tilt)
                marks.append(_text(x + dx, y + dy, words, turn=turn, fill="#55524C"))
                break
    return marks


def _north(size: tuple[float, float]) -> str:
    x = size[0] - 10
    arrow = f'<path d="M{x:g} 4l4 9.5l-4 -2.6l-4 2.6Z" fill="{INK}"/>'
    return arrow + _text(x, 21.5, "N", bold=True)


def _scale_bar(window: Window, feet: float, boxes: list[Box]) -> str:
    most = window.width * 0.3 * window.units_per_pt * feet
    length = max((n for n in NICE_FEET if n <= most), default=NICE_FEET[0])
    wide = length / feet / window.units_per_pt
    y = window.height - 7.0
    corners = [(x - 7, y - 12, x + wide + 7, y + 7) for x in (7.0, window.width - wide - 7.0)]
    box = next((corner for corner in corners if _free(corner, boxes)), corners[0])
    boxes.append(box)
    x = box[0] + 7
    bar = f'<path d="M{x:g} {y - 3:g}v3h{wide:.1f}v-3" fill="none" '
    halo = bar + 'stroke="#FFFFFF" stroke-width="3"/>'
    words = _text(x + wide / 2, y - 3.2, f"{length:,} ft")
    return f'{halo}{bar}stroke="{INK}" stroke-width="1.1"/>{words}'
