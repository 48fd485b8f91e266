"""A small believable week in the invented town of Saltmarrow, for every output to be drawn from.

Forty vaults, twelve orders, two crews and one vacuum truck over three days. Every number is made
up; the frames have the shape of ``schema.TABLES`` and nothing more.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from shapely.geometry import LineString, MultiPolygon, Point, Polygon

from vaultplan import schema
from vaultplan.settings import Settings

CRS = "EPSG:32606"
ORIGIN = np.array([500_000.0, 4_206_000.0])
FT_PER_M = 1 / 0.3048
BLOCK_M = 200
AVENUES = range(0, 1601, BLOCK_M)
STREETS = range(0, 1001, BLOCK_M)
DRAIN_AVENUES = (0, 400, 800, 1200, 1600)
OUTFALL_OF = {0: "OF-1", 400: "OF-2", 800: "OF-3", 1200: "OF-4", 1600: "OF-5"}
WATER_OF = {"OF-1": "W-BAY", "OF-2": "W-BAY", "OF-3": "W-BAY", "OF-4": "W-LAG", "OF-5": "W-CRK"}
BELOW = {"W-BAY": "W-BAY", "W-LAG": "W-LAG;W-BAY", "W-CRK": "W-CRK;W-LAG;W-BAY"}
DAYS = tuple(pd.Timestamp(day) for day in ("2026-03-02", "2026-03-03", "2026-03-04"))
AS_OF = pd.Timestamp("2026-02-27")
PLAN = "PLAN-2026-03-02"
ZONE = "Etc/GMT+10"


def at(x: float, y: float) -> Point:
    """Return a point given in metres east and north of the town's corner."""
    return Point(ORIGIN[0] + x, ORIGIN[1] + y)


def line(*points: tuple[float, float]) -> LineString:
    return LineString([at(x, y) for x, y in points])


def area(*points: tuple[float, float]) -> MultiPolygon:
    return MultiPolygon([Polygon([at(x, y) for x, y in points])])


def table(name: str, rows: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Return rows as the declared table, placed in the town's CRS if it has a geometry."""
    declared = schema.table(name)
    if declared.geometry is None:
        return declared.conform(pd.DataFrame(list(rows)))
    return declared.conform(gpd.GeoDataFrame(list(rows), geometry="geometry", crs=CRS))


def local(day: pd.Timestamp, clock: str) -> pd.Timestamp:
    """Return a time of day in the town as UTC."""
    return pd.Timestamp(f"{day:%Y-%m-%d} {clock}").tz_localize(ZONE).tz_convert("UTC")


def _places() -> list[tuple[float, float]]:
    along_streets = [(x + 90.0, y + 4.0) for y in STREETS for x in list(AVENUES)[:-1]]
    return along_streets[4:44]


def _vaults() -> pd.DataFrame:
    rows = []
    for number, (x, y) in enumerate(_places(), start=1):
        has_round = number % 7 == 0
        rows.append(
            {
                "vault_id": f"SM-{1000 + number}",
                "kind": ("vault", "vault", "manhole", "handhole")[number % 4],
                "status": "other_owner" if number == 39 else "in_service",
                "address": f"{100 + number * 4} {_street_name(int(y - 4))}",
                "district": "Quayside" if y < 400 else "Terraces",
                "setting": ("street", "sidewalk", "parkway")[number % 3],
                "shape": "round" if has_round else "rectangular",
                "length_ft": 5.0 if has_round else 10.0 + number % 4,
                "width_ft": None if has_round else 6.0,
                "depth_ft": 7.0 + number % 3,
                "gear_frac": 0.15,
                "rim_elev_ft": 12.0 + y / 40,
                "lid": ("sealed", "vented", "slotted")[number % 3],
                "soil_group": "ABCD"[number % 4],
                "water_table_ft": 6.0 + y / 80,
                "has_irrigation": number % 3 == 2,
                "land_use": "shops" if y < 400 else "homes",
                "gauge_id": "G-1",
                "pcb_status": "unknown" if number == 17 else "no_oil",
                "access_notes": "Ask the harbour office for the gate key" if number == 6 else None,
                "geometry": at(x, y),
            }
        )
    return table("vaults", rows)


def _street_name(y: int) -> str:
    names = ("Kelp Row", "Ropewalk", "Tern Street", "Beacon Street", "Cistern Lane", "Upland Road")
    return names[y // BLOCK_M]


def _avenue_name(x: int) -> str:
    names = ("Mast", "Oar", "Pilot", "Quarterdeck", "Rigging", "Sextant", "Tiller", "Vane", "Wharf")
    return f"{names[x // BLOCK_M]} Avenue"


def _roads() -> pd.DataFrame:
    rows = [
        {"road_id": f"H{y}-{x}", "name": _street_name(y), "geometry": line((x, y), (x + 200, y))}
        for y, x in itertools.product(STREETS, list(AVENUES)[:-1])
    ]
    rows += [
        {"road_id": f"V{x}-{y}", "name": _avenue_name(x), "geometry": line((x, y), (x, y + 200))}
        for x, y in itertools.product(AVENUES, list(STREETS)[:-1])
    ]
    return table("roads", rows)


_SHORE = [(x, -140 + 35 * np.sin(x / 260) + 12 * np.sin(x / 70)) for x in range(-600, 2301, 50)]


def _backdrop() -> pd.DataFrame:
    land = [*_SHORE, (2300, 1500), (-600, 1500)]
    rows = [
        {"shape_id": "B-1", "kind": "land", "name": None, "geometry": area(*land)},
        {
            "shape_id": "B-2",
            "kind": "park",
            "name": "Signal Green",
            "geometry": area((620, 620), (780, 620), (780, 780), (620, 780)),
        },
    ]
    return table("backdrop", rows)


def _receiving_waters() -> pd.DataFrame:
    bay = [*_SHORE, (2300, -600), (-600, -600)]
    lagoon = [(1130, -20), (1420, -15), (1660, -30), (1700, -120), (1500, -160), (1180, -110)]
    creek = ((1780, 1500), (1740, 900), (1760, 420), (1690, 60), (1640, -40))
    rows = [
        {
            "water_id": "W-BAY",
            "name": "Longreach Bay",
            "kind": "bay",
            "downstream_water_id": None,
            "protection": "none",
            "impairments": "none",
            "uses": "swimming",
            "geometry": area(*bay),
        },
        {
            "water_id": "W-LAG",
            "name": "Sallow Lagoon",
            "kind": "lagoon",
            "downstream_water_id": "W-BAY",
            "protection": "protected",
            "impairments": "copper;sediment",
            "uses": "shellfish",
            "geometry": area(*lagoon),
        },
        {
            "water_id": "W-CRK",
            "name": "Ember Creek",
            "kind": "creek",
            "downstream_water_id": "W-LAG",
            "protection": None,
            "impairments": None,
            "uses": None,
            "geometry": line(*creek),
        },
    ]
    return table("receiving_waters", rows)


def _sensitive_areas() -> pd.DataFrame:
    beach = [(-80, -210), (420, -150), (420, -40), (-80, -60)]
    eelgrass = [(1200, -100), (1480, -110), (1500, -30), (1210, -40)]
    rows = [
        {"area_id": "A-1", "name": "Low Strand", "kind": "beach", "geometry": area(*beach)},
        {
            "area_id": "A-2",
            "name": "Sallow eelgrass",
            "kind": "habitat",
            "geometry": area(*eelgrass),
        },
    ]
    reviewed = [{"reviewed_on": pd.Timestamp("2025-06-01"), **row} for row in rows]
    return table("sensitive_areas", reviewed)


def _concern_sites() -> pd.DataFrame:
    return table(
        "concern_sites",
        [
            {
                "site_id": "C-1",
                "name": "Old gasworks",
                "kind": "gasworks",
                "status": "open",
                "radius_ft": 400.0,
                "geometry": at(505, 395),
            }
        ],
    )


def _inlets() -> pd.DataFrame:
    return table(
        "inlets",
        [
            {
                "inlet_id": f"I-{x}-{y}",
                "node_id": f"N-{x}-{y}",
                "kind": "curb",
                "geometry": at(x + 6, y + 6),
            }
            for x, y in itertools.product(DRAIN_AVENUES, STREETS)
        ],
    )


def _outfall_spot(x: int) -> tuple[float, float]:
    return (1690.0, 60.0) if x == 1600 else (float(x), -40.0 if x == 1200 else -160.0)


def _drain_pipes() -> pd.DataFrame:
    rows = []
    for x, y in itertools.product(DRAIN_AVENUES, STREETS):
        end = f"N-{x}-{y - BLOCK_M}" if y else f"N-{x}-out"
        spot = (float(x), float(y - BLOCK_M)) if y else _outfall_spot(x)
        rows.append(
            {
                "pipe_id": f"P-{x}-{y}",
                "from_node": f"N-{x}-{y}",
                "to_node": end,
                "diameter_in": 18.0 + (1000 - y) / 50,
                "kind": "pipe",
                "system": "storm",
                "geometry": line((x, y), spot),
            }
        )
    return table("drain_pipes", rows)


def _outfalls() -> pd.DataFrame:
    return table(
        "outfalls",
        [
            {
                "outfall_id": name,
                "node_id": f"N-{x}-out",
                "name": f"{_avenue_name(x)} outfall",
                "water_id": WATER_OF[name],
                "geometry": at(*_outfall_spot(x)),
            }
            for x, name in OUTFALL_OF.items()
        ],
    )


def _traces(vaults: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for number, (vault_id, (x, y)) in enumerate(
        zip(vaults["vault_id"], _places(), strict=True), start=1
    ):
        avenue = min(DRAIN_AVENUES, key=lambda drain: abs(drain - x))
        street = int(y - 4)
        to_inlet = [(x, y), (x, street + 2.0), (avenue + 6.0, street + 6.0)]
        down = [(float(avenue), float(step)) for step in range(street, -1, -BLOCK_M)]
        spot = _outfall_spot(avenue)
        gutter_ft = abs(avenue - x) * FT_PER_M
        pipe_ft = line(*down, spot).length * FT_PER_M
        outfall = OUTFALL_OF[avenue]
        if number == 20:
            row: dict[str, Any] = {
                "trace_status": "no_outfall",
                "confidence": "low",
                "inlet_id": f"I-{avenue}-{street}",
                "gutter_ft": gutter_ft,
                "reason": "the pipe from the inlet ends at a node without outfall",
                "geometry": line(*to_inlet),
            }
        elif number == 33:
            row = {
                "trace_status": "no_inlet",
                "confidence": "low",
                "reason": "no inlet within 1,500 ft",
                "geometry": None,
            }
        else:
            row = {
                "trace_status": "complete",
                "confidence": "high" if gutter_ft < 400 else "medium",
                "inlet_id": f"I-{avenue}-{street}",
                "gutter_ft": gutter_ft,
                "pipe_ft": pipe_ft,
                "length_ft": gutter_ft + pipe_ft,
                "end_node": f"N-{avenue}-out",
                "outfall_id": outfall,
                "water_id": WATER_OF[outfall],
                "waters_passed": BELOW[WATER_OF[outfall]],
                "reason": "followed to an outfall",
                "geometry": line(*to_inlet, *down, spot),
            }
        rows.append({"vault_id": vault_id, **row})
    return table("traces", rows)


def _forecasts(vaults: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for number, vault in enumerate(vaults.itertuples(), start=1):
        width = vault.width_ft if vault.width_ft > 0 else vault.length_ft * 0.785
        capacity = vault.length_ft * width * vault.depth_ft * 0.85 * 7.48052
        share = (0.05, 0.3, 0.55, 0.8)[number % 4]
        heavy = (0.04, 0.1, 0.62, 0.15, 0.08)[number % 5]
        light = (0.16, 0.6, 0.28, 0.25, 0.5)[number % 5]
        is_unknown = number in (4, 29)
        for day in DAYS:
            rows.append(
                {
                    "vault_id": vault.vault_id,
                    "on": day,
                    "as_of_on": AS_OF,
                    "depth_in_p10": vault.depth_ft * 12 * share * 0.6,
                    "depth_in_p50": vault.depth_ft * 12 * share,
                    "depth_in_p90": vault.depth_ft * 12 * min(share * 1.4, 1.0),
                    "volume_gal_p10": capacity * share * 0.6,
                    "volume_gal_p50": capacity * share,
                    "volume_gal_p90": capacity * min(share * 1.4, 1.0),
                    "volume_gal_mean": capacity * share * 1.02,
                    "capacity_gal": capacity,
                    "prob_dry": 0.3 if share < 0.1 else 0.02,
                    "prob_full": 0.2 if share > 0.7 else 0.01,
                    "prob_clear": None if is_unknown else round(1 - light - heavy, 6),
                    "prob_light": None if is_unknown else light,
                    "prob_heavy": None if is_unknown else heavy,
                    "refill_hours_p10": 6.0,
                    "refill_hours_p50": 30.0,
                    "refill_hours_p90": 140.0,
                    "visit_count": 0 if is_unknown else 2 + number % 5,
                    "confidence": "low" if is_unknown else ("high", "medium")[number % 2],
                    "reason": "never visited; rests on vaults like it"
                    if is_unknown
                    else f"{2 + number % 5} own visits and 8 years of rain",
                }
            )
    return table("forecasts", rows)


_METHOD = {"clear": "storm_drain", "light": "filter_sock", "heavy": "vacuum_truck"}


def _likeliest(forecast: Any) -> str:
    chances = {g: getattr(forecast, f"prob_{g}") for g in schema.GRADES}
    known = {g: c for g, c in chances.items() if c == c and c is not None}
    return max(known, key=lambda grade: known[grade]) if known else "unknown"


def _decisions(forecasts: pd.DataFrame, traces: pd.DataFrame) -> pd.DataFrame:
    traced = traces.set_index("vault_id")
    rows = []
    for forecast in forecasts.itertuples():
        grade, trace = _likeliest(forecast), traced.loc[forecast.vault_id]
        method = _METHOD.get(grade, "filter_sock")
        fired, why, gate, sensitivity = ["by_grade"], [f"water likely {grade}"], "go", "ordinary"
        if trace["trace_status"] != "complete":
            fired, gate, sensitivity = [*fired, "unknown_end"], "hold", "unknown"
            why.append("nobody knows where this drain ends")
        elif "W-LAG" in trace["waters_passed"]:
            sensitivity = "protected"
            if method == "storm_drain":
                method, fired = "filter_sock", [*fired, "sock_above_protected"]
                why.append("the drain ends in a protected water, so at least a sock")
        if forecast.vault_id == "SM-1017":
            gate, fired = "refer", [*fired, "pcb_unknown"]
            why.append("oil of its gear was never tested for PCB")
        rows.append(
            {
                "vault_id": forecast.vault_id,
                "on": forecast.on,
                "method": method,
                "gate": gate,
                "sensitivity": sensitivity,
                "grade_reckoned": grade,
                "rules_fired": ";".join(fired),
                "reason": "; ".join(why),
            }
        )
    return table("decisions", rows)


def _sensitivities() -> pd.DataFrame:
    return table(
        "sensitivities",
        [
            {"water_id": "W-BAY", "sensitivity": "ordinary", "reason": "no protection, not listed"},
            {"water_id": "W-LAG", "sensitivity": "protected", "reason": "protected; listed copper"},
            {
                "water_id": "W-CRK",
                "sensitivity": "protected",
                "reason": "runs into Sallow Lagoon, which is protected",
            },
        ],
    )


# order, vault, truck, day, start; the first nine are served
_SERVED = (
    ("WO-501", "SM-1010", "CREW-A", 0, "08:10"),
    ("WO-502", "SM-1003", "CREW-A", 0, "10:20"),
    ("WO-503", "SM-1012", "CREW-A", 1, "09:40"),
    ("WO-504", "SM-1015", "CREW-B", 0, "08:30"),
    ("WO-505", "SM-1021", "CREW-B", 0, "11:00"),
    ("WO-506", "SM-1022", "CREW-B", 1, "12:10"),
    ("WO-507", "SM-1026", "CREW-A", 1, "12:30"),
    ("WO-508", "SM-1035", "CREW-B", 2, "08:20"),
    ("WO-509", "SM-1037", "CREW-B", 2, "11:30"),
)
_UNSERVED = (
    ("WO-510", "SM-1020", "held", "the drain's end is not known; trace it with the drain's owner"),
    ("WO-511", "SM-1017", "referred", "PCB not tested; the specialist decides after a sample"),
    (
        "WO-512",
        "SM-1040",
        "not_scheduled",
        "no crew with the fiber skill has time this week; add a shift or move the due date",
    ),
)


def _orders() -> list[tuple[str, str]]:
    return [(o, v) for o, v, *_ in _SERVED] + [(o, v) for o, v, *_ in _UNSERVED]


def _work_orders() -> pd.DataFrame:
    tasks = ("Inspect joints", "Replace cable support", "Read relay", "Splice fiber")
    return table(
        "work_orders",
        [
            {
                "order_id": order,
                "vault_id": vault,
                "task": tasks[number % 4],
                "earliest_on": pd.Timestamp("2026-02-16"),
                "due_on": pd.Timestamp("2026-03-06") + pd.Timedelta(days=number),
                "priority": 1 + number % 5,
                "task_minutes": 40.0 + 10 * (number % 3),
                "skill": "fiber" if order == "WO-512" else None,
                "needs_entry": number % 2 == 0,
                "window_from": "09:00" if number == 2 else None,
                "window_to": "14:00" if number == 2 else None,
                "status": "open",
            }
            for number, (order, vault) in enumerate(_orders())
        ],
    )


def _fleet() -> dict[str, pd.DataFrame]:
    crew = {
        "kind": "crew",
        "depot_id": "D-1",
        "skills": "entry",
        "shift_from": "07:00",
        "shift_to": "15:30",
        "days": "mon;tue;wed;thu;fri",
        "overtime_minutes": 60.0,
        "pump_gpm": 125.0,
        "sock_count": 6,
        "usd_per_hour": 240.0,
    }
    vacuum = {
        **crew,
        "kind": "vacuum",
        "skills": None,
        "sock_count": 0,
        "tank_gal": 3000.0,
        "payload_lb": 26000.0,
        "usd_per_hour": 190.0,
    }
    depot = {"depot_id": "D-1", "name": "Ropewalk yard", "geometry": at(0, 200)}
    site = {
        "site_id": "T-1",
        "name": "Upland treatment works",
        "open_from": "07:00",
        "open_to": "16:00",
        "dump_minutes": 25.0,
        "usd_per_gal": 0.4,
        "takes": "oily_water;sediment",
        "geometry": at(1000, 1180),
    }
    return {
        "trucks": table(
            "trucks",
            [
                {"truck_id": "CREW-A", **crew},
                {"truck_id": "CREW-B", **crew},
                {"truck_id": "VAC-1", **vacuum},
            ],
        ),
        "depots": table("depots", [depot]),
        "disposal_sites": table("disposal_sites", [site]),
    }


def _rankings() -> pd.DataFrame:
    return table(
        "rankings",
        [
            {
                "order_id": order,
                "vault_id": vault,
                "rank": number,
                "score": 92.0 - 5 * number,
                "value_volume": 0.9 - 0.05 * number,
                "value_contamination": 0.8 - 0.04 * number,
                "value_sensitivity": 0.25 * (number % 4),
                "value_urgency": 1.0 - 0.06 * number,
                "reason": "much water, likely dirty" if number < 5 else "due soon",
            }
            for number, (order, vault) in enumerate(_orders(), start=1)
        ],
    )


def _plan_jobs(frames: schema.Frames) -> pd.DataFrame:
    orders = frames["work_orders"].set_index("order_id")
    forecasts = frames["forecasts"].drop_duplicates("vault_id").set_index("vault_id")
    decisions = frames["decisions"].drop_duplicates("vault_id").set_index("vault_id")
    vaults = frames["vaults"].set_index("vault_id")
    rankings = frames["rankings"].set_index("order_id")
    rows = []
    for order, vault in _orders():
        forecast, decision, ranked = forecasts.loc[vault], decisions.loc[vault], rankings.loc[order]
        rows.append(
            {
                "plan_id": PLAN,
                "order_id": order,
                "vault_id": vault,
                **{
                    name: orders.loc[order, name]
                    for name in ("task", "skill", "priority", "window_from", "window_to")
                },
                "rank": ranked["rank"],
                "score": ranked["score"],
                "allowed_days": ";".join(f"{day:%Y-%m-%d}" for day in DAYS),
                "method": decision["method"],
                "gate": decision["gate"],
                **{f"volume_gal_p{p}": forecast[f"volume_gal_p{p}"] for p in (10, 50, 90)},
                "load_gal": forecast["volume_gal_p90"],
                "setup_minutes": 10.0,
                "task_minutes": orders.loc[order, "task_minutes"],
                "refill_minutes": 240.0,
                "rules_fired": decision["rules_fired"],
                "reason": f"{ranked['reason']}; {decision['reason']}",
                "geometry": vaults.loc[vault, "geometry"],
            }
        )
    return table("plan_jobs", rows)


def _crew_stops(jobs: pd.DataFrame) -> list[dict[str, Any]]:
    by_order = jobs.set_index("order_id")
    rows = []
    for order, vault, truck, day, clock in _SERVED:
        job = by_order.loc[order]
        start = local(DAYS[day], clock)
        pumped = job["method"] != "vacuum_truck"
        minutes = 10 + job["task_minutes"] + (job["load_gal"] / 125 if pumped else 0)
        rows.append(
            {
                "truck_id": truck,
                "on": DAYS[day],
                "kind": "pump_out" if pumped else "work",
                "order_id": order,
                "vault_id": vault,
                "drive_minutes": 7.0,
                "arrive_at": start,
                "start_at": start,
                "leave_at": start + pd.Timedelta(minutes=round(minutes)),
                "load_gal": job["load_gal"] if pumped else 0.0,
                "socks": 1 if job["method"] == "filter_sock" else 0,
                "geometry": job["geometry"],
            }
        )
    return rows


def _vacuum_stops(crew_stops: Iterable[Mapping[str, Any]], site: Point) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    for stop in crew_stops:
        if stop["kind"] != "work":
            continue
        arrive = stop["start_at"] - pd.Timedelta(minutes=75)
        load = float(stop["_need_gal"])
        shared = {"truck_id": "VAC-1", "on": stop["on"], "drive_minutes": 9.0, "socks": 0}
        rows.append(
            {
                **shared,
                "kind": "vacuum",
                "order_id": stop["order_id"],
                "vault_id": stop["vault_id"],
                "arrive_at": arrive,
                "start_at": arrive,
                "leave_at": arrive + pd.Timedelta(minutes=35),
                "load_gal": load,
                "tank_after_gal": load,
                "geometry": stop["geometry"],
            }
        )
        tipped = arrive + pd.Timedelta(minutes=45)
        rows.append(
            {
                **shared,
                "kind": "dump",
                "site_id": "T-1",
                "arrive_at": tipped,
                "start_at": tipped,
                "leave_at": tipped + pd.Timedelta(minutes=25),
                "load_gal": load,
                "tank_after_gal": 0.0,
                "geometry": site,
            }
        )
    return rows


def _plan_stops(frames: schema.Frames) -> pd.DataFrame:
    need = frames["plan_jobs"].set_index("order_id")["load_gal"]
    planned = _crew_stops(frames["plan_jobs"])
    crew = [{**stop, "_need_gal": need[stop["order_id"]]} for stop in planned]
    stops = crew + _vacuum_stops(crew, frames["disposal_sites"].geometry.iloc[0])
    stops.sort(key=lambda stop: (stop["truck_id"], stop["on"], stop["arrive_at"]))
    rows = []
    for _, day in itertools.groupby(stops, key=lambda stop: (stop["truck_id"], stop["on"])):
        rows += [{"plan_id": PLAN, "stop_number": n, **stop} for n, stop in enumerate(day, start=1)]
    return table("plan_stops", rows)


def _corner(a: Point, b: Point) -> list[tuple[float, float]]:
    avenue = ORIGIN[0] + (a.x - ORIGIN[0]) // BLOCK_M * BLOCK_M
    return [(a.x, a.y), (avenue, a.y), (avenue, b.y), (b.x, b.y)]


def _routes(frames: schema.Frames) -> pd.DataFrame:
    yard = frames["depots"].geometry.iloc[0]
    rows = []
    for (truck, day), stops in frames["plan_stops"].groupby(["truck_id", "on"], sort=True):
        spots = [yard, *stops.geometry, yard]
        way = LineString([p for a, b in itertools.pairwise(spots) for p in _corner(a, b)])
        rows.append(
            {
                "plan_id": PLAN,
                "truck_id": truck,
                "on": day,
                "stop_count": len(stops),
                "drive_minutes": way.length / 500,
                "drive_mi": way.length / 1609.344,
                "geometry": way,
            }
        )
    return table("routes", rows)


def _visits(vaults: pd.DataFrame) -> pd.DataFrame:
    rows = []
    for number, vault_id in enumerate(vaults["vault_id"], start=1):
        if number in (4, 29):
            continue
        for visit in range(3):
            grade = schema.GRADES[(number + visit) % 3]
            rows.append(
                {
                    "visit_id": f"V-{number}-{visit}",
                    "vault_id": vault_id,
                    "visited_at": local(pd.Timestamp("2025-01-15"), "09:30")
                    + pd.Timedelta(days=120 * visit + number),
                    "finding": "wet",
                    "depth_in": 12.0 + 3 * visit,
                    "left_depth_in": 1.0,
                    "grade": grade,
                    "has_sheen": grade == "heavy",
                    "disposal": _METHOD[grade],
                    "volume_gal": 150.0 + 40 * visit,
                    "volume_basis": "measured",
                    "crew": "CREW-A",
                }
            )
    return table("visits", rows)


def _build() -> dict[str, pd.DataFrame]:
    frames: dict[str, pd.DataFrame] = {"vaults": _vaults(), **_fleet()}
    for name, build in {
        "roads": _roads,
        "backdrop": _backdrop,
        "receiving_waters": _receiving_waters,
        "sensitive_areas": _sensitive_areas,
        "concern_sites": _concern_sites,
        "inlets": _inlets,
        "drain_pipes": _drain_pipes,
        "outfalls": _outfalls,
        "work_orders": _work_orders,
        "sensitivities": _sensitivities,
        "rankings": _rankings,
    }.items():
        frames[name] = build()
    frames["visits"] = _visits(frames["vaults"])
    frames["traces"] = _traces(frames["vaults"])
    frames["forecasts"] = _forecasts(frames["vaults"])
    frames["decisions"] = _decisions(frames["forecasts"], frames["traces"])
    frames["plans"] = table(
        "plans",
        [
            {
                "plan_id": PLAN,
                "week_of": DAYS[0],
                "as_of_on": AS_OF,
                "made_at": local(AS_OF, "16:05"),
                "seed": 1,
                "rules_version": "3f9a61c2e07b",
                "settings_version": "a41d0c8e9f35",
                "state": "checked",
            }
        ],
    )
    frames["plan_jobs"] = _plan_jobs(frames)
    frames["plan_stops"] = _plan_stops(frames)
    frames["plan_unserved"] = table(
        "plan_unserved",
        [
            {"plan_id": PLAN, "order_id": o, "vault_id": v, "outcome": outcome, "reason": why}
            for o, v, outcome, why in _UNSERVED
        ],
    )
    frames["routes"] = _routes(frames)
    return frames


@pytest.fixture(scope="session")
def _week() -> dict[str, pd.DataFrame]:
    return _build()


@pytest.fixture
def week_frames(_week: dict[str, pd.DataFrame]) -> dict[str, pd.DataFrame]:
    """Every table that a week's outputs are made from; a test may change its own copy."""
    return {name: frame.copy() for name, frame in _week.items()}


@pytest.fixture(scope="session")
def week_settings() -> Settings:
    """Settings of the invented utility."""
    return Settings.model_validate(
        {
            "time_zone": ZONE,
            "outputs": {"utility": "Saltmarrow Light & Line", "contact": "Duty desk, radio 4"},
        }
    )
