"""Waters, sensitive areas, ground of concern and backdrop of a town."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from fleet.ground import Ground
from fleet.names import creek_names


@dataclass
class Waters:
    """Receiving waters by key, and the rows of the tables that go with them (local metres)."""

    shapes: dict[str, Any]
    table: pd.DataFrame
    areas: pd.DataFrame
    concern: pd.DataFrame
    backdrop: pd.DataFrame


def draw_waters(
    ground: Ground, streets: Any, code: str, town: str, sea_id: str, rng: np.random.Generator
) -> Waters:
    """Return a town's waters; creeks join, run to lagoon or bay, and all end in the sea.

    ``streets`` are the street lines, so that no landmark of the backdrop stands on one.
    """
    first = ground.place == 0
    penny, tallow, wick, minnow = creek_names(first, rng)
    lagoon = "Lantern Lagoon" if first else f"{town} Lagoon"
    pond = "Candle Pond" if first else f"{town} Pond"
    lines = ground.creek_lines
    unknown = None
    rows = [
        (
            "penny",
            penny,
            "creek",
            "lagoon",
            "none" if first else rng.choice(["none", "protected"]),
            "copper;trash",
            "wading",
        ),
        ("minnow", minnow, "creek", "penny", unknown, None, None),
        ("tallow", tallow, "creek", "bay", "none", "oil and grease;lead", "fishing"),
        ("wick", wick, "creek", "sea", "none", "none", "irrigation"),
        ("lagoon", lagoon, "lagoon", "sea", "protected", "sediment", "habitat;boating"),
        (
            "bay",
            "Saltmarrow Bay" if first else f"{town} Bay",
            "bay",
            "sea",
            "none",
            "bacteria",
            "swimming;shellfish;boating",
        ),
        ("pond", pond, "lake", "tallow", "outstanding", "none", "drinking"),
        (
            "marsh",
            "Rushlight Marsh" if first else f"{town} Marsh",
            "wetland",
            "lagoon",
            unknown,
            None,
            "habitat",
        ),
    ]
    shapes = {
        **lines,
        "lagoon": ground.lagoon,
        "bay": ground.bay,
        "pond": ground.pond,
        "marsh": ground.marsh,
    }

    def name_of(key: str) -> str:
        return sea_id if key == "sea" else f"{code}-W-{key}"

    table = pd.DataFrame(
        {
            "water_id": [name_of(r[0]) for r in rows],
            "name": [r[1] for r in rows],
            "kind": [r[2] for r in rows],
            "downstream_water_id": [name_of(r[3]) for r in rows],
            "protection": [r[4] for r in rows],
            "impairments": [r[5] for r in rows],
            "uses": [r[6] for r in rows],
            "geometry": [shapes[r[0]] for r in rows],
        }
    )
    areas = _areas(ground, code, lagoon, pond, town)
    return Waters(
        {**shapes, "sea": ground.sea},
        table,
        areas,
        _concern(ground, code, town, rng),
        _backdrop(ground, streets, code, lagoon, town),
    )


def _areas(ground: Ground, code: str, lagoon: str, pond: str, town: str) -> pd.DataFrame:
    f = ground.f
    shell = ground.bay.intersection(
        shapely.Point(ground.bay_u + 0.5 * ground.bay_w, ground.bay_v * 0.45).buffer(150 * f)
    )
    point = shapely.Point(ground.head_u, float(ground.shore(ground.head_u)) + 40 * f).buffer(
        230 * f
    )
    shore = ground.shoreline.buffer(60).intersection(point)
    rows = [
        ("habitat", f"{lagoon} reserve", ground.lagoon.buffer(45), "2025-05-12"),
        (
            "beach",
            "Whelk Sands" if town == "Saltmarrow" else f"{town} Sands",
            ground.beach,
            "2026-03-02",
        ),
        (
            "shellfish_bed",
            "Oyster Ledges" if town == "Saltmarrow" else f"{town} Ledges",
            shell,
            "2026-01-20",
        ),
        ("drinking_intake", f"{pond} intake", ground.pond.buffer(60), "2025-11-03"),
        (
            "protected_shore",
            "Foghorn Point" if town == "Saltmarrow" else f"{town} Point",
            shore,
            "2019-06-17",
        ),
    ]
    return pd.DataFrame(
        {
            "area_id": [f"{code}-A{i + 1}" for i in range(len(rows))],
            "name": [r[1] for r in rows],
            "kind": [r[0] for r in rows],
            "reviewed_on": pd.to_datetime([r[3] for r in rows]).as_unit("s"),
            "geometry": [_multi(r[2]) for r in rows],
        }
    )


def _concern(ground: Ground, code: str, town: str, rng: np.random.Generator) -> pd.DataFrame:
    w, d, f = ground.width, ground.depth, ground.f
    bay_edge = float(ground.shore(ground.bay_u))
    rows = [
        (
            "Old gasworks",
            "former gasworks",
            "open",
            650.0,
            ground.bay_u + 250 * f,
            bay_edge + 190 * f,
        ),
        ("Lye Street tannery", "former tannery", "closed", 450.0, w * 0.33, d * 0.44),
        ("Cinder Flats fuel depot", "fuel storage", "open", 700.0, w * 0.90, d * 0.24),
        ("Anvil plating works", "metal plating", "unknown", 500.0, w * 0.69, d * 0.50),
        ("Withy landfill", "old landfill", "open", 900.0, w * 0.12, d * 0.66),
        (
            "Capstan boatyard",
            "boat repair",
            "open",
            350.0,
            ground.bay_u - 0.9 * ground.bay_w,
            ground.bay_v * 0.9,
        ),
    ]
    xy = np.array([r[4:6] for r in rows]) + rng.uniform(-25, 25, (len(rows), 2)) * f
    return pd.DataFrame(
        {
            "site_id": [f"{code}-S{i + 1}" for i in range(len(rows))],
            "name": [r[0] if town == "Saltmarrow" else f"{town}: {r[0]}" for r in rows],
            "kind": [r[1] for r in rows],
            "status": [r[2] for r in rows],
            "radius_ft": [r[3] for r in rows],
            "geometry": list(shapely.points(xy)),
        }
    )


def _backdrop(ground: Ground, streets: Any, code: str, lagoon: str, town: str) -> pd.DataFrame:
    sea = ground.all_sea
    rows = [
        ("land", town, ground.land),
        ("water", "sea", sea),
        ("water", lagoon, ground.lagoon),
        ("water", "pond", ground.pond),
    ]
    rows += [
        ("park", name if town == "Saltmarrow" else None, park)
        for name, park in ground.parks.items()
    ]
    u, bay_v = ground.head_u, float(ground.shore(ground.bay_u))
    for name, at, size in (
        ("Foghorn light", (u, float(ground.shore(u)) + 60 * ground.f), (16, 16)),
        ("Market hall", (ground.bay_u - 0.02 * ground.width, ground.depth * 0.335), (46, 26)),
        ("Gasworks sheds", (ground.bay_u + 250 * ground.f, bay_v + 190 * ground.f), (52, 30)),
    ):
        hall = _beside_streets(ground, streets, at, size)
        if hall is not None:
            rows.append(("building", name, hall))
    return pd.DataFrame(
        {
            "shape_id": [f"{code}-B{i + 1}" for i in range(len(rows))],
            "kind": [r[0] for r in rows],
            "name": [r[1] for r in rows],
            "geometry": [_multi(r[2]) for r in rows],
        }
    )


def _beside_streets(ground: Ground, streets: Any, at: Any, size: tuple[int, int]) -> Any:
    """Return a building near a place, clear of streets and water; None if there is no room."""
    du, dv = np.meshgrid(np.arange(-160, 161, 8.0), np.arange(-160, 161, 8.0))
    order = np.argsort(np.hypot(du, dv), axis=None)
    u, v = at[0] + du.ravel()[order], at[1] + dv.ravel()[order]
    a, b = size[0] / 2, size[1] / 2
    halls = shapely.box(u - a, v - b, u + a, v + b)
    lines = np.concatenate([streets, np.array(list(ground.creek_lines.values()), dtype=object)])
    near = lines[shapely.dwithin(lines, shapely.Point(at), 320)]
    taken = shapely.union_all(near).buffer(12)
    shapely.prepare(taken)
    shapely.prepare(ground.land)
    free = np.flatnonzero(~shapely.intersects(taken, halls) & shapely.contains(ground.land, halls))
    return halls[free[0]] if len(free) else None


def _multi(shape: Any) -> Any:
    return shapely.multipolygons([g for g in shapely.get_parts(shape) if g.geom_type == "Polygon"])
