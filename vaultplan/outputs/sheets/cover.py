"""What is printed on the first page of a truck's day."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from vaultplan.outputs.drawn.minimaps import day_map
from vaultplan.outputs.labels import date_in_words, from_to, low_to_high, printable, whole
from vaultplan.outputs.sheets.stop import expected_gallons, gallons_band, until, verdict
from vaultplan.outputs.sheets.week import Row, Week
from vaultplan.styles import METHOD_GRADES
from vaultplan.units import LB_PER_GAL_WATER

Payload = dict[str, Any]
MAP_PT = (312.0, 236.0)


def cover(week: Week, truck_id: str, day: pd.Timestamp, stops: list[Row]) -> Payload:
    """Return the words, numbers and map of a truck-day's first page, ready to be set.

    Parameters
    ----------
    week
        Look-ups of the plan.
    truck_id, day
        Whose sheet it is.
    stops
        Its rows of ``plan_stops`` in order.
    """
    truck = week.row("trucks", truck_id)
    is_vacuum = truck.get("kind") == "vacuum" or any(s["kind"] == "vacuum" for s in stops)
    trips = _trips(week, truck, stops) if is_vacuum else []
    t = week.labels
    return {
        "truck": printable(truck_id, 40),
        "kind_words": t["truck_vacuum" if is_vacuum else "truck_crew"],
        "date_words": _first_letter(date_in_words(day.date(), t)),
        "about": _about(week, truck, is_vacuum=is_vacuum),
        "figures": _figures(week, truck_id, day, stops, trips),
        "load_out": _load_vacuum(week) if is_vacuum else _load_crew(week, truck, stops),
        "contact": printable(week.settings.outputs.contact, 120),
        "weather": _weather(week, day, stops),
        "rows": [_table_row(week, stop) for stop in stops],
        "trips": trips,
        "pounds_note": t["pounds_note"].format(pounds=LB_PER_GAL_WATER),
        **_map(week, truck, truck_id, day, stops, is_vacuum=is_vacuum),
    }


def _first_letter(words: str) -> str:
    return words[:1].upper() + words[1:]


def _about(week: Week, truck: Row, *, is_vacuum: bool) -> list[str]:
    t = week.labels
    depot = week.row("depots", truck.get("depot_id"))
    yard = printable(depot.get("name") or truck.get("depot_id"), 60) or t["not_stated"]
    lines = [f"{t['start_yard']}: {yard}"]
    if truck.get("shift_from") and truck.get("shift_to"):
        lines.append(f"{t['shift']}: {from_to(truck['shift_from'], truck['shift_to'])}")
    if truck.get("break_minutes"):
        span = [clock for clock in (truck.get("break_from"), truck.get("break_to")) if clock]
        named = "break" if len(span) == 2 else "break_any"
        words = from_to(*span) if len(span) == 2 else ""
        lines.append(t[named].format(minutes=f"{truck['break_minutes']:.0f}", span=words))
    if is_vacuum:
        parts = []
        if truck.get("tank_gal") is not None:
            parts.append(f"{t['tank']} {truck['tank_gal']:,.0f} {t['gallons']}")
        if truck.get("payload_lb") is not None:
            parts.append(f"{t['payload']} {truck['payload_lb']:,.0f} {t['pounds']}")
        lines.append(", ".join(parts))
    else:
        skills = printable(str(truck.get("skills") or "").replace(";", ", "), 80)
        lines.append(f"{t['skills']}: {skills or t['not_stated']}")
    return [line for line in lines if line]


def _figures(
    week: Week, truck_id: str, day: pd.Timestamp, stops: list[Row], trips: list[Payload]
) -> list[Payload]:
    t = week.labels
    route = week.routes.get((truck_id, day), {})
    drive = route.get("drive_minutes")
    if drive is None:
        drive = sum(float(stop["drive_minutes"] or 0.0) for stop in stops)
    way = t["driving"]
    if route.get("drive_mi") is not None:
        way += f", {route['drive_mi']:.1f} {t['miles']}"
    if trips:
        load = sum(float(s["load_gal"] or 0.0) for s in stops if s["kind"] == "vacuum")
        count, counted = len(trips), "load"
        water = {"value": whole(load), "label": t["water_loaded"]}
    else:
        # Means add up over stops; lows and highs do not, for vaults share their rain.
        means = [expected_gallons(week, s) for s in stops if s["kind"] == "pump_out"]
        known = [mean for mean in means if mean is not None]
        count, counted = len(stops), "stop"
        water = {"value": whole(sum(known)), "label": t["water_expected"]}
    first, last = week.clock(stops[0]["arrive_at"]), week.clock(stops[-1]["leave_at"])
    return [
        {"value": str(count), "label": t[counted if count == 1 else f"{counted}s"]},
        {"value": from_to(first, last), "label": t["on_the_road"]},
        {"value": f"{drive:.0f} {t['minutes']}", "label": way},
        water,
    ]


def _load_crew(week: Week, truck: Row, stops: list[Row]) -> list[str]:
    t = week.labels
    need = sum(int(stop["socks"] or 0) for stop in stops)
    loads = week.loads.get((stops[0]["truck_id"], stops[0]["on"], 0), {})
    reckoned = loads.get("filter_sock", {})
    enough = math.ceil((reckoned.get("quantity") or 0.0) + (reckoned.get("spare") or 0.0))
    spare = max(2, math.ceil(need * week.settings.outputs.spare_sock_frac), enough - need)
    numbers = {"need": need, "spare": spare, "count": need + spare}
    socks = t["load_socks" if need else "load_no_socks"].format(**numbers)
    stock = truck.get("sock_count")
    if stock is not None and need + spare > int(stock):
        socks += ". " + t["load_socks_short"].format(stock=int(stock))
    gutters = [
        week.row("traces", s["vault_id"]).get("gutter_ft") for s in stops if s["kind"] == "pump_out"
    ]
    longest = max((float(g) for g in gutters if g is not None), default=None)
    hose = t["load_hose"].format(feet=whole(longest)) if longest else t["load_hose_plain"]
    gpm = truck.get("pump_gpm")
    pump = t["load_pump"].format(gpm=f"{gpm:.0f}") if gpm is not None else t["load_pump_plain"]
    lines = [socks, hose, pump]
    drums = math.ceil(loads.get("drum", {}).get("quantity") or 0.0)
    if drums:
        lines.append(t["load_drums"].format(count=drums))
    waits = sum(stop["kind"] == "work" for stop in stops)
    lines += [t[f"load_{name}"] for name in ("air", "bailer", "traffic", "spill")]
    if waits:
        lines.append(t["load_vacuum_count"].format(count=waits))
    return lines


def _load_vacuum(week: Week) -> list[str]:
    names = ("tank", "vacuum_hose", "papers", "air", "bailer", "traffic", "spill")
    return [week.labels[f"load_{name}"] for name in names]


def _weather(week: Week, day: pd.Timestamp, stops: list[Row]) -> Payload:
    t = week.labels
    chance = wet_day_chance(week, day, stops)
    waiting = [s for s in stops if s["kind"] != "dump" and verdict(week, s)[1] != "go"]
    numbers = ", ".join(str(stop["stop_number"]) for stop in waiting)
    percent = "" if chance is None else f"{100 * chance:.0f}"
    return {
        "rain": t["wet_day"].format(percent=percent) if percent else t["wet_unknown"],
        "hold": t["hold_some"].format(stops=numbers) if waiting else t["hold_none"],
        "waits": bool(waiting),
    }


def wet_day_chance(week: Week, day: pd.Timestamp, stops: list[Row]) -> float | None:
    """Return the greatest chance of a wet day at any gauge that stands for these stops.

    It is the share of the latest outlook's members with at least ``discharge.wet_day_in`` of rain;
    ``None`` without an outlook for the day.
    """
    gauges = {week.row("vaults", s["vault_id"]).get("gauge_id") for s in stops} - {None}
    rain = week.rain[(week.rain["falls_on"] == day) & week.rain["gauge_id"].isin(gauges)]
    if rain.empty:
        return None
    latest = rain[rain["issued_at"] == rain.groupby("gauge_id")["issued_at"].transform("max")]
    is_wet = latest["rain_in"] >= week.settings.discharge.wet_day_in
    return float(is_wet.groupby(latest["gauge_id"]).mean().max())


def _table_row(week: Week, stop: Row) -> Payload:
    t = week.labels
    shared = {"number": str(stop["stop_number"]), "time": week.clock(stop["start_at"])}
    if stop["kind"] == "dump":
        site = week.row("disposal_sites", stop["site_id"])
        return {
            **shared,
            "vault": t["kind_dump"],
            "address": printable(site.get("name") or stop["site_id"], 80),
            "task": "",
            "gallons": whole(float(stop["load_gal"] or 0.0)),
            "until": "",
            "look": "",
            "method_words": "",
            "gate": "",
            "gate_words": "",
        }
    job = week.row("plan_jobs", stop["order_id"])
    vault, order = week.row("vaults", stop["vault_id"]), week.row("work_orders", stop["order_id"])
    method, gate = verdict(week, stop)
    band = gallons_band(week, stop)
    water = low_to_high(*band) if band else "?"
    if stop["kind"] == "vacuum" and stop["load_gal"] is not None:
        water = whole(stop["load_gal"])
    return {
        **shared,
        "vault": printable(stop["vault_id"], 120),
        "address": printable(vault.get("address"), 72),
        "task": printable(order.get("task") or job.get("task"), 60),
        "gallons": water,
        "until": until(week, stop) if stop["kind"] == "work" else "",
        "look": METHOD_GRADES.get(method, "unknown"),
        "method_words": t[f"method_{method}"],
        "gate": gate,
        "gate_words": t[f"gate_{gate}"],
    }


def _trips(week: Week, truck: Row, stops: list[Row]) -> list[Payload]:
    """Return the loads of a vacuum truck: the stops between one dump and the next."""
    trips: list[Payload] = []
    taken: list[Row] = []
    for stop in stops:
        if stop["kind"] == "dump":
            trips.append(_trip(week, truck, len(trips) + 1, taken, stop))
            taken = []
        else:
            taken.append(stop)
    if taken:
        trips.append(_trip(week, truck, len(trips) + 1, taken, None))
    return trips


def _trip(week: Week, truck: Row, number: int, taken: list[Row], dump: Row | None) -> Payload:
    t = week.labels
    load = sum(float(stop["load_gal"] or 0.0) for stop in taken)
    if dump is not None and dump["load_gal"] is not None:
        load = float(dump["load_gal"])
    first = taken[0] if taken else dump or {}
    reckoned = week.loads.get((first["truck_id"], first["on"], number), {})
    weight = reckoned.get("vacuum_weight", {}).get("quantity")
    pounds = load * LB_PER_GAL_WATER if weight is None else max(weight, load * LB_PER_GAL_WATER)
    short = [reckoned.get(item, {}).get("prob_short") for item in ("vacuum_load", "vacuum_weight")]
    chances = [chance for chance in short if chance is not None]
    tank, payload = truck.get("tank_gal"), truck.get("payload_lb")
    site = t["no_dump"]
    if dump is not None:
        known = week.row("disposal_sites", dump["site_id"])
        name = printable(known.get("name") or dump["site_id"], 60)
        site = f"{name}, {week.clock(dump['start_at'])}"
        if known.get("open_from") and known.get("open_to"):
            hours = {"from": known["open_from"], "to": known["open_to"]}
            site += f" ({t['open_hours'].format(**hours)})"
    if payload is not None and pounds > float(payload):
        site += ". " + t["over_payload"]
    return {
        "number": str(number),
        "stops": in_runs([int(stop["stop_number"]) for stop in taken]),
        "waste": ", ".join(dict.fromkeys(_waste(week, stop) for stop in taken)),
        "short": f"{100 * max(chances):.0f} %" if chances else "?",
        "gallons": whole(load),
        "pounds": whole(pounds),
        "fill": f"{100 * load / tank:.0f} %" if tank else "?",
        "site": site,
    }


def in_runs(numbers: list[int]) -> str:
    """Return rising numbers with neighbours drawn together.

    >>> in_runs([2, 3, 4, 7, 9, 10])
    '2\u20134, 7, 9\u201310'
    """
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{r[0]}\u2013{r[-1]}" if len(r) > 1 else f"{r[0]}" for r in runs)


def _waste(week: Week, stop: Row) -> str:
    profile = week.row("plan_jobs", stop["order_id"]).get("waste_profile") or "unknown"
    return week.labels[f"waste_{profile}"]


def _map(
    week: Week, truck: Row, truck_id: str, day: pd.Timestamp, stops: list[Row], *, is_vacuum: bool
) -> Payload:
    t = week.labels
    depot = week.row("depots", truck.get("depot_id"))
    route = week.routes.get((truck_id, day), {}).get("geometry")
    badges = [
        (f"{s['stop_number']}{t['dump_letter'] if s['kind'] == 'dump' else ''}", s["geometry"])
        for s in stops
    ]
    yard = (t["yard_letter"], depot["geometry"]) if depot.get("geometry") is not None else None
    key = t["map_key_vacuum" if is_vacuum else "map_key_crew"]
    return {
        "map": day_map(week.scene, badges, size=MAP_PT, route=route, yard=yard),
        "map_alt": t["day_map_alt"].format(count=len(stops)),
        "map_key": key if route is not None else f"{key} {t['straight_lines']}",
        "map_width": MAP_PT[0],
        "map_height": MAP_PT[1],
    }
