"""The small week as the watch-list hands it to page and sheet."""

from __future__ import annotations

import pandas as pd

from vaultplan.outputs.watch.words import WatchFacts

ZONE = "Etc/GMT+10"
Frames = dict[str, pd.DataFrame]
BANDS = {"volume_gal_p10": 100.0, "volume_gal_p50": 300.0, "volume_gal_p90": 1236.0}


def watched(frames: Frames, bad: str = "") -> Frames:
    """Return the small week as the watch-list hands it to the page, ``bad`` in its texts."""
    stops = frames["plan_stops"]
    stops = pd.DataFrame(stops[stops["kind"].eq("pump_out")]).drop(columns="geometry")
    jobs = pd.DataFrame(frames["plan_jobs"])[["order_id", "method", "gate", "rules_fired"]]
    forecasts = frames["forecasts"].drop(columns=["reason", "confidence"])
    rows = stops.merge(jobs, on="order_id").merge(forecasts, on=["vault_id", "on"])
    traces = frames["traces"].rename(columns={"confidence": "trace_confidence"})
    rows = rows.merge(traces, on="vault_id")
    rows = rows.assign(
        way=f"main path {bad}",
        share=1.0,
        reason=f"Method lowered from x to y {bad}.",
        changed=bad,
        is_ahead=True,
        address=bad or "1 Kelp Row",
        other_outfalls="OF-5",
        sensitivity="protected",
        sensitivity_reckoned=f"high{bad}",
        water="Sallow Lagoon",
        enters_water=f"Ember Creek{bad}",
    )
    rows["water_id"] = "W-LAG"
    waters = pd.DataFrame(frames["receiving_waters"]).merge(frames["sensitivities"], on="water_id")
    waters = waters.rename(columns={"name": "water"}).assign(
        discharges=[0, len(rows), 0], sensitivity=["high", "protected", "unknown"]
    )
    waters.loc[waters["water_id"].ne("W-LAG"), "reason"] = f"a reason {bad}"
    waters.loc[0, "water"] = f"Longreach Bay{bad}"
    monday = rows["on"].min()
    days = [
        {"water_id": "W-LAG", "on": on, "discharges": 2, "days_gone": 0} for on in (pd.NaT, monday)
    ]
    end = {"outfall_id": "OF-5", "on": monday, "discharges": 2, "days_gone": 0, **BANDS}
    cap = {"daily_cap_gal": 500.0, "cap_words": f"may go above the cap, chance 33 % {bad}"}
    due = {"due_on": monday, "state": "OVERDUE by 1 day", "is_overdue": True, "water_id": "W-LAG"}
    due |= {
        "water": f"Sallow Lagoon{bad}",
        "on": monday,
        "discharges": 2,
        "outfalls": bad,
        "why": bad,
    }
    held = {"water_id": "W-LAG", "outcome": "held", "order_id": "WO-510", "vault_id": "SM-1020"}
    over = {"water_id": "W-LAG", "vault_id": "SM-1003", "ladder": "gate", "step": "go"}
    return {
        **frames,
        "waters": waters,
        "discharges": rows,
        "totals": pd.DataFrame(days).assign(**BANDS),
        "outfall_days": pd.DataFrame([{**end, **cap}]),
        "notices": pd.DataFrame([due]),
        "kept_back": pd.DataFrame([{**held, "outfall_id": None, "reason": f"wet {bad}"}]),
        "overrides": pd.DataFrame(
            [{**over, "who": bad, "why": f"why {bad}", "is_ending": True, "ends": "ENDS in 2 days"}]
        ),
    }


def facts(bad: str = "") -> WatchFacts:
    return WatchFacts(
        name=f"Saltmarrow (invented){bad}",
        plan_id=f"P-1{bad}",
        week_of=pd.Timestamp("2026-03-02"),
        as_of=pd.Timestamp("2026-02-27"),
        time_zone=ZONE,
        notice_days=2,
        contact=f"Duty desk{bad}",
        rules_version="3f9a61c2e07b",
        rule_words={"sock_above_protected": f"A sock at least. {bad}"},
        warnings=(f"The rules changed. {bad}",),
    )
