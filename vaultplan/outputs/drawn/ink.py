"""Strokes, letters and marks of the drawn maps, as SVG text measured in points."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from typing import Final, TypeAlias
from xml.sax.saxutils import escape

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from vaultplan import styles
from vaultplan.outputs.drawn.scene import Scene, Shapes, Window
from vaultplan.outputs.labels import printable

#: Left, top, right, bottom of something on paper that letters must keep off.
Box: TypeAlias = tuple[float, float, float, float]

INK: Final = styles.OUTLINE
BADGE: Final = styles.SEQUENTIAL[5]
PATH: Final = styles.DIVERGING[0]
LABEL_PT: Final = 7.2
LEAST_WITH_ARROWS: Final = 1.5
NICE_FEET: Final = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000, 50000, 100000)
#: Corners nearer than this to the straight line are left out.
_CORNER_PT: Final = 0.2
_FILLS: Final = {"land": "#FAF9F5", "park": "#E9EDE3", "building": "#E6E3DC", "water": "#D6E4EE"}


def svg(size: tuple[float, float], parts: Sequence[str]) -> str:
    """Return the drawing as an SVG document that hides what lies beyond its edge."""
    width, height = size
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width:g}pt" height="{height:g}pt" '
        f'viewBox="0 0 {width:g} {height:g}" font-family="DejaVu Sans" font-size="{LABEL_PT}">'
    )
    clip = f'<clipPath id="p"><rect width="{width:g}" height="{height:g}"/></clipPath>'
    return f'{head}{clip}<g clip-path="url(#p)">{"".join(p for p in parts if p)}</g></svg>'


def panel(box: Box, parts: Sequence[str]) -> str:
    """Return a small drawing set into a map at ``box``."""
    left, top, right, bottom = box
    wide, high = right - left, bottom - top
    edge = f'<rect width="{wide:g}" height="{high:g}"'
    return (
        f'<g transform="translate({left:g} {top:g})"><clipPath id="q">{edge}/></clipPath>'
        f'<g clip-path="url(#q)">{"".join(parts)}</g>'
        f'{edge} fill="none" stroke="{INK}" stroke-width="1"/></g>'
    )


def ground(scene: Scene, window: Window) -> list[str]:
    """Return land, parks and waters of the window."""
    parts = [f'<rect width="{window.width:g}" height="{window.height:g}" fill="#FCFBF8"/>']
    shapes, kinds = scene.backdrop.within(window)
    for kind in ("land", "water", "park", "building"):
        parts.append(painted_areas(window, shapes[kinds == kind], _FILLS[kind]))
    waters, _ = scene.waters.within(window)
    is_area = shapely.get_dimensions(waters) == 2
    parts.append(painted_areas(window, waters[is_area], _FILLS["water"]))
    stroke = f'stroke="{styles.DIVERGING[2]}"'
    parts.append(painted_lines(window, waters[~is_area], (stroke, 2.6)))
    return parts


def _d(window: Window, lines: Shapes, *, closed: bool) -> str:
    """Return lines as one path, without corners that nobody would see on paper."""
    lines = shapely.simplify(lines, _CORNER_PT * window.units_per_pt, preserve_topology=False)
    corners, line = shapely.get_coordinates(lines, return_index=True)
    placed = window.to_paper(corners).round(1)
    is_first = np.diff(line, prepend=-1) != 0
    moved = np.append(True, (np.diff(placed, axis=0) != 0).any(axis=1))[: len(placed)]
    kept = is_first | moved
    kept &= np.bincount(line[kept], minlength=len(lines))[line] > 1
    text = [f"{x:g} {y:g}" for x, y in placed[kept].tolist()]
    starts = np.flatnonzero(is_first[kept]).tolist()
    end = "Z" if closed else ""
    return "".join(
        f"M{'L'.join(text[first:last])}{end}"
        for first, last in itertools.pairwise([*starts, len(text)])
    )


def painted_areas(window: Window, shapes: Shapes, fill: str) -> str:
    """Return areas, holes left out, in one colour."""
    areas = shapely.get_parts(shapes)
    rings = shapely.get_rings(areas[shapely.get_dimensions(areas) == 2])
    d = _d(window, rings, closed=True)
    return f'<path d="{d}" fill="{fill}" fill-rule="evenodd"/>' if d else ""


def painted_lines(window: Window, shapes: Shapes, *strokes: tuple[str, float]) -> str:
    """Return lines drawn in each stroke in turn: the attributes of its colour, and its width."""
    lines = shapely.get_parts(shapes)
    d = _d(window, lines[shapely.get_dimensions(lines) == 1], closed=False)
    if not d:
        return ""
    joins = 'stroke-linejoin="round" stroke-linecap="round"'
    return "".join(
        f'<path d="{d}" fill="none" {stroke} stroke-width="{width:g}" {joins}/>'
        for stroke, width in strokes
    )


def streets(window: Window, roads: Shapes, width: float) -> str:
    """Return streets as bands with an edge, or as plain lines where they are narrow."""
    if width < 1.2:
        return painted_lines(window, roads, ('stroke="#CFCBC3"', width))
    edge, inside = 'stroke="#BDB9B0"', 'stroke="#FFFFFF"'
    return painted_lines(window, roads, (edge, width + 1.0), (inside, width))


def way(
    window: Window, path: BaseGeometry, colour: str, width: float, *, dashed: bool = False
) -> str:
    """Return a line with a white casing and, unless it is thin, arrows along it."""
    cut = shapely.clip_by_rect(path, *window.bounds)
    parts = [p for p in shapely.get_parts(cut) if p.geom_type == "LineString"]
    shapes = np.array(parts, dtype=object)
    dash = ' stroke-dasharray="4 3"' if dashed else ""
    casing, line = ('stroke="#FFFFFF"', width + 1.8), (f'stroke="{colour}"{dash}', width)
    is_broad = width >= LEAST_WITH_ARROWS
    return painted_lines(window, shapes, casing, line) + (
        arrows(window, path, colour) if is_broad else ""
    )


def arrows(window: Window, path: BaseGeometry, colour: str) -> str:
    """Return arrows along a line, which show its direction."""
    cut = shapely.clip_by_rect(path, *window.bounds)
    parts = [p for p in shapely.get_parts(cut) if p.geom_type == "LineString"]
    return "".join(_along_line(window, part, colour) for part in parts)


def _along_line(window: Window, line: LineString, colour: str, every_pt: float = 52.0) -> str:
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


def along(window: Window, path: BaseGeometry) -> list[Box]:
    """Return small boxes along a line, so that letters keep off it."""
    cut = shapely.clip_by_rect(path, *window.bounds)
    boxes = []
    for line in shapely.get_parts(cut):
        steps = np.arange(0.0, line.length, 9.0 * window.units_per_pt)
        placed = window.to_paper(
            shapely.get_coordinates(shapely.line_interpolate_point(line, steps))
        )
        boxes += [(x - 2.5, y - 2.5, x + 2.5, y + 2.5) for x, y in placed.tolist()]
    return boxes


def letters(
    x: float, y: float, words: str, *, size: float = LABEL_PT, anchor: str = "middle",
    turn: float = 0.0, fill: str = INK, bold: bool = False, halo: bool = True,
) -> str:  # fmt: skip
    """Return words at a place, with a white edge unless ``halo`` is off."""
    weight = ' font-weight="700"' if bold else ""
    around = ' stroke="#FFFFFF" stroke-width="2.2" stroke-linejoin="round"' if halo else ""
    place = f'transform="translate({x:.1f} {y:.1f})' + (f' rotate({turn:.0f})"' if turn else '"')
    body = f'font-size="{size:g}" text-anchor="{anchor}"{weight}>{escape(words)}</text>'
    glyphs = f'<text {place} fill="{fill}" {body}'
    return f'<text {place} fill="#FFFFFF"{around} {body}{glyphs}' if halo else glyphs


def badge(x: float, y: float, words: str, half: float, *, is_yard: bool = False) -> str:
    """Return words on a dark tile; the yard has a light one."""
    fill, ink = ("#FFFFFF", BADGE) if is_yard else (BADGE, "#FFFFFF")
    wide = max(half, 3.1 * len(words) + 2.4)
    box = (
        f'<rect x="{x - wide:.1f}" y="{y - half:.1f}" width="{2 * wide:.1f}" '
        f'height="{2 * half:.1f}" rx="2.4" fill="{fill}" stroke="{BADGE if is_yard else "#FFFFFF"}"'
        f' stroke-width="1.2"/>'
    )
    size = min(half * 1.35, 10.0)
    return box + letters(x, y + size * 0.36, words, size=size, fill=ink, bold=True, halo=False)


def badges(
    window: Window,
    stops: Sequence[tuple[str, Point]],
    yard: tuple[str, Point] | None,
    size: tuple[float, float],
    boxes: list[Box],
) -> list[str]:
    """Return badges moved apart until none covers another, each tied to its true place."""
    half = 7.0 if len(stops) <= 25 else 5.6
    named = [*stops, *([yard] if yard else [])]
    true = np.array([window.spot(point) for _, point in named])
    wide = np.array([max(half, 3.1 * len(text) + 2.4) for text, _ in named])
    moved = spread_out(true, wide + 0.8, half + 0.8, size)
    marks = []
    for (x0, y0), (x1, y1) in zip(true.tolist(), moved.tolist(), strict=True):
        if math.hypot(x1 - x0, y1 - y0) > half:
            ends = f'x1="{x0:.1f}" y1="{y0:.1f}" x2="{x1:.1f}" y2="{y1:.1f}"'
            marks.append(f'<line {ends} stroke="{BADGE}" stroke-width="0.7"/>')
        marks.append(f'<circle cx="{x0:.1f}" cy="{y0:.1f}" r="1.6" fill="{BADGE}"/>')
    for at, ((x, y), (text, _)) in enumerate(zip(moved.tolist(), named, strict=True)):
        boxes.append((x - wide[at], y - half, x + wide[at], y + half))
        marks.append(badge(x, y, text, half, is_yard=bool(yard) and at == len(stops)))
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


def inlet_mark(x: float, y: float, *, is_second: bool) -> str:
    """Return the mark of a street inlet."""
    dash = ' stroke-dasharray="1.6 1.2"' if is_second else ""
    bars = "".join(f"M{x + dx:.1f} {y - 2:.1f}v4" for dx in (-2.4, 0, 2.4))
    return (
        f'<rect x="{x - 5:.1f}" y="{y - 4:.1f}" width="10" height="8" fill="#FFFFFF" '
        f'stroke="{PATH}" stroke-width="1.3"{dash}/>'
        f'<path d="{bars}" stroke="{PATH}" stroke-width="1" fill="none"/>'
    )


def has_room(box: Box, boxes: Sequence[Box]) -> bool:
    """Return whether a box covers none of the boxes."""
    return all(box[2] < b[0] or box[0] > b[2] or box[3] < b[1] or box[1] > b[3] for b in boxes)


def label_beside(
    x: float,
    y: float,
    words: str,
    size: tuple[float, float],
    boxes: list[Box],
) -> str:
    """Return a label on the first free side of a mark; none where there is no room."""
    words = printable(words, 18, may_break=False)
    wide = 0.62 * LABEL_PT * len(words)
    choices = [
        (x + 8, y + 2.6, "start", (x + 7, y - 4, x + 8 + wide, y + 4)),
        (x - 8, y + 2.6, "end", (x - 8 - wide, y - 4, x - 7, y + 4)),
        (x, y + 13, "middle", (x - wide / 2, y + 7, x + wide / 2, y + 14)),
        (x, y - 8, "middle", (x - wide / 2, y - 14, x + wide / 2, y - 7)),
    ]
    for up in (-9.0, 9.0):
        for side, anchor in ((1, "start"), (-1, "end")):
            left = x + 6 if side > 0 else x - 6 - wide
            box = (left, y + up - 4, left + wide, y + up + 4)
            choices.append((x + 6 * side, y + up + 2.6, anchor, box))
    inside = [c for c in choices if c[3][0] > 0 and c[3][2] < size[0] and 0 < c[3][1] < size[1]]
    chosen = next((c for c in inside if has_room(c[3], boxes)), None)
    if chosen is None:
        return ""
    boxes.append(chosen[3])
    return letters(chosen[0], chosen[1], words, anchor=chosen[2], fill=PATH, bold=True)


def street_names(
    window: Window,
    roads: Shapes,
    names: npt.NDArray[np.object_],
    boxes: list[Box],
    most: int,
) -> list[str]:
    """Return street names, each once, on its longest straight piece and clear of all else."""
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
            if inside and has_room(box, boxes):
                boxes.append(box)
                done.add(words)
                lift = 2.4
                tilt = math.radians(turn)
                dx, dy = -lift * math.sin(tilt), lift * math.cos(tilt)
                marks.append(letters(x + dx, y + dy, words, turn=turn, fill="#55524C"))
                break
    return marks


def north(size: tuple[float, float]) -> str:
    """Return an arrow that points north."""
    x = size[0] - 10
    arrow = f'<path d="M{x:g} 4l4 9.5l-4 -2.6l-4 2.6Z" fill="{INK}"/>'
    return arrow + letters(x, 21.5, "N", bold=True)


def scale_bar(window: Window, feet: float, boxes: list[Box]) -> str:
    """Return a bar of a round number of feet, in a corner that nothing crosses."""
    most = window.width * 0.3 * window.units_per_pt * feet
    length = max((n for n in NICE_FEET if n <= most), default=NICE_FEET[0])
    wide = length / feet / window.units_per_pt
    y = window.height - 7.0
    corners = [(x - 7, y - 12, x + wide + 7, y + 7) for x in (7.0, window.width - wide - 7.0)]
    box = next((corner for corner in corners if has_room(corner, boxes)), corners[0])
    boxes.append(box)
    x = box[0] + 7
    bar = f'<path d="M{x:g} {y - 3:g}v3h{wide:.1f}v-3" fill="none" '
    halo = bar + 'stroke="#FFFFFF" stroke-width="3"/>'
    words = letters(x + wide / 2, y - 3.2, f"{length:,} ft")
    return f'{halo}{bar}stroke="{INK}" stroke-width="1.1"/>{words}'
