"""Where a drawn map looks: the layers of a week, indexed once, and the window on paper."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, TypeAlias

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import shapely
from scipy.spatial import cKDTree
from shapely.geometry import Point
from shapely.geometry.base import BaseGeometry

from vaultplan.geometry import feet_per_unit

Shapes: TypeAlias = npt.NDArray[np.object_]
Names: TypeAlias = npt.NDArray[np.object_]
Places: TypeAlias = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Layer:
    """Shapes of one layer with their names, indexed for look-ups by window."""

    shapes: Shapes
    names: npt.NDArray[np.object_]
    tree: shapely.STRtree = field(repr=False)
    middles: npt.NDArray[np.float64] = field(repr=False)

    @classmethod
    def of(cls, frame: gpd.GeoDataFrame, name: str = "name") -> Layer:
        """Return the layer of a frame; rows without a shape are left out."""
        held = frame[frame.geometry.notna() & ~frame.geometry.is_empty]
        shapes = np.asarray(held.geometry.array, dtype=object)
        has_names = name in held.columns
        names = held[name].fillna("").to_numpy(object) if has_names else np.full(len(held), "")
        middles = shapely.bounds(shapes).reshape(-1, 2, 2).mean(axis=1)
        return cls(shapes, names, shapely.STRtree(shapes), middles)

    def within(
        self,
        window: Window,
        *,
        near: npt.NDArray[np.float64] | None = None,
        most: int | None = None,
    ) -> tuple[Shapes, npt.NDArray[np.object_]]:
        """Return shapes and names that touch the window, cut at its edges, in table order.

        Of more than ``most`` only those whose middles lie nearest to the points ``near``, to about
        a hundredth of the window.
        """
        box = shapely.box(*window.bounds)
        hits = np.sort(self.tree.query(box))
        if not len(hits):
            return np.empty(0, dtype=object), np.empty(0, dtype=object)
        if near is not None and len(near) and most is not None and len(hits) > most:
            step = window.units_per_pt * max(window.width, window.height) / 100
            gap, _ = cKDTree(np.unique((near / step).round(), axis=0) * step).query(
                self.middles[hits]
            )
            hits = np.sort(hits[np.argsort(gap, kind="stable")[:most]])
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
