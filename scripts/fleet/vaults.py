"""Vaults of a town: where they lie, what they are, and what only the simulation knows of them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from fleet.ground import Array, Ground
from fleet.streets import Streets

M_PER_FT = 0.3048
#: kind, shape, length, width, depth in feet, share of the fleet
SIZES = (
    ("handhole", "rectangular", 2.0, 3.0, 3.0, 0.08),
    ("handhole", "rectangular", 4.0, 4.0, 4.0, 0.20),
    ("vault", "rectangular", 4.0, 6.5, 5.0, 0.14),
    ("vault", "rectangular", 5.0, 10.0, 7.0, 0.20),
    ("vault", "rectangular", 6.0, 12.0, 8.0, 0.10),
    ("vault", "rectangular", 8.0, 14.0, 9.0, 0.08),
    ("vault", "rectangular", 8.5, 18.0, 10.0, 0.02),
    ("manhole", "round", 4.0, np.nan, 6.0, 0.08),
    ("manhole", "round", 5.0, np.nan, 7.0, 0.06),
    ("manhole", "round", 6.0, np.nan, 8.0, 0.04),
)
USES = ("homes", "shops", "industry", "harbor", "park", "school")
USE_BY_DISTRICT = np.array(
    [
        [0.30, 0.40, 0.05, 0.18, 0.04, 0.03],
        [0.72, 0.12, 0.03, 0.00, 0.07, 0.06],
        [0.66, 0.14, 0.06, 0.00, 0.08, 0.06],
        [0.18, 0.17, 0.57, 0.05, 0.02, 0.01],
    ]
)
NOTES = (
    "Lid needs two people",
    "Behind locked gate: ask for the key at the yard",
    "Bus stop: move cones before 07:00",
    "Narrow lane: small truck only",
    "School crossing beside it",
    "Lid under parked cars in the evening",
    "Soft verge: keep the truck on the road",
    "Loading bay before noon",
)


@dataclass
class Vaults:
    """The vaults table, places in local metres, true sizes, and how dirty and wet each is."""

    table: pd.DataFrame
    xy: Array
    district: Any
    size: pd.DataFrame
    dirt: Array
    wet: Array


def place_vaults(
    ground: Ground,
    streets: Streets,
    hill_edges: Any,
    count: int,
    code: str,
    town: str,
    concern: pd.DataFrame,
    rng: np.random.Generator,
) -> Vaults:
    """Return ``count`` vaults along the streets, a few of them far out on the hill road."""
    on_hill = max(1, round(0.012 * count))
    edge, share = _spots(streets, hill_edges, count, on_hill, rng)
    xy, setting = _beside(streets, edge, share, rng)
    for _ in range(20):
        bad = _is_wet(ground, xy)
        if not bad.any():
            break
        edge[bad] = rng.choice(np.flatnonzero(~hill_edges), int(bad.sum()))
        share[bad] = rng.uniform(0.15, 0.85, int(bad.sum()))
        xy[bad], setting[bad] = _beside(streets, edge[bad], share[bad], rng)
    order = np.lexsort((xy[:, 0], np.floor(xy[:, 1] / 200)))
    xy, edge, share, setting = xy[order], edge[order], share[order], setting[order]
    district = streets.district_of(xy)
    n = count
    z = ground.elevation_ft(*xy.T)
    pick = rng.choice(len(SIZES), n, p=[s[5] for s in SIZES])
    grown = np.where(rng.random((n, 3)) < 0.25, rng.choice([-0.5, 0.5, 1.0], (n, 3)), 0.0)
    dims = np.array([s[2:5] for s in SIZES], dtype=float)[pick] + grown
    kind = np.array([s[0] for s in SIZES], dtype=object)[pick]
    shape = np.array([s[1] for s in SIZES], dtype=object)[pick]
    rows = USE_BY_DISTRICT[np.where(district < 4, district, 1 + district % 3)]
    use = np.array(USES, dtype=object)[
        (rng.random((n, 1)) > np.cumsum(rows, axis=1)).sum(axis=1).clip(0, 5)
    ]
    lid_p = {
        "handhole": [0.55, 0.30, 0.15],
        "vault": [0.25, 0.45, 0.30],
        "manhole": [0.45, 0.40, 0.15],
    }
    lid = _draw(("sealed", "vented", "slotted"), np.array([lid_p[k] for k in kind]), rng)
    soil = np.array(["A", "B", "C", "D"], dtype=object)[
        np.clip(
            np.round(
                1.6
                + 0.9 * np.sin(xy[:, 0] / (420 * ground.f))
                - (z < 25)
                + (z > 90) * 0.6
                + rng.normal(0, 0.5, n)
            ),
            0,
            3,
        ).astype(int)
    ]
    table_ft = np.clip(0.42 * z + rng.normal(1.5, 2.0, n), 1.5, 60.0)
    irrigated = rng.random(n) < np.where(np.isin(use, ["homes", "park", "school"]), 0.30, 0.10)
    has_oil = (kind == "vault") & (dims[:, 0] * np.nan_to_num(dims[:, 1], nan=4) > 35)
    pcb_p = np.where(has_oil[:, None], [[0.25, 0.42, 0.05, 0.28]], [[0.80, 0.08, 0.004, 0.116]])
    pcb = _draw(("no_oil", "tested_clean", "contains", "unknown"), pcb_p, rng)
    status = rng.choice(
        np.array(["in_service", "retired", "other_owner"], dtype=object), n, p=[0.96, 0.02, 0.02]
    )
    gear = np.round(np.clip(rng.beta(2.5, 12, n) + 0.05 * has_oil, 0.02, 0.6), 2)
    before = "" if town == "Saltmarrow" else f"{town} "
    names = np.array([before + name for name in streets.district_names], dtype=object)
    number = (
        (edge * 7 % 60) * 20 + 100 + np.floor(share * 9).astype(int) * 2 + (rng.random(n) < 0.5)
    )
    note = rng.choice(np.array(NOTES, dtype=object), n)
    note[rng.random(n) > 0.05] = None
    width = len(str(n))
    table = pd.DataFrame(
        {
            "vault_id": [f"{code}-{i:0{width}d}" for i in range(1, n + 1)],
            "kind": kind,
            "status": status,
            "address": [f"{a} {b}" for a, b in zip(number, streets.names[edge], strict=True)],
            "district": names[district],
            "setting": setting,
            "shape": shape,
            "length_ft": dims[:, 0],
            "width_ft": dims[:, 1],
            "depth_ft": dims[:, 2],
            "gear_frac": gear,
            "rim_elev_ft": np.round(z, 1),
            "lid": lid,
            "soil_group": soil,
            "water_table_ft": np.round(table_ft, 1),
            "has_irrigation": irrigated,
            "land_use": use,
            "pcb_status": pcb,
            "access_notes": note,
        }
    )
    size = table[
        ["length_ft", "width_ft", "depth_ft", "gear_frac", "water_table_ft", "soil_group", "lid"]
    ].copy()
    _blank(table, rng)
    return Vaults(table, xy, district, size, *_fields(ground, xy, use, concern, rng))


def _draw(words: tuple[str, ...], shares: Array, rng: np.random.Generator) -> Any:
    """Return one word per row, drawn with that row's shares."""
    step = (rng.random((len(shares), 1)) > np.cumsum(shares, axis=1)).sum(axis=1)
    return np.array(words, dtype=object)[step.clip(0, len(words) - 1)]


def _spots(streets: Streets, hill: Any, count: int, on_hill: int, rng: Any) -> tuple[Any, Any]:
    middle = streets.points[(streets.first[:-1] + streets.first[1:]) // 2]
    dense = np.array([1.5, 0.9, 0.85, 1.15])
    district = streets.district_of(middle)
    weight = (
        streets.length
        * dense[np.where(district < 4, district, 1)]
        * np.where(streets.is_main, 1.3, 1.0)
    )
    weight = np.where(hill | (streets.length < 40), 0.0, weight)
    edge = rng.choice(len(weight), count, p=weight / weight.sum())
    share = rng.uniform(0.12, 0.88, count)
    far = np.flatnonzero(hill)[2:]
    if len(far):
        edge[:on_hill] = rng.choice(far, on_hill)
    return edge, share


def _beside(streets: Streets, edge: Any, share: Any, rng: Any) -> tuple[Array, Any]:
    """Return places beside the street at a share of each edge's run, and what they lie in."""
    pieces = np.diff(streets.first)[edge] - 1
    at = np.minimum(np.floor(share * pieces), pieces - 1).astype(int)
    a = streets.points[streets.first[edge] + at]
    b = streets.points[streets.first[edge] + at + 1]
    ahead = b - a
    on = a + ahead * (share * pieces - at)[:, None]
    side = np.column_stack([-ahead[:, 1], ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
    which = rng.choice(4, len(edge), p=[0.34, 0.46, 0.14, 0.06])
    offset = np.array([2.2, 6.2, 8.4, 12.0])[which] * rng.choice([-1, 1], len(edge))
    names = np.array(["street", "sidewalk", "parkway", "easement"], dtype=object)
    return on + side * offset[:, None], names[which]


def _is_wet(ground: Ground, xy: Array) -> Any:
    creeks = shapely.union_all(list(ground.creek_lines.values())).buffer(9, quad_segs=2)
    water = shapely.union_all([ground.standing.buffer(6, quad_segs=2), creeks])
    shapely.prepare(water)
    return shapely.contains_xy(water, *xy.T)


def _fields(
    ground: Ground, xy: Array, use: Any, concern: pd.DataFrame, rng: Any
) -> tuple[Array, Array]:
    """Return how dirty and how wet each vault tends to be: land use, neighbours, sites, itself."""
    base = {
        "homes": -0.35,
        "shops": 0.25,
        "industry": 0.95,
        "harbor": 0.70,
        "park": -0.2,
        "school": -0.3,
    }
    dirt = np.array([base[u] for u in use]) + rng.normal(0, 0.65, len(xy))
    wet = rng.normal(0, 0.5, len(xy))
    for field, height in ((dirt, 0.9), (wet, 0.8)):
        for _ in range(int(7 * ground.f) + 1):
            at = np.array([rng.uniform(0, ground.width), rng.uniform(0, ground.depth)])
            field += rng.normal(0, height) * np.exp(
                -((np.hypot(*(xy - at).T) / (230 * ground.f**0.5)) ** 2)
            )
    for site in concern.itertuples():
        gap = np.hypot(xy[:, 0] - site.geometry.x, xy[:, 1] - site.geometry.y)
        dirt += np.where(gap < site.radius_ft * M_PER_FT, 0.9, 0.0)
    return dirt, wet


def _blank(table: pd.DataFrame, rng: np.random.Generator) -> None:
    """Blank what a real register would not know."""
    n = len(table)
    for column, share in (
        ("length_ft", 0.015),
        ("width_ft", 0.02),
        ("depth_ft", 0.025),
        ("gear_frac", 0.22),
        ("lid", 0.04),
        ("water_table_ft", 0.12),
        ("rim_elev_ft", 0.01),
        ("land_use", 0.02),
        ("soil_group", 0.02),
    ):
        table.loc[rng.random(n) < share, column] = np.nan
    table["has_irrigation"] = table["has_irrigation"].astype("boolean")
    table.loc[rng.random(n) < 0.08, "has_irrigation"] = pd.NA


def hill_road(ground: Ground, streets: Streets) -> tuple[Streets, Any]:
    """Return the streets with a road up the hill, beyond all drains, and which edges it is."""
    creeks = shapely.union_all(list(ground.creek_lines.values()))
    away = shapely.distance(shapely.points(streets.nodes), creeks)
    start = int(np.argmax(streets.nodes[:, 1] + 0.35 * away))
    u, v = streets.nodes[start]
    up = np.linspace(0, min(1050 * ground.f, ground.depth * 1.4 - v), 7)
    chain = np.column_stack([u + 45 * np.sin(up / 260), v + up])
    new = len(streets.nodes) + np.arange(6)
    tails, heads = np.concatenate([[start], new[:-1]]), new
    runs = [np.linspace(chain[i], chain[i + 1], 4) for i in range(6)]
    first = np.concatenate([streets.first, streets.first[-1] + 4 * np.arange(1, 7)])
    longer = Streets(
        np.vstack([streets.nodes, chain[1:]]),
        np.concatenate([streets.tail, tails]),
        np.concatenate([streets.head, heads]),
        np.vstack([streets.points, *runs]),
        first,
        np.concatenate([streets.names, np.full(6, "Signal Hill Road", dtype=object)]),
        np.concatenate([streets.is_main, np.ones(6, dtype=bool)]),
        np.concatenate([streets.length, np.hypot(*np.diff(chain, axis=0).T)]),
        streets.district_shapes,
        streets.district_names,
    )
    return longer, np.arange(len(longer.tail)) >= len(streets.tail)


def nearest_inlets(xy: Array, inlets: Array) -> tuple[Any, Array]:
    """Return the nearest inlet of each vault and how far it is in metres."""
    gap, at = cKDTree(inlets).query(xy)
    return at, gap
