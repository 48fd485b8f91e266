"""A drawn map for each watched water: its outfalls, and the planned discharges on their way."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd
import shapely
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from vaultplan import styles
from vaultplan.outputs.drawn import ink as ink
from vaultplan.outputs.drawn.scene import Scene, Window
from vaultplan.outputs.labels import printable
from vaultplan.outputs.plan_view import likeliest_grade

#: Sizes in points as drawn. Pages show them about 1.7 times as large, so that the smallest letters
#: stand at 12 pixels or more; the narrow one is for phones.
WIDE: Final = (420.0, 300.0)
NARROW: Final = (172.0, 190.0)
MOST_ROADS: Final = 4000
_STREET_FT: Final = 30.0
_LEAST_FT: Final = 900.0
_WATER: Final = styles.DIVERGING[1]
_WATER_EDGE: Final = styles.DIVERGING[0]
_FONTS: Final = 'font-family="DejaVu Sans, Verdana, Arial, sans-serif"'


def water_map(
    scene: Scene,
    water: BaseGeometry | None,
    name: str,
    discharges: gpd.GeoDataFrame,
    outfalls: dict[str, Point],
    vaults: dict[str, Point],
    size: tuple[float, float],
) -> str:
    """Return the map of one water as SVG; "" where there is nothing to draw.

    Parameters
    ----------
    scene
        What lies behind, from :func:`vaultplan.outputs.drawn.scene.scene_of`.
    water
        Line or area of the water; None where its place is not known.
    name
        What is written on it.
    discharges
        vault_id, outfall_id, other_outfalls, the chances of each grade, and the path as geometry.
    outfalls, vaults
        Places by id.
    size
        ``WIDE`` or ``NARROW``.
    """
    paths = [p for p in discharges.geometry if p is not None and not p.is_empty]
    reached = _reached(discharges, outfalls)
    spots = {v: vaults[v] for v in discharges["vault_id"] if v in vaults}
    seen = [
        shapely.get_coordinates(shape) for shape in (*paths, *reached.values(), *spots.values())
    ]
    if not seen and water is not None and not water.is_empty:
        seen = [shapely.get_coordinates(water)]
    if not seen:
        return ""
    least = _LEAST_FT / scene.feet_per_unit
    window = Window.around(np.vstack(seen), size, least=least, margin_pt=24.0)
    parts = [*ink.ground(scene, window), _watched(window, water), _streets(scene, window)]
    boxes: list[ink.Box] = [(size[0] - 20, 0, size[0], 28)]
    # Lines first, then arrows: paths share their lower ends, and none may cover another's arrows.
    parts += [ink.way(window, path, ink.PATH, 1.4) for path in paths]
    parts += [ink.arrows(window, path, ink.PATH) for path in paths]
    parts += _other_ways(window, discharges, spots, reached)
    ends = [(*window.spot(place), outfall_id) for outfall_id, place in reached.items()]
    marks = [outfall_mark(x, y) for x, y, _ in ends]
    boxes += [(x - 6, y - 6, x + 6, y + 6) for x, y, _ in ends]
    corner = [ink.north(size), ink.scale_bar(window, scene.feet_per_unit, boxes)]
    placed = _vaults(window, discharges, spots)
    glyphs = [(x - 4, y - 4, x + 4, y + 4) for x, y, _, _ in placed]
    half = 3.6 if size == WIDE else 2.8
    drawn = [glyph(grade, x, y, half) for x, y, grade, _ in placed]
    words = [_beside(x, y, outfall_id, size, boxes, glyphs) for x, y, outfall_id in ends]
    boxes += glyphs
    words.append(_water_name(window, water, name, boxes))
    words += [_beside(x, y, vault_id, size, boxes) for x, y, _, vault_id in placed]
    text = ink.svg(size, [*parts, *drawn, *marks, *words, *corner])
    return text.replace('font-family="DejaVu Sans"', _FONTS, 1)


def glyph(grade: str, x: float, y: float, half: float) -> str:
    """Return the mark of a grade, drawn around a place."""
    known = grade if grade in styles.GRADE_GLYPHS else "unknown"
    look = f'fill="{styles.GRADE_COLOURS[known]}" stroke="{styles.OUTLINE}" stroke-width="1"'
    shape = styles.GRADE_GLYPHS[known]
    if shape == "circle":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="{half:.1f}" {look}/>'
    corners = {
        "square": [(-0.9, -0.9), (0.9, -0.9), (0.9, 0.9), (-0.9, 0.9)],
        "triangle": [(0, -1.1), (1.1, 0.9), (-1.1, 0.9)],
        "diamond": [(0, -1.2), (1.2, 0), (0, 1.2), (-1.2, 0)],
    }[shape]
    d = "L".join(f"{x + dx * half:.1f} {y + dy * half:.1f}" for dx, dy in corners)
    return f'<path d="M{d}Z" {look}/>'


def outfall_mark(x: float, y: float) -> str:
    """Return the mark of an outfall: a triangle that points down, with a white edge."""
    d = f"M{x - 6:.1f} {y - 4.5:.1f}h12L{x:.1f} {y + 6:.1f}Z"
    return f'<path d="{d}" fill="{ink.PATH}" stroke="#FFFFFF" stroke-width="1.4"/>'


def _reached(discharges: pd.DataFrame, outfalls: dict[str, Point]) -> dict[str, Point]:
    """Return the outfalls of the discharges by id, those of their other ways too."""
    ids = set(discharges["outfall_id"].dropna())
    ids.update(";".join(discharges["other_outfalls"].dropna()).split(";"))
    return {key: outfalls[key] for key in sorted(ids) if key in outfalls}


def _watched(window: Window, water: BaseGeometry | None) -> str:
    """Return the watched water, stronger than the waters around it."""
    if water is None or water.is_empty:
        return ""
    shapes = np.array([shapely.clip_by_rect(water, *window.bounds)], dtype=object)
    parts = shapely.get_parts(shapes)
    is_area = shapely.get_dimensions(parts) == 2
    edges = shapely.boundary(parts[is_area])
    return (
        ink.painted_areas(window, parts[is_area], styles.DIVERGING[2])
        + ink.painted_lines(window, edges, (f'stroke="{_WATER_EDGE}"', 1.2))
        + ink.painted_lines(
            window,
            parts[~is_area],
            (f'stroke="{_WATER_EDGE}"', 5.4),
            (f'stroke="{styles.DIVERGING[2]}"', 3.6),
        )
    )


def _streets(scene: Scene, window: Window) -> str:
    roads, _ = scene.roads.within(window)
    if len(roads) > MOST_ROADS:
        return ""
    street_pt = _STREET_FT / scene.feet_per_unit / window.units_per_pt
    return ink.streets(window, roads, min(max(street_pt, 0.5), 6.0))


def _other_ways(
    window: Window,
    discharges: pd.DataFrame,
    spots: dict[str, Point],
    reached: dict[str, Point],
) -> list[str]:
    """Return straight dashes from vaults to the outfalls of their split parts and second inlets."""
    ways = []
    for vault_id, others in zip(
        discharges["vault_id"], discharges["other_outfalls"].fillna(""), strict=True
    ):
        for outfall_id in str(others).split(";"):
            if vault_id in spots and outfall_id in reached:
                line = LineString([spots[vault_id], reached[outfall_id]])
                ways.append(ink.way(window, line, ink.PATH, 1.2, dashed=True))
    return ways


def _vaults(
    window: Window, discharges: pd.DataFrame, spots: dict[str, Point]
) -> list[tuple[float, float, str, str]]:
    """Return place on paper, grade and id of each vault once, the dirtiest last."""
    grades = dict(zip(discharges["vault_id"], likeliest_grade(discharges), strict=True))
    found = [(*window.spot(spots[v]), str(grades[v]), str(v)) for v in sorted(spots)]
    return sorted(found, key=lambda vault: styles.GRADE_ORDER.index(vault[2]))


def _water_name(window: Window, water: BaseGeometry | None, name: str, boxes: list[ink.Box]) -> str:
    """Return the water's name on the part of it that is seen, where nothing else stands."""
    if water is None or water.is_empty:
        return ""
    cut = shapely.clip_by_rect(water, *window.bounds)
    if cut.is_empty:
        return ""
    words = printable(name, 28, may_break=False)
    spots = [shapely.point_on_surface(cut)]
    length = shapely.boundary(cut) if shapely.get_dimensions(cut) == 2 else cut
    lines = [part for part in shapely.get_parts(length) if part.geom_type == "LineString"]
    if lines:
        longest = max(lines, key=lambda part: part.length)
        steps = np.linspace(0.05, 0.95, 13)
        spots += list(shapely.line_interpolate_point(longest, steps, normalized=True))
    for letter_pt in (8.6, ink.LABEL_PT):
        half = 0.31 * letter_pt * len(words)
        for spot in spots:
            x, y = window.spot(spot)
            x = min(max(x, half + 3), window.width - half - 3)
            y = min(max(y, 12.0), window.height - 6.0)
            box = (x - half - 2, y - 8, x + half + 2, y + 4)
            if ink.has_room(box, boxes):
                boxes.append(box)
                return ink.letters(x, y, words, size=letter_pt, fill=_WATER_EDGE, bold=True)
    return ""


def _beside(
    x: float,
    y: float,
    words: Any,
    size: tuple[float, float],
    boxes: list[ink.Box],
    rather_not: Sequence[ink.Box] | None = None,
) -> str:
    """Return a label beside a mark; "" where every side is taken.

    With ``rather_not`` it is the bold label of an outfall: it keeps off those boxes if it can, and
    is written in any case.
    """
    text = printable(words, 18, may_break=False)
    wide = 0.62 * ink.LABEL_PT * len(text)
    choices = []
    for dx, dy, anchor in (
        *((8.0, 2.6, "start"), (-8.0, 2.6, "end"), (0.0, 14.0, "middle"), (0.0, -8.0, "middle")),
        *((7.0, -6.0, "start"), (-7.0, -6.0, "end"), (7.0, 11.0, "start"), (-7.0, 11.0, "end")),
    ):
        left = x + dx - {"start": 0.0, "end": wide, "middle": wide / 2}[anchor]
        box = (left - 0.5, y + dy - 6.5, left + wide + 0.5, y + dy + 1.5)
        if box[0] > 1 and box[2] < size[0] - 1 and box[1] > 1 and box[3] < size[1] - 1:
            choices.append((x + dx, y + dy, anchor, box))
    is_outfall = rather_not is not None
    chosen = next(
        (one for one in choices if ink.has_room(one[3], [*boxes, *(rather_not or ())])), None
    )
    if chosen is None and is_outfall:
        free = (one for one in choices if ink.has_room(one[3], boxes))
        chosen = next(free, choices[0] if choices else None)
    if chosen is None:
        return ""
    boxes.append(chosen[3])
    fill = ink.PATH if is_outfall else ink.INK
    return ink.letters(*chosen[:2], text, anchor=chosen[2], fill=fill, bold=is_outfall)
