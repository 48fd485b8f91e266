"""What a surveyor adds to the drains: curbs, slopes, inverts, areas; and what happened lately."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import shapely
from scipy.spatial import cKDTree

from fleet.drains import Drains
from fleet.ground import Array, Ground
from fleet.streets import Streets

CURB_M = 4.6  # from the middle of the street
FT_PER_M = 3.28084
COLORS = np.array(["tea brown", "milky white", "green tint", "rust orange"], dtype=object)


def odd_water(visits: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the visits with color, foam and, at few of them, a pH reading."""
    rows = len(visits)
    is_wet = visits["finding"].isin(["wet", "full"]).to_numpy()
    rank = visits["grade"].map({"clear": 0.01, "light": 0.04, "heavy": 0.12}).fillna(0.02)
    color = np.where(is_wet & (rng.random(rows) < rank), rng.choice(COLORS, rows), None)
    foam = is_wet & (rng.random(rows) < 0.006)
    told = is_wet & (rng.random(rows) < 0.93)
    ph = np.where(is_wet & (rng.random(rows) < 0.08), rng.normal(7.3, 0.55, rows).round(1), np.nan)
    return visits.assign(
        color=color,
        has_foam=pd.array(np.where(told, foam, None), dtype="boolean"),
        ph=ph,
    )


def slopes(ground: Ground, inlet_xy: Array, rng: np.random.Generator) -> dict[str, Any]:
    """Return fall along and across the street at each inlet; a tenth were never measured."""
    count = len(inlet_xy)
    east = ground.elevation_ft(*(inlet_xy + np.array([20.0, 0.0])).T)
    north = ground.elevation_ft(*(inlet_xy + np.array([0.0, 20.0])).T)
    here = ground.elevation_ft(*inlet_xy.T)
    steep = np.hypot(east - here, north - here) / (20.0 * FT_PER_M)
    along = np.round(np.clip(steep * rng.uniform(0.4, 1.0, count), 0.002, 0.14), 4)
    across = np.round(rng.uniform(0.015, 0.04, count), 3)
    along[rng.random(count) < 0.10] = np.nan
    across[rng.random(count) < 0.10] = np.nan
    owner = np.where(rng.random(count) < 0.008, "private", "public").astype(object)
    owner[rng.random(count) < 0.25] = None
    return {"gutter_slope_frac": along, "cross_slope_frac": across, "owner": owner}


def inverts(ground: Ground, drains: Drains, rng: np.random.Generator) -> dict[str, Any]:
    """Return the inside bottom at both ends of each pipe; two in five were never surveyed."""
    z = ground.elevation_ft(*drains.nodes.T)
    leg_ft = np.hypot(*(drains.nodes[drains.head] - drains.nodes[drains.tail]).T) * FT_PER_M
    start = z[drains.tail] - 5.0
    stop = np.minimum(z[drains.head] - 5.0, start - 0.004 * leg_ft)
    blank = (rng.random(len(leg_ft)) < 0.4) | (drains.kind == "gutter")
    return {
        "from_invert_ft": np.where(blank, np.nan, start.round(2)),
        "to_invert_ft": np.where(blank, np.nan, stop.round(2)),
    }


def ends(drains: Drains, rng: np.random.Generator) -> dict[str, Any]:
    """Return what is known of each outfall beyond its place."""
    count = len(drains.outfall_node)
    kind = np.full(count, "outfall", dtype=object)
    kind[rng.random(count) < 0.3] = None
    low = np.array([water == "sea" for water in drains.outfall_water])
    cap = np.where(rng.random(count) < 0.15, 5000.0, np.nan)
    return {
        "kind": kind,
        "tide_locked": pd.array(np.where(low, rng.random(count) < 0.3, None), dtype="boolean"),
        "daily_cap_gal": cap,
    }


def curbs(ground: Ground, streets: Streets, code: str) -> pd.DataFrame:
    """Return a curb along each side of each street."""
    lines = np.concatenate(
        [shapely.offset_curve(streets.lines, side * CURB_M) for side in (1.0, -1.0)]
    )
    lines = shapely.simplify(lines[shapely.get_type_id(lines) == 1], 0.5)
    lines = lines[~shapely.is_empty(lines)]
    return pd.DataFrame(
        {
            "curb_id": [f"{code}-K{i:05d}" for i in range(1, len(lines) + 1)],
            "geometry": ground.to_world(lines),
        }
    )


def areas(ground: Ground, drains: Drains, outfall_ids: Any, code: str) -> pd.DataFrame:
    """Return the ground around the two outfalls with most inlets, as an engineer drew it once."""
    near = cKDTree(drains.nodes[drains.outfall_node]).query(drains.inlet_xy)[1]
    busiest = np.argsort(-np.bincount(near, minlength=len(drains.outfall_node)), kind="stable")[:2]
    shapes = [
        shapely.convex_hull(shapely.multipoints(drains.inlet_xy[near == end])).buffer(60.0)
        for end in busiest
    ]
    moved = ground.to_world(np.array(shapes, dtype=object))
    return pd.DataFrame(
        {
            "area_id": [f"{code}-A{i}" for i in range(1, len(shapes) + 1)],
            "outfall_id": np.asarray(outfall_ids, dtype=object)[busiest],
            "geometry": [shapely.multipolygons([shape]) for shape in moved],
        }
    )


def incidents(places: Array, code: str, rng: np.random.Generator) -> pd.DataFrame:
    """Return a spill, a main break and an old fire; ``places`` are the vaults' in the world."""
    at = places[rng.choice(len(places), 3, replace=False)] + rng.normal(0, 15, (3, 2))
    return pd.DataFrame(
        {
            "incident_id": [f"{code}-E{i}" for i in range(1, 4)],
            "kind": ["spill", "main_break", "fire"],
            "happened_on": pd.to_datetime(["2026-10-21", "2026-10-27", "2025-03-14"]),
            "cleared_on": pd.to_datetime([None, None, "2025-04-02"]),
            "radius_ft": [400.0, 250.0, 500.0],
            "geometry": shapely.points(at),
        }
    )


def choices(vault_ids: Any, inlet_ids: Any, rng: np.random.Generator) -> pd.DataFrame:
    """Return three vaults for which someone named the inlet; the arrays run over vaults."""
    at = np.sort(rng.choice(len(vault_ids), 3, replace=False))
    return pd.DataFrame(
        {
            "vault_id": np.asarray(vault_ids, dtype=object)[at],
            "inlet_id": np.asarray(inlet_ids, dtype=object)[at],
            "who": "R. Imaginary (invented)",
            "why": "dye test",
            "made_on": pd.to_datetime(["2026-03-09", "2026-03-09", "2026-08-24"]),
        }
    )
