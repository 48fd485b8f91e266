"""One town from ground to work orders, written table by table."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import shapely

from fleet import bounds, surveyed
from fleet import drains as drain_room
from fleet import vaults as vault_room
from fleet.files import Sink
from fleet.ground import Ground
from fleet.rain import Rain
from fleet.streets import lay_streets
from fleet.visits import take_samples, write_down
from fleet.water import plan_rounds, simulate
from fleet.waters import draw_waters
from fleet.work import open_work, yards


@dataclass
class Site:
    """What the region decides for one town before it is built."""

    seed: int
    place: int
    places: int
    name: str
    vaults: int
    orders: int
    crews: int
    piece_m: float

    @property
    def code(self) -> str:
        """Prefix of the town's ids."""
        return "SM" if self.place == 0 else f"T{self.place:02d}"

    def rng(self, stage: int) -> np.random.Generator:
        """Return the generator of one stage of this town."""
        return np.random.default_rng([self.seed, self.place, stage])

    def ground(self) -> Ground:
        """Return the town's ground."""
        return Ground(self.vaults, self.place, self.places, self.rng(1))


def build_town(
    site: Site, rain: Rain, sink: Sink, sea_id: str, watch: Any = None
) -> dict[str, Any]:
    """Write one town's rows to the sink and return what the region still needs of it."""
    ground, code = site.ground(), site.code
    streets = lay_streets(ground, site.rng(2), site.piece_m)
    waters = draw_waters(ground, streets.lines, code, site.name, sea_id, site.rng(3))
    drains = drain_room.lay_drains(ground, streets, waters.shapes, site.rng(4))
    longer, hill = vault_room.hill_road(ground, streets)
    vaults = vault_room.place_vaults(
        ground, longer, hill, site.vaults, code, site.name, waters.concern, site.rng(5)
    )
    own = [k for k, gauge_id in enumerate(rain.gauge_ids) if gauge_id.startswith(f"{code}-")]
    places = ground.world(vaults.xy)
    gaps = np.hypot(*(places[:, None, :] - rain.xy[own][None, :, :]).transpose(2, 0, 1))
    gauge = np.array(own)[gaps.argmin(axis=1)]
    _write_waters(sink, ground, waters)
    inlet_ids = _write_drains(sink, ground, drains, code, sea_id, site.rng(13))
    if site.place == 0:
        sink.layer("curbs", surveyed.curbs(ground, longer, code))
    ends = _write_roads(sink, ground, longer, code, site.rng(6))
    table = vaults.table.copy()
    table["gauge_id"] = np.array(rain.gauge_ids, dtype=object)[gauge]
    table.loc[site.rng(7).random(len(table)) < 0.01, "gauge_id"] = None
    table = bounds.barred_hours(table, site.rng(16))
    sink.layer("vaults", table.assign(geometry=shapely.points(places)))
    yard, dump = yards(
        code,
        site.name,
        streets.nodes,
        [
            (0.86 * ground.width, 0.36 * ground.depth),
            (0.58 * ground.width, 0.78 * ground.depth),
            (0.10 * ground.width, 0.40 * ground.depth),
            (0.78 * ground.width, 0.22 * ground.depth),
        ],
    )
    for name, frame in (("depots", yard), ("disposal_sites", dump)):
        spot = shapely.points(ground.world(frame[["x", "y"]].to_numpy()))
        sink.layer(name, frame.assign(geometry=spot))
    rng = site.rng(8)
    vault, day = plan_rounds(vaults, rain.days, rng)
    rounds, levels = simulate(vaults, gauge, rain, vault, day, rng, watch)
    inlet, gap = vault_room.nearest_inlets(vaults.xy, drains.inlet_xy)
    visits = write_down(
        vaults,
        rounds,
        rain,
        gauge,
        inlet,
        gap,
        inlet_ids,
        site.crews,
        sink.counts.get("visits", 0) + 1,
        code,
        site.rng(9),
    )
    visits = surveyed.odd_water(visits, site.rng(14))
    sink.rows("visits", visits)
    lately = site.rng(15)
    sink.layer("incidents", surveyed.incidents(places, code, lately))
    named = surveyed.choices(table["vault_id"], inlet_ids[inlet], lately)
    sink.rows("inlet_choices", named)
    sink.rows("samples", take_samples(visits, code, site.rng(10)))
    orders = bounds.bound_orders(
        open_work(table, site.orders, code, site.rng(11)), code, site.rng(17)
    )
    sink.rows("work_orders", orders)
    return {
        "orders": orders,
        "sea": ground.to_world(ground.sea),
        "depots": list(yard["depot_id"]),
        "table": table,
        "levels": levels,
        "ground": ground,
        "ends": sorted(ends, key=lambda end: float(end[1][0])),
    }


def gauge_spots(ground: Ground, count: int, rng: np.random.Generator) -> Any:
    """Return where a town's gauges stand, world coordinates."""
    spots = np.array([(0.47, 0.32), (0.20, 0.62), (0.76, 0.75)])[:count]
    spots = spots + rng.uniform(-0.02, 0.02, spots.shape)
    return ground.world(spots * [ground.width, ground.depth])


def _write_waters(sink: Sink, ground: Ground, waters: Any) -> None:
    for name, frame in (
        ("receiving_waters", waters.table),
        ("sensitive_areas", waters.areas),
        ("concern_sites", waters.concern),
        ("backdrop", waters.backdrop),
    ):
        moved = ground.to_world(frame["geometry"].to_numpy())
        if name in ("sensitive_areas", "backdrop"):
            moved = [shapely.multipolygons(shapely.get_parts(shape)) for shape in moved]
        sink.layer(name, frame.assign(geometry=moved))


def _write_drains(
    sink: Sink, ground: Ground, drains: Any, code: str, sea_id: str, rng: np.random.Generator
) -> Any:
    """Write inlets, pipes and outfalls and return the ids of the inlets."""
    nodes = ground.world(drains.nodes)
    width = len(str(len(nodes)))
    name = np.array([f"{code}-N{i:0{width}d}" for i in range(len(nodes))], dtype=object)
    wide = len(str(len(drains.tail)))
    sink.layer(
        "drain_pipes",
        pd.DataFrame(
            {
                "pipe_id": [f"{code}-P{i:0{wide}d}" for i in range(1, len(drains.tail) + 1)],
                "from_node": name[drains.tail],
                "to_node": name[drains.head],
                "diameter_in": drains.diameter_in,
                "length_ft": np.nan,
                **surveyed.inverts(ground, drains, rng),
                "kind": drains.kind,
                "system": drains.system,
                "geometry": shapely.linestrings(
                    np.stack([nodes[drains.tail], nodes[drains.head]], axis=1)
                ),
            }
        ),
    )
    ids = np.array([f"{code}-I{i:05d}" for i in range(1, len(drains.inlet_node) + 1)], dtype=object)
    sink.layer(
        "inlets",
        pd.DataFrame(
            {
                "inlet_id": ids,
                "node_id": name[drains.inlet_node],
                "kind": drains.inlet_kind,
                **surveyed.slopes(ground, drains.inlet_xy, rng),
                "geometry": shapely.points(nodes[drains.inlet_node]),
            }
        ),
    )
    end = drains.outfall_node
    water = [
        None if key is None else sea_id if key == "sea" else f"{code}-W-{key}"
        for key in drains.outfall_water
    ]
    outfall_ids = [f"{code}-F{i:03d}" for i in range(1, len(end) + 1)]
    sink.layer("drainage_areas", surveyed.areas(ground, drains, outfall_ids, code))
    sink.layer(
        "outfalls",
        pd.DataFrame(
            {
                "outfall_id": outfall_ids,
                **surveyed.ends(drains, rng),
                "node_id": name[end],
                "name": [f"Outfall {i}" for i in range(1, len(end) + 1)],
                "water_id": pd.Series(water, dtype=object),
                "geometry": shapely.points(nodes[end]),
            }
        ),
    )
    return ids


def _write_roads(
    sink: Sink, ground: Ground, streets: Any, code: str, rng: np.random.Generator
) -> list[tuple[str, Any]]:
    """Write the streets; return name and place of the first and last junction along the coast."""
    count = len(streets.tail)
    points = ground.world(streets.points)
    edge = np.repeat(np.arange(count), np.diff(streets.first))
    name = np.array([f"{code}-R{i:05d}" for i in range(len(streets.nodes))], dtype=object)
    quick = np.where(streets.is_main, np.round(streets.length / 1609.344 / 28 * 60, 2), np.nan)
    sink.layer(
        "roads",
        pd.DataFrame(
            {
                "road_id": [f"{code}-S{i:05d}" for i in range(1, count + 1)],
                "name": streets.names,
                "from_node": name[streets.tail],
                "to_node": name[streets.head],
                "minutes": quick,
                "one_way": _one_way(streets, rng),
                "geometry": shapely.linestrings(points, indices=edge),
            }
        ),
    )
    junctions = np.unique(np.concatenate([streets.tail, streets.head]))
    along = streets.nodes[junctions, 0]
    ends = (junctions[along.argmin()], junctions[along.argmax()])
    return [(name[end], ground.world(streets.nodes[[end]])[0]) for end in ends]


def _one_way(streets: Any, rng: np.random.Generator) -> Any:
    """Return a few one-way streets, none if they would cut a junction off."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    flags = (rng.random(len(streets.tail)) < 0.02) & ~streets.is_main
    back = ~flags
    a = np.concatenate([streets.tail, streets.head[back]])
    b = np.concatenate([streets.head, streets.tail[back]])
    count = len(streets.nodes)
    graph = coo_array((np.ones(len(a)), (a, b)), shape=(count, count))
    _, part = connected_components(graph, connection="strong")
    biggest = np.bincount(part).argmax()
    cut = part != biggest
    return flags & ~(cut[streets.tail] | cut[streets.head])
