"""A first look through a whole file: what its own rows say about where and how large things are."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely
from scipy.spatial import cKDTree

from vaultplan.columns import Table
from vaultplan.geometry import foot_of
from vaultplan.intake.around import Around
from vaultplan.intake.keys import KnownIds
from vaultplan.intake.whereabouts import FOOT_RATIO, Box, Home, in_area_of_use, is_elsewhere
from vaultplan.units import FT_PER_MI

Floats = npt.NDArray[np.float64]

SIZES: Final = ("length_ft", "width_ft", "depth_ft")
#: Tables whose rows belong where the fleet is; waters and coasts may reach far beyond.
_AT_HOME: Final = frozenset(
    {"vaults", "inlets", "outfalls", "drain_pipes", "gauges", "depots", "disposal_sites"}
    | {"concern_sites"}
)
_FEWEST_PLACES: Final = 20
_FEWEST_SIZES: Final = 20
_PLACES_A_CHUNK: Final = 5_000
_COMPARED: Final = 2_000
_CROWD: Final = 20
_NEAREST: Final = 5
#: Ends of pipes closer than this are one place, in feet; assumed.
_SNAP_FT: Final = 1.0


class SizeClass(NamedTuple):
    """Usual size of a class: logarithm's median and spread, and what 80 % lie between, in feet."""

    log_median: float
    log_spread: float
    low_ft: float
    high_ft: float


@dataclass(frozen=True, slots=True)
class Survey:
    """What one file says as a whole.

    ``home`` is where its rows belong; ``sizes`` the usual size by column and class (kind and
    whether it is round); ``twins`` the id of another vault like it beside a row's; ``turned`` the
    rows whose pipe is drawn against its flow; ``own_ids`` ids of the file by ``table.column``.
    """

    rows: int = 0
    home: Home | None = None
    sizes: Mapping[tuple[str, str, bool], SizeClass] = field(default_factory=dict)
    twins: pd.Series[Any] = field(default_factory=lambda: pd.Series([], dtype="str"))
    turned: pd.Index[Any] = field(default_factory=lambda: pd.Index([]))
    own_ids: Mapping[str, KnownIds] = field(default_factory=dict)


def needs_survey(declared: Table) -> bool:
    """Return whether a table's rows can only be judged when the whole file has been seen."""
    refers_to_itself = any(c.refers_to.partition(".")[0] == declared.name for c in declared.columns)
    return declared.geometry is not None or refers_to_itself


@dataclass(slots=True)
class Surveyor:
    """Takes in a file chunk by chunk and then tells what it says as a whole."""

    declared: Table
    target: pyproj.CRS
    around: Around
    _rows: int = 0
    _places: list[Floats] = field(default_factory=list)
    _samples: list[gpd.GeoSeries] = field(default_factory=list)
    _vaults: list[pd.DataFrame] = field(default_factory=list)
    _pipes: list[pd.DataFrame] = field(default_factory=list)
    _ids: dict[str, KnownIds] = field(default_factory=dict)
    _shared: list[gpd.GeoSeries] = field(default_factory=list)

    def take(self, frame: pd.DataFrame, shapes: gpd.GeoSeries | None) -> None:
        """Take in typed rows and their shapes in the file's CRS, as they stand in the file."""
        self._rows += len(frame)
        for column in self.declared.columns:
            table, _, target = column.refers_to.partition(".")
            if table == self.declared.name and target in frame:
                self._ids.setdefault(column.refers_to, KnownIds()).add(frame[target])
        if shapes is None or shapes.crs is None:
            return
        flat = gpd.GeoSeries(shapely.force_2d(shapes.to_numpy()), shapes.index, shapes.crs)
        moved = flat if flat.crs == self.target else flat.to_crs(self.target)
        bounds = shapely.bounds(moved.to_numpy())
        centre = np.column_stack([bounds[:, [0, 2]].mean(axis=1), bounds[:, [1, 3]].mean(axis=1)])
        self._take_places(flat, centre)
        if self.declared.name == "vaults":
            facts = [name for name in ("vault_id", "kind", "shape", *SIZES) if name in frame]
            self._vaults.append(frame[facts].assign(x=centre[:, 0], y=centre[:, 1]))
            self._take_shared(frame, flat)
        if self.declared.name == "drain_pipes" and {"from_node", "to_node"} <= set(frame):
            self._take_pipes(frame, moved)

    def tell(self) -> Survey:
        """Return what the rows taken in say as a whole."""
        return Survey(
            self._rows,
            self._home(),
            self._sizes(),
            self._twins(),
            self._turned(),
            self._ids,
        )

    def _take_places(self, shapes: gpd.GeoSeries, centre: Floats) -> None:
        # Where most lie is told by some; a chunk of a file is as good as drawn by lot for that.
        step = max(1, len(shapes) // _PLACES_A_CHUNK)
        shapes, centre = shapes.iloc[::step], centre[::step]
        there = np.asarray(np.isfinite(centre).all(axis=1), dtype=bool)
        sound = (
            there
            & in_area_of_use(shapes, there, shapes.crs)
            & in_area_of_use(shapes, there, self.target)
        )
        self._places.append(centre[sound])
        if sum(map(len, self._samples)) < _COMPARED:
            self._samples.append(shapes[there].iloc[:_COMPARED])

    def _take_shared(self, frame: pd.DataFrame, shapes: gpd.GeoSeries) -> None:
        """Keep shapes of vaults that the database knows, to compare their places."""
        if "vault_id" not in frame or not shapes.crs.is_projected or self.around.vaults.empty:
            return
        if sum(map(len, self._shared)) >= _COMPARED:
            return
        known = frame["vault_id"].isin(self.around.vaults.index) & shapes.notna()
        kept = shapes[known]
        self._shared.append(
            gpd.GeoSeries(kept.to_numpy(), index=frame.loc[known, "vault_id"], crs=shapes.crs)
        )

    def _take_pipes(self, frame: pd.DataFrame, moved: gpd.GeoSeries) -> None:
        lines = (shapely.get_type_id(moved.to_numpy()) == 1) & frame["from_node"].notna()
        lines &= frame["to_node"].notna()
        ends = {}
        for which, at in (("first", 0), ("last", -1)):
            points = shapely.get_point(moved[lines].to_numpy(), at)
            ends[f"{which}_x"], ends[f"{which}_y"] = shapely.get_x(points), shapely.get_y(points)
        ids = [name for name in ("pipe_id", "from_node", "to_node") if name in frame]
        named = frame.loc[lines, ids].assign(**ends)
        self._pipes.append(named[np.isfinite(named[list(ends)]).all(axis=1)])

    def _home(self) -> Home | None:
        margin = self.around.settings.service_margin_mi * FT_PER_MI / foot_of(self.target).per_unit
        own = _robust_box(np.concatenate([np.empty((0, 2)), *self._places]), margin)
        known = None if self.around.box is None else _wider(self.around.box, margin)
        box = own if known is None else known
        if box is None:
            return None
        if known is not None and own is not None and self._samples:
            sample = pd.concat(self._samples).iloc[:_COMPARED]
            if not is_elsewhere(sample, self.target, Home(known)):
                box = _union(known, own)
        return Home(box, self.declared.name in _AT_HOME, self._foot_ratio())

    def _foot_ratio(self) -> float:
        """Return by what to multiply coordinates for known vaults to lie in their place."""
        if not self._shared:
            return 1.0
        shared = pd.concat(self._shared).iloc[:_COMPARED]
        known = self.around.vaults.reindex(shared.index)
        # A foot in a thousand miles of coordinate is what rounding may make; a mix-up makes more.
        least = 1.0 / foot_of(self.target).per_unit

        def off(ratio: float) -> float:
            scaled = shared.affine_transform([ratio, 0, 0, ratio, 0, 0])
            moved = scaled if scaled.crs == self.target else scaled.to_crs(self.target)
            away = np.hypot(moved.x.to_numpy() - known["x"], moved.y.to_numpy() - known["y"])
            return float(np.nanmedian(away)) if np.isfinite(away).any() else np.inf

        as_is = off(1.0)
        if not least < as_is < np.inf or len(shared) < 3:
            return 1.0
        ratios = (FOOT_RATIO, 1.0 / FOOT_RATIO)
        best = min(ratios, key=off)
        return best if off(best) < 0.1 * as_is else 1.0

    def _all_vaults(self) -> pd.DataFrame:
        """Return the file's vaults by row, then those that only the database knows."""
        own = pd.concat(self._vaults)
        others = self.around.vaults
        if "vault_id" in own and len(others):
            others = others[~others.index.isin(own["vault_id"])]
        named = others.reset_index()
        named.index = pd.Index(-1 - np.arange(len(named)))
        both = pd.concat([own, named.drop(columns=["status", "gear_frac", "imputed"])])
        return both.reindex(columns=["vault_id", "kind", "shape", *SIZES, "x", "y"])

    def _sizes(self) -> dict[tuple[str, str, bool], SizeClass]:
        if not self._vaults:
            return {}
        vaults = self._all_vaults()
        kind, is_round = size_class(vaults)
        found = {}
        for name in SIZES:
            logs = np.log(vaults[name].where(vaults[name] > 0))
            for key, part in logs.groupby([kind, is_round], sort=True):
                known = part.dropna()
                if len(known) >= _FEWEST_SIZES:
                    found[name, str(key[0]), bool(key[1])] = _size_class(known)
        return found

    def _twins(self) -> pd.Series[Any]:
        if not self._vaults or "vault_id" not in self._vaults[0]:
            return pd.Series([], dtype="str")
        vaults = self._all_vaults()
        vaults = vaults[np.isfinite(vaults["x"]) & np.isfinite(vaults["y"])]
        reach = self.around.settings.twin_ft / foot_of(self.target).per_unit
        # Many at one and the same place are a fault of their own, such as all at 0, 0.
        crowd = vaults.groupby(["x", "y"])["x"].transform("size") > _CROWD
        vaults = vaults[~crowd.to_numpy(dtype=bool)]
        pairs = _close_pairs(vaults[["x", "y"]].to_numpy(), reach)
        alike = np.ones(len(pairs), dtype=bool)
        for name in ("kind", "shape", *SIZES):
            values = pd.factorize(vaults[name])[0]
            alike &= values[pairs[:, 0]] == values[pairs[:, 1]]
        ids = vaults["vault_id"].to_numpy()
        first, second = pairs[alike].T
        rows = vaults.index.to_numpy()
        # The later row is told; a vault of the database has no row in this file.
        later = np.where(rows[first] > rows[second], first, second)
        other = np.where(later == first, second, first)
        found = pd.Series(ids[other], index=rows[later], dtype="str")
        named = pd.Series(ids[later] != ids[other], index=found.index)
        kept = found[named & (found.index > 0)]
        return kept[~kept.index.duplicated()].sort_index()

    def _turned(self) -> pd.Index[Any]:
        if not self._pipes:
            return pd.Index([])
        pipes = pd.concat(self._pipes)
        snap = _SNAP_FT / foot_of(self.target).per_unit
        nodes = self.around.nodes

        def claims(node: pd.Series[Any], which: str) -> npt.NDArray[np.uint64]:
            return _claims(node, pipes[f"{which}_x"], pipes[f"{which}_y"], snap)

        drawn = (claims(pipes["from_node"], "first"), claims(pipes["to_node"], "last"))
        turned = (claims(pipes["from_node"], "last"), claims(pipes["to_node"], "first"))
        ends = self.around.pipe_ends
        if "pipe_id" in pipes:
            ends = ends[~ends["pipe_id"].isin(pipes["pipe_id"])]
        known = np.concatenate(
            [
                _claims(nodes.index.to_series(), nodes["x"], nodes["y"], snap),
                _claims(ends["node"], ends["x"], ends["y"], snap),
            ]
        )
        places, counts = np.unique(np.concatenate([*drawn, known]), return_counts=True)

        def backed(claimed: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
            at = np.minimum(np.searchsorted(places, claimed), len(places) - 1)
            return np.where(places[at] == claimed, counts[at], 0)

        as_drawn = backed(drawn[0]) + backed(drawn[1]) - 2
        other_way = backed(turned[0]) + backed(turned[1])
        return pipes.index[other_way > as_drawn]


def _close_pairs(places: Floats, reach: float) -> npt.NDArray[np.int64]:
    """Return pairs of places within reach of each other, of each place its few nearest."""
    if len(places) < 2:
        return np.empty((0, 2), dtype=np.int64)
    nearest = min(_NEAREST, len(places))
    _, at = cKDTree(places).query(places, k=nearest, distance_upper_bound=reach)
    first = np.repeat(np.arange(len(places)), nearest)
    pairs = np.column_stack([first, at.ravel()])
    pairs = pairs[(pairs[:, 1] < len(places)) & (pairs[:, 0] != pairs[:, 1])]
    return np.unique(np.sort(pairs, axis=1), axis=0)


def size_class(vaults: pd.DataFrame) -> tuple[pd.Series[Any], pd.Series[Any]]:
    """Return the two parts of each vault's size class: its kind, and whether it is round."""
    kind = vaults["kind"].fillna("") if "kind" in vaults else pd.Series("", index=vaults.index)
    if "shape" not in vaults:
        return kind, pd.Series(data=False, index=vaults.index)
    return kind, vaults["shape"].eq("round").fillna(value=False).astype(bool)


def _size_class(logs: pd.Series[Any]) -> SizeClass:
    low, lower, median, upper, high = np.quantile(logs, [0.1, 0.25, 0.5, 0.75, 0.9])
    mad = float((logs - median).abs().median())
    # Of a normal spread; sizes come in steps, so the narrower of the two may well be none.
    spread = max(1.4826 * mad, float(upper - lower) / 1.349)
    return SizeClass(float(median), spread, float(np.exp(low)), float(np.exp(high)))


def _robust_box(places: Floats, margin: float) -> Box | None:
    """Return the box of most places, widened by its own size and a margin; none for a few."""
    if len(places) < _FEWEST_PLACES:
        return None
    west, south = np.quantile(places, 0.1, axis=0)
    east, north = np.quantile(places, 0.9, axis=0)
    width, height = east - west, north - south
    return (
        float(west - width - margin),
        float(south - height - margin),
        float(east + width + margin),
        float(north + height + margin),
    )


def _wider(box: Box, margin: float) -> Box:
    west, south, east, north = box
    return (west - margin, south - margin, east + margin, north + margin)


def _union(one: Box, other: Box) -> Box:
    return (
        min(one[0], other[0]),
        min(one[1], other[1]),
        max(one[2], other[2]),
        max(one[3], other[3]),
    )


def _claims(
    node: pd.Series[Any], x: pd.Series[Any], y: pd.Series[Any], snap: float
) -> npt.NDArray[np.uint64]:
    """Return a number for each node and the place that is claimed for it."""
    named = pd.util.hash_array(node.to_numpy(dtype=object), categorize=False)
    across = np.round(x.to_numpy(dtype=np.float64) / snap).astype(np.int64).astype(np.uint64)
    along = np.round(y.to_numpy(dtype=np.float64) / snap).astype(np.int64).astype(np.uint64)
    one, two = np.uint64(0x9E3779B97F4A7C15), np.uint64(0xC2B2AE3D27D4EB4F)
    claimed: npt.NDArray[np.uint64] = named ^ (across * one) ^ (along * two)
    return claimed
