"""The ground a town stands on: shore, bay, lagoon, creeks, hills, parks, in local metres.

``u`` runs along the coast, ``v`` inland from the mean shore; sea where v < shore(u).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import shapely
from shapely import LineString, MultiPolygon, Point, Polygon

Array = npt.NDArray[np.float64]

MEAN_EASTING, MEAN_NORTHING = 500_000.0, 4_206_000.0
COAST_ANGLE = math.radians(-24.0)
BASE_VAULTS = 1500


@dataclass(frozen=True)
class Creek:
    """One creek: its course as u = course(v) from ``v_top`` down to ``v_end``."""

    key: str
    course: Callable[[Array], Array]
    v_end: float
    v_top: float

    def line(self) -> LineString:
        """Return the course from the top down."""
        v = np.linspace(self.v_top, self.v_end, max(30, int((self.v_top - self.v_end) / 25)))
        return LineString(np.column_stack([self.course(v), v]))


class Ground:
    """Shape of one town's ground, drawn by a seeded generator around one pattern."""

    def __init__(self, vaults: int, place: int, places: int, rng: np.random.Generator) -> None:
        self.f = math.sqrt(vaults / BASE_VAULTS)
        f = self.f
        self.width, self.depth = 3500.0 * f, 2350.0 * f
        self.margin = 450.0 * f
        self.place, self.places = place, places
        w = self.width
        self.mirrored = place > 0 and bool(rng.random() < 0.5)
        ends = (place == 0, place == places - 1)
        self.open_ends = ends[::-1] if self.mirrored else ends
        beyond = 2400.0 * f
        self.west = -self.margin - (beyond if self.open_ends[0] else 0.0)
        self.east = w + self.margin + (beyond if self.open_ends[1] else 0.0)
        self.offing, self.upland = -2600.0 * f, self.depth * 2.0
        wild = 1.0 if place == 0 else 2.0

        def jig(scale: float) -> float:
            return wild * float(rng.uniform(-scale, scale))

        self.bay_u, self.bay_w = w * (0.56 + jig(0.03)), w * (0.115 + jig(0.01))
        self.bay_v = f * (430 + jig(60))
        self.head_u, self.head_v = w * (0.80 + jig(0.02)), f * (230 + jig(40))
        self.lagoon_u = w * (0.22 + jig(0.02))
        self.waves = [
            (f * float(rng.uniform(8, 22)), 2 * math.pi / (w / k), jig(3.1)) for k in (5, 9, 15)
        ]
        self.hills = [
            (
                jig(0.35) * w + w / 2,
                self.depth * float(rng.uniform(0.55, 1.0)),
                w * float(rng.uniform(0.07, 0.14)),
                float(rng.uniform(20, 60)),
            )
            for _ in range(5)
        ]
        self._water(jig)
        self._land(rng)

    def shore(self, u: npt.ArrayLike) -> Array:
        """Return v of the shoreline at u."""
        u = np.asarray(u, dtype=float)
        w, f = self.width, self.f
        s = self.bay_v * np.exp(-(((u - self.bay_u) / self.bay_w) ** 4))
        s -= self.head_v * np.exp(-(((u - self.head_u) / (0.055 * w)) ** 2))
        s -= 150 * f * np.exp(-(((u - self.lagoon_u) / (0.13 * w)) ** 2))
        for height, k, phase in self.waves:
            s += height * np.sin(k * u + phase)
        left = np.inf if self.open_ends[0] else u + self.margin
        right = np.inf if self.open_ends[1] else w + self.margin - u
        edge = np.clip(np.minimum(left, right) / (0.12 * w), 0, 1)
        return np.asarray(s * edge * edge * (3 - 2 * edge))

    def _water(self, jig: Callable[[float], float]) -> None:
        w, f, top = self.width, self.f, self.depth * 1.6
        lagoon_v = float(self.shore(self.lagoon_u)) + 255 * f
        a, b = 350 * f, 125 * f
        angle = np.linspace(0, 2 * np.pi, 90, endpoint=False)
        wobble = 1 + 0.10 * np.sin(3 * angle + jig(3)) + 0.06 * np.sin(5 * angle + jig(3))
        lake = Polygon(
            np.column_stack(
                [self.lagoon_u + a * wobble * np.cos(angle), lagoon_v + b * wobble * np.sin(angle)]
            )
        )
        mouth_u = self.lagoon_u + a * 1.0
        mouth = LineString(
            [
                (self.lagoon_u + a * 0.6, lagoon_v - b * 0.2),
                (mouth_u, lagoon_v - b * 0.8),
                (mouth_u + 40 * f, float(self.shore(mouth_u + 40 * f)) - 60 * f),
            ]
        ).buffer(22 * math.sqrt(f))
        self.lagoon_centre = (self.lagoon_u, lagoon_v, a, b)

        def winding(u0: float, v0: float, slope: float, size: float) -> Callable[[Array], Array]:
            waves = [
                (size * f * r, 2 * math.pi / (f * length), jig(3.1))
                for r, length in ((1.0, 1150), (0.45, 480), (0.16, 210))
            ]

            def course(v: Array) -> Array:
                away = np.clip((v - v0) / (200 * f), 0, 1)
                bends = sum(h * np.sin(k * v + p) for h, k, p in waves)
                return np.asarray(u0 + slope * (v - v0) + away * bends)

            return course

        penny = winding(self.lagoon_u + 40 * f, lagoon_v, 0.12, 60)
        tallow_u = self.bay_u - 0.045 * w
        tallow = winding(tallow_u, float(self.shore(tallow_u)), -0.05, 62)
        wick_u = w * 0.885
        wick = winding(wick_u, float(self.shore(wick_u)), -0.08, 45)
        join_v = lagoon_v + 0.36 * self.depth
        minnow = winding(float(penny(np.array(join_v))), join_v, -0.55, 38)
        self.creeks = (
            Creek("penny", penny, lagoon_v, top),
            Creek("tallow", tallow, float(self.shore(tallow_u)) - 30 * f, top),
            Creek("wick", wick, float(self.shore(wick_u)) - 30 * f, top),
            Creek("minnow", minnow, join_v, min(top, join_v + 0.55 * self.depth)),
        )
        lo, hi = self.west, self.east
        u = np.arange(lo, hi + 1, 20.0 if f < 1.5 else 45.0)
        u[-1] = hi
        shore = np.column_stack([u, self.shore(u)])
        sea = Polygon(np.vstack([shore, [(hi, self.offing), (lo, self.offing)]]))
        left, right = self.bay_u - 1.12 * self.bay_w, self.bay_u + 1.12 * self.bay_w
        bay_box = Polygon(
            [
                (left, float(self.shore(left)) - 20 * f),
                (right, float(self.shore(right)) - 20 * f),
                (right, self.depth),
                (left, self.depth),
            ]
        )
        self.shoreline = LineString(shore)
        self.bay = _largest(sea.intersection(bay_box))
        self.sea = _largest(sea.difference(bay_box))
        all_sea = sea
        self.lagoon = _largest(lake.union(mouth).difference(all_sea))
        pond_v = self.depth * 0.70
        pond_u = float(tallow(np.array(pond_v))) + 95 * f
        self.pond = Point(pond_u, pond_v).buffer(1)
        self.pond = shapely.affinity.scale(self.pond, 55 * f, 34 * f)
        self.standing = shapely.union_all([all_sea, self.lagoon, self.pond])
        lines = {}
        for creek in self.creeks:
            line = creek.line().difference(shapely.union_all([all_sea, self.lagoon]))
            lines[creek.key] = _longest(line)
        self.creek_lines: dict[str, LineString] = lines
        self.all_sea = all_sea

    def _land(self, rng: np.random.Generator) -> None:
        w, f, d = self.width, self.f, self.depth
        box = shapely.box(self.west, self.offing, self.east, self.upland)
        self.land = box.difference(self.standing)
        t = np.linspace(0, 2 * np.pi, 160, endpoint=False)
        ph = rng.uniform(0, 6.28, 3)
        r = (
            1
            + 0.05 * np.sin(3 * t + ph[0])
            + 0.04 * np.sin(5 * t + ph[1])
            + 0.02 * np.sin(9 * t + ph[2])
        )
        power = 2 / 3.2
        cx, cv = w * 0.5, d * 0.36
        edge = np.column_stack(
            [
                cx + 0.485 * w * r * np.sign(np.cos(t)) * np.abs(np.cos(t)) ** power,
                cv + 0.62 * d * r * np.sign(np.sin(t)) * np.abs(np.sin(t)) ** power,
            ]
        )
        outline = Polygon(edge).buffer(0)
        tallow, penny = self.creeks[1].course, self.creeks[0].course

        def bank(course: Callable[[Array], Array], v: float, du: float) -> tuple[float, float]:
            return float(course(np.array(v))) + du, v

        self.parks = {
            "Candle Park": shapely.affinity.scale(self.pond, 2.3, 2.9),
            "Pennywhistle Green": _blob(*bank(penny, 0.50 * d, 85 * f), 95 * f, 150 * f, rng),
            "Beacon Common": _blob(w * 0.76, d * 0.72, 170 * f, 120 * f, rng),
            "Foghorn Point": Point(self.head_u, float(self.shore(self.head_u)) + 90 * f).buffer(
                120 * f
            ),
            "Market Green": _blob(*bank(tallow, 0.36 * d, 210 * f), 48 * f, 40 * f, rng),
        }
        for name, park in self.parks.items():
            self.parks[name] = park.intersection(self.land)
        dry = self.land.intersection(outline).buffer(-55)
        marsh = Point(self.lagoon_u - 1.25 * self.lagoon_centre[2], self.lagoon_centre[1] + 60 * f)
        marsh = shapely.affinity.scale(marsh.buffer(1), 120 * f, 75 * f)
        self.marsh = marsh.difference(self.standing.buffer(20))
        dry = dry.difference(shapely.union_all([*self.parks.values(), self.marsh]).buffer(12))
        self.built = _largest(dry)
        banks = shapely.union_all(list(self.creek_lines.values())).buffer(26)
        self.built_off_creeks = self.built.difference(banks)
        u0, u1 = self.lagoon_u + self.lagoon_centre[2] + 110 * f, self.bay_u - 1.25 * self.bay_w
        u = np.linspace(min(u0, u1 - 200 * f), u1, 30)
        s = self.shore(u)
        self.beach = Polygon(
            np.vstack([np.column_stack([u, s + 32]), np.column_stack([u, s - 60])[::-1]])
        )

    def elevation_ft(self, u: npt.ArrayLike, v: npt.ArrayLike) -> Array:
        """Return the height of the ground above the sea."""
        u, v = np.asarray(u, dtype=float), np.asarray(v, dtype=float)
        f = self.f
        inland = np.clip(v - self.shore(u), 0, None) / f
        lu, lv, a, b = self.lagoon_centre
        r = np.hypot((u - lu) / a, (v - lv) / b)
        near_lagoon = np.clip(r - 1, 0, None) * b / f
        inland = np.minimum(inland, 40 + near_lagoon * 2.2)
        z = 150 * (1 - np.exp(-((inland / 1900) ** 1.15)))
        rise = np.clip(inland / 900, 0, 1)
        for hu, hv, size, height in self.hills:
            z += rise * height * np.exp(-(((u - hu) / size) ** 2) - ((v - hv) / size) ** 2)
        for creek in self.creeks:
            off = (u - creek.course(np.clip(v, creek.v_end, creek.v_top))) / (230 * f)
            off = np.where(v < creek.v_end, np.hypot(off, (creek.v_end - v) / (230 * f)), off)
            z = z * (1 - 0.5 * np.exp(-(off**2)))
        return np.asarray(4.0 + z)

    def warp(self, xy: Array) -> Array:
        """Return points moved by a smooth field, so that no street is ruled with a ruler."""
        u, v = xy[:, 0], xy[:, 1]
        du = 16 * np.sin(u / 310 + v / 520) + 9 * np.sin(v / 170 + 1.0)
        dv = 16 * np.sin(u / 420 - v / 350 + 2.0) + 9 * np.sin(u / 190 + 0.5)
        return np.column_stack([u + du, v + dv])

    def world(self, xy: Array) -> Array:
        """Return easting and northing, to the centimetre, of local points."""
        return np.asarray(np.round(self._turn(xy), 2))

    def _turn(self, xy: Array) -> Array:
        span = self.width + 2 * self.margin
        u = self.width - xy[:, 0] if self.mirrored else xy[:, 0]
        u = u - self.width / 2 + (self.place - (self.places - 1) / 2) * span
        c, s = math.cos(COAST_ANGLE), math.sin(COAST_ANGLE)
        east = MEAN_EASTING + u * c - xy[:, 1] * s
        north = MEAN_NORTHING + u * s + xy[:, 1] * c
        return np.column_stack([east, north])

    def to_world(self, shapes: Any) -> Any:
        """Return shapes moved from local to world coordinates, still valid at the centimetre."""
        moved = shapely.transform(shapes, self._turn)
        return shapely.set_precision(moved, 0.01)


def _blob(u: float, v: float, a: float, b: float, rng: np.random.Generator) -> Polygon:
    t = np.linspace(0, 2 * np.pi, 40, endpoint=False)
    r = 1 + 0.12 * np.sin(2 * t + rng.uniform(0, 6)) + 0.08 * np.sin(3 * t + rng.uniform(0, 6))
    return Polygon(np.column_stack([u + a * r * np.cos(t), v + b * r * np.sin(t)]))


def _largest(shape: Any) -> Polygon:
    return max(shape.geoms, key=lambda g: g.area) if isinstance(shape, MultiPolygon) else shape


def _longest(shape: Any) -> LineString:
    return max(shape.geoms, key=lambda g: g.length) if hasattr(shape, "geoms") else shape
