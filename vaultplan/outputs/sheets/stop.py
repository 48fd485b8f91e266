"""What is printed on the card of one stop."""

from __future__ import annotations

from typing import Any

import pandas as pd
from shapely.geometry import Point

from vaultplan.outputs.drawn.minimaps import stop_map
from vaultplan.outputs.labels import date_short, from_to, low_to_high, printable, whole
from vaultplan.outputs.sheets.codes import code_text
from vaultplan.outputs.sheets.reasons import why
from vaultplan.outputs.sheets.week import Row, Week
from vaultplan.schema import GRADES
from vaultplan.styles import METHOD_GRADES
from vaultplan.units import LB_PER_GAL_WATER

Payload = dict[str, Any]
MAP_PT = (158.0, 124.0)
#: So many letters of rules at most; a card has one half of a page.
MOST_WHY = 900
_BAND_LABELS = {"vacuum": "load_at_stop", "work": "expected_before_vacuum"}
_STOP_IF = {"vacuum": "stop_if_vacuum", "work": "stop_if_work"}


def stop_card(week: Week, stop: Row) -> Payload:
    """Return the words, numbers and map of one stop, ready to be set.

    Parameters
    ----------
    week
        Look-ups of the plan.
    stop
        One row of ``plan_stops``.
    """
    return _dump_card(week, stop) if stop["kind"] == "dump" else _vault_card(week, stop)


def gallons_band(week: Week, stop: Row) -> tuple[float, float] | None:
    """Return the low and high gallons expected at a stop, ``None`` without a forecast."""
    for known in (
        week.on("forecasts", stop["vault_id"], stop["on"]),
        week.row("plan_jobs", stop["order_id"]),
    ):
        low, high = known.get("volume_gal_p10"), known.get("volume_gal_p90")
        if low is not None and high is not None:
            return float(low), float(high)
    return None


def expected_gallons(week: Week, stop: Row) -> float | None:
    """Return the mean gallons expected at a stop, ``None`` without a forecast."""
    mean = week.on("forecasts", stop["vault_id"], stop["on"]).get("volume_gal_mean")
    return None if mean is None else float(mean)


def verdict(week: Week, stop: Row) -> tuple[str, str]:
    """Return method and gate planned for a stop; ``unknown`` where nothing was decided."""
    job = week.row("plan_jobs", stop["order_id"])
    decision = week.on("decisions", stop["vault_id"], stop["on"])
    method, gate = (job.get(k) or decision.get(k) or "unknown" for k in ("method", "gate"))
    return str(method), str(gate)


def span(week: Week, stop: Row) -> str:
    """Return start and end of a stop as local times."""
    return from_to(week.clock(stop["start_at"]), week.clock(stop["leave_at"]))


def _dump_card(week: Week, stop: Row) -> Payload:
    t, site = week.labels, week.row("disposal_sites", stop["site_id"])
    load = float(stop["load_gal"] or 0.0)
    hours = {"from": printable(site.get("open_from")), "to": printable(site.get("open_to"))}
    return {
        "form": "dump",
        "number": str(stop["stop_number"]),
        "title": printable(site.get("name") or stop["site_id"], 60),
        "address": printable(stop["site_id"], 60),
        "time": span(week, stop),
        "kind_words": t["kind_dump"],
        "band_label": t["dump_load"],
        "gallons": f"{whole(load)} {t['gallons']}",
        "depth": f"{whole(load * LB_PER_GAL_WATER)} {t['pounds']}",
        "hours": t["open_hours"].format(**hours) if all(hours.values()) else "",
        "takes": _listed(site.get("takes")),
        **_code(week, stop),
    }


def _code(week: Week, stop: Row) -> Payload:
    text = code_text(stop)
    return {"code": text, "code_alt": week.labels["code_alt"].format(text=text)}


def _vault_card(week: Week, stop: Row) -> Payload:
    t = week.labels
    vault, order = week.row("vaults", stop["vault_id"]), week.row("work_orders", stop["order_id"])
    job = week.row("plan_jobs", stop["order_id"])
    decision = week.on("decisions", stop["vault_id"], stop["on"])
    trace = week.row("traces", stop["vault_id"])
    method, gate = verdict(week, stop)
    sensitivity = decision.get("sensitivity") or _sensitivity(week, trace)
    district = printable(vault.get("district"), 40)
    address = printable(vault.get("address")) or t["not_stated"]
    runs = water_path(week, trace)
    is_vacuum = stop["kind"] == "vacuum"
    return {
        "form": stop["kind"],
        "number": str(stop["stop_number"]),
        "title": printable(stop["vault_id"], 120),
        "address": f"{address} · {district}" if district else address,
        "time": span(week, stop),
        "kind_words": t[f"kind_{stop['kind']}"],
        "task": _task(stop, order, job, t["minutes"]),
        "order": printable(stop["order_id"], 30),
        **_expected(week, stop),
        "size": _size(week, vault),
        "before": _before(week, stop),
        "look": METHOD_GRADES.get(method, "unknown"),
        "method_words": t[f"method_{method}"],
        "gate": gate,
        "gate_words": t[f"gate_{gate}"],
        "gate_text": t[f"gate_{gate}_text"],
        "why": [printable(words, MOST_WHY) for words in why(week, job, decision)],
        "pair": _pair(week, stop),
        "hold": _hold(week, stop, job),
        "profile": _profile(week, stop, job),
        "notice": _notice(week, stop),
        "runs_label": t["spill_runs_to"] if is_vacuum else t["runs_to"],
        "runs": runs,
        "sensitivity": t[f"sensitivity_{sensitivity}"] if sensitivity else "",
        "access": _access(week, vault, order, job),
        "stop_if": t[_STOP_IF.get(stop["kind"], "stop_if_pump")],
        **_code(week, stop),
        **_map(week, stop, trace, runs),
    }


def _hold(week: Week, stop: Row, job: Row) -> str:
    """Return how long a vault stays workable once a crew has pumped it."""
    minutes = job.get("refill_minutes")
    if stop["kind"] != "pump_out" or minutes is None:
        return ""
    return week.labels["hold_after"].format(hours=f"{minutes / 60:.1f}".removesuffix(".0"))


def _profile(week: Week, stop: Row, job: Row) -> str:
    if stop["kind"] != "vacuum":
        return ""
    return week.labels[f"profile_{job.get('waste_profile') or 'unknown'}"]


def _notice(week: Week, stop: Row) -> str:
    """Return the notice that a discharge asks for: which waters, why, due when."""
    t = week.labels
    rows = week.notices.get((str(stop["vault_id"]), stop["on"]), [])
    if stop["kind"] != "pump_out" or not rows:
        return ""
    waters = [f"{printable(row['water'], 60)} ({printable(row['why'], 90)})" for row in rows]
    return t["notice"].format(waters="; ".join(waters), day=date_short(rows[0]["due_on"], t))


def _task(stop: Row, order: Row, job: Row, minutes_word: str) -> str:
    parts = [printable(order.get("task") or job.get("task"), 90)]
    minutes = job.get("task_minutes") or order.get("task_minutes")
    if minutes and stop["kind"] != "vacuum":
        parts.append(f"{minutes:.0f} {minutes_word}")
    return " · ".join(part for part in parts if part)


def _expected(week: Week, stop: Row) -> Payload:
    t = week.labels
    forecast = week.on("forecasts", stop["vault_id"], stop["on"])
    band = gallons_band(week, stop)
    depth = ""
    if forecast.get("depth_in_p10") is not None and forecast.get("depth_in_p90") is not None:
        ends = low_to_high(forecast["depth_in_p10"], forecast["depth_in_p90"])
        depth = f"{ends} {t['inches_water']}"
    if forecast.get("prob_dry") is not None:
        dry = t["dry_chance"].format(percent=f"{100 * forecast['prob_dry']:.0f}")
        depth = f"{depth} · {dry}" if depth else dry
    gallons = f"{low_to_high(*band)} {t['gallons']}" if band else t["no_forecast"]
    headline, told = gallons, [depth]
    if stop["kind"] == "vacuum" and stop["load_gal"] is not None:
        headline = f"{whole(stop['load_gal'])} {t['gallons']}"
        told = [f"{whole(stop['load_gal'] * LB_PER_GAL_WATER)} {t['pounds']}"]
        if stop["tank_after_gal"] is not None:
            told[0] += f", {whole(stop['tank_after_gal'])} {t['gallons']} {t['tank_after']}"
        told += [f"{t['expected_short']} {gallons}", depth]
    shares = {grade: forecast.get(f"prob_{grade}") for grade in GRADES}
    has_shares = all(share is not None for share in shares.values())
    return {
        "band_label": t[_BAND_LABELS.get(stop["kind"], "expected")],
        "gallons": headline,
        "depth": "\n".join(line for line in told if line),
        "chances": [
            {
                "grade": grade,
                "share": round(float(share or 0.0), 3),
                "words": f"{t[f'grade_{grade}']} {100 * float(share or 0.0):.0f}%",
            }
            for grade, share in shares.items()
            if has_shares
        ],
    }


def _size(week: Week, vault: Row) -> str:
    t = week.labels
    ft = {k: f"{vault[f'{k}_ft']:g}" for k in ("length", "width", "depth") if vault.get(f"{k}_ft")}
    if vault.get("shape") == "rectangular" and len(ft) == 3:
        return t["size_rectangular"].format(**ft)
    if vault.get("shape") == "round" and {"length", "depth"} <= set(ft):
        return t["size_round"].format(**ft)
    return t["size_depth"].format(**ft) if "depth" in ft else ""


def _before(week: Week, stop: Row, most: int = 3) -> list[Payload]:
    """Return the last visits before this stop, latest first."""
    t = week.labels
    known = [v for v in week.visits.get(stop["vault_id"], []) if v["visited_at"] < stop["start_at"]]
    lines = []
    for visit in known[:most]:
        seen = visit["visited_at"].tz_convert(week.settings.time_zone)
        grade, finding = visit["grade"], visit["finding"]
        words = [t[f"grade_{grade}"] if grade else t[f"finding_{finding}"] if finding else ""]
        if visit["depth_in"] is not None:
            words.append(f"{visit['depth_in']:.0f} {t['inches']}")
        if visit["volume_gal"] is not None:
            words.append(f"{whole(visit['volume_gal'])} {t['gallons']}")
        if visit["has_sheen"] is not None and bool(visit["has_sheen"]):
            words.append(t["sheen_then"])
        told = ", ".join(word for word in words if word)
        mark = grade or ("unknown" if finding in ("wet", "full") else "")
        lines.append({"grade": mark, "words": f"{seen:%Y-%m-%d} {told}"})
    return lines


def _pair(week: Week, stop: Row) -> str:
    """Return how vacuum truck and crew meet at one order: who follows whom, and until when."""
    t = week.labels
    if stop["kind"] not in ("vacuum", "work") or stop["order_id"] is None:
        return ""
    other = _other(week, stop)
    if other is None:
        return t["crew_not_found" if stop["kind"] == "vacuum" else "vacuum_not_found"]
    return t["crew_after" if stop["kind"] == "vacuum" else "vacuum_before"].format(
        truck=printable(other["truck_id"], 30),
        to=_clock_on(week, stop, other["leave_at"]),
        until=until(week, stop) or "?",
        **{"from": _clock_on(week, stop, other["start_at"])},
    )


def until(week: Week, stop: Row) -> str:
    """Return by when the crew must begin at a stop that a vacuum truck empties before it."""
    other = _other(week, stop)
    hold = week.row("plan_jobs", stop["order_id"]).get("refill_minutes")
    if other is None or hold is None:
        return ""
    emptied = stop["leave_at"] if stop["kind"] == "vacuum" else other["leave_at"]
    return _clock_on(week, stop, emptied + pd.Timedelta(minutes=float(hold)))


def _other(week: Week, stop: Row) -> Row | None:
    """Return the crew's stop of a vacuum truck's order, or the other way round."""
    wanted = "work" if stop["kind"] == "vacuum" else "vacuum"
    return week.by_order.get((str(stop["order_id"]), wanted))


def _clock_on(week: Week, stop: Row, moment: pd.Timestamp) -> str:
    """Return local time of day, with the date where it is another day than the stop's."""
    local = moment.tz_convert(week.settings.time_zone)
    return f"{local:%H:%M}" if local.date() == stop["on"].date() else f"{local:%m-%d %H:%M}"


def water_path(week: Week, trace: Row) -> str:
    """Return in one line where water from a vault would run, as far as it is known."""
    t = week.labels
    status = trace.get("trace_status")
    if not status:
        return t["trace_unknown"]
    parts = []
    if trace["inlet_id"] is not None:
        inlet = t["inlet"].format(id=printable(trace["inlet_id"], 30))
        if trace["second_inlet_id"] is not None:
            inlet += " " + t["or_inlet"].format(id=printable(trace["second_inlet_id"], 30))
        parts.append(inlet)
    if trace["pipe_ft"] is not None:
        parts.append(t["run_feet"].format(feet=whole(trace["pipe_ft"])))
    if trace["outfall_id"] is not None:
        parts.append(t["outfall"].format(id=printable(trace["outfall_id"], 30)))
    water_ids = [trace["water_id"], *str(trace["waters_passed"] or "").split(";")]
    for water_id in dict.fromkeys(w.strip() for w in water_ids if w and w.strip()):
        name = week.row("receiving_waters", water_id).get("name") or water_id
        parts.append(printable(name, 60))
    if status != "complete":
        parts.append(t[f"trace_{status}"])
    return " → ".join(parts) or t["trace_unknown"]


def _sensitivity(week: Week, trace: Row) -> str:
    return str(week.row("sensitivities", trace.get("water_id")).get("sensitivity") or "")


def _access(week: Week, vault: Row, order: Row, job: Row) -> str:
    t = week.labels
    parts = [printable(vault.get("access_notes"), 600)]
    if vault.get("setting"):
        parts.append(t[f"hazard_{vault['setting']}"])
    if vault.get("pcb_status") in ("contains", "unknown"):
        parts.append(t[f"hazard_pcb_{vault['pcb_status']}"])
    if order.get("needs_entry") is not None and bool(order["needs_entry"]):
        parts.append(t["hazard_entry"])
    window = {k: job.get(f"window_{k}") for k in ("from", "to")}
    if any(window.values()):
        ends = {k: v or {"from": "00:00", "to": "24:00"}[k] for k, v in window.items()}
        parts.append(t["window"].format(**ends))
    return "; ".join(part for part in parts if part) or t["access_none"]


def _listed(words: object) -> str:
    parts = str(words or "").replace("_", " ").split(";")
    return printable(", ".join(part.strip() for part in parts if part.strip()))


def _map(week: Week, stop: Row, trace: Row, runs: str) -> Payload:
    place = week.row("vaults", stop["vault_id"]).get("geometry") or stop["geometry"]
    drawn = stop_map(
        week.scene,
        Point(place.x, place.y),
        int(stop["stop_number"]),
        size=MAP_PT,
        path=trace.get("geometry"),
        inlet_id=str(trace.get("inlet_id") or ""),
        second_inlet_id=str(trace.get("second_inlet_id") or ""),
    )
    alt = week.labels["stop_map_alt"].format(vault=printable(stop["vault_id"], 40), path=runs)
    return {"map": drawn, "map_alt": alt, "map_width": MAP_PT[0], "map_height": MAP_PT[1]}
