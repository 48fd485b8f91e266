"""Open work, trucks, yards and disposal sites: a week that eight crews in ten can nearly finish."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd

MONDAY = np.datetime64("2026-11-02")
#: task, skill, share, shortest and longest minutes, whether someone goes in
TASKS = (
    ("inspect", "inspect", 0.36, 15, 35, True),
    ("infrared check", None, 0.10, 15, 25, False),
    ("switch service", "switch", 0.14, 30, 60, True),
    ("splice", "splice", 0.16, 50, 110, True),
    ("cable pull", "cable_pull", 0.08, 60, 120, True),
    ("repair duct seal", "inspect", 0.10, 20, 50, True),
    ("replace lid frame", None, 0.06, 30, 60, False),
)
SKILLS = (
    "inspect;splice",
    "inspect;switch",
    "inspect;splice;cable_pull",
    "inspect;switch;cable_pull",
    "inspect;splice;switch",
    "inspect",
    "inspect;splice",
    "inspect;switch",
)
SHIFTS = (("07:00", "15:30"), ("07:00", "15:30"), ("06:30", "15:00"), ("08:00", "16:30"))


def order_count(vaults: int) -> int:
    """Return how many orders are open at a size of fleet."""
    return max(250, round(vaults * 0.004))


def crew_count(vaults: int) -> int:
    """Return how many crews that work is shared by."""
    return round(order_count(vaults) / 31)


def open_work(table: pd.DataFrame, count: int, code: str, rng: np.random.Generator) -> pd.DataFrame:
    """Return open orders on vaults in service, and some done and cancelled ones."""
    closed = max(1, round(count * 0.28))
    rows = count + closed
    fit = np.flatnonzero((table["status"] == "in_service").to_numpy())
    at = rng.choice(fit, rows, replace=rows > len(fit))
    status = np.full(rows, "open", dtype=object)
    status[count:] = np.where(rng.random(closed) < 0.8, "done", "cancelled")
    pick = rng.choice(len(TASKS), rows, p=[t[2] for t in TASKS])
    low, high = (np.array([t[i] for t in TASKS])[pick] for i in (3, 4))
    minutes = np.round(rng.uniform(low, high) / 5) * 5
    priority = rng.choice([1, 2, 3, 4, 5], rows, p=[0.06, 0.18, 0.38, 0.26, 0.12])
    is_open = status == "open"
    due = MONDAY + np.where(
        is_open, np.floor(18.99 * rng.beta(1.1, 1.7, rows)).astype(int), -rng.integers(3, 90, rows)
    )
    early = np.where(
        rng.random(rows) < 0.15,
        MONDAY + rng.integers(0, 3, rows),
        MONDAY - rng.integers(3, 40, rows),
    )
    early = np.where(is_open, early, due - 21)
    early = np.minimum(early, due).astype("datetime64[s]").astype(object)
    early[rng.random(rows) < 0.3] = None
    windows = np.array(
        [("07:30", "10:00"), ("09:00", "12:00"), ("12:30", "14:30"), ("09:00", None)], dtype=object
    )
    window = windows[rng.integers(0, 4, rows)]
    window[rng.random(rows) >= 0.12] = None

    def task(i: int) -> Any:
        return np.array([t[i] for t in TASKS], dtype=object)[pick]

    return pd.DataFrame(
        {
            "order_id": [f"{code}-O{k:04d}" for k in range(1, rows + 1)],
            "vault_id": table["vault_id"].to_numpy(object)[at],
            "task": task(0),
            "earliest_on": pd.to_datetime(pd.Series(early)).to_numpy("datetime64[s]"),
            "due_on": due.astype("datetime64[s]"),
            "priority": priority,
            "task_minutes": minutes,
            "skill": task(1),
            "needs_entry": task(5).astype(bool),
            "window_from": window[:, 0],
            "window_to": window[:, 1],
            "status": status,
        }
    )


def truck_fleet(vaults: int, depots: list[str], rng: np.random.Generator) -> pd.DataFrame:
    """Return crew trucks and vacuum trucks; full tanks weigh about what the truck may carry."""
    crews = crew_count(vaults)
    rows: list[dict[str, Any]] = []

    def yard(number: int, trucks: int) -> str:
        """Return a truck's yard: in turn, or spread evenly where yards outnumber trucks."""
        spread = number * len(depots) // trucks if trucks < len(depots) else number
        return depots[spread % len(depots)]

    vacuums = math.ceil(crews / 3)
    for k in range(crews):
        start, end = SHIFTS[k % 4]
        rows.append(
            {
                "truck_id": f"C{k + 1:02d}",
                "kind": "crew",
                "depot_id": yard(k, crews),
                "skills": SKILLS[k % 8],
                "shift_from": start,
                "shift_to": end,
                "days": "mon;tue;wed;thu" if k % 8 == 5 else "mon;tue;wed;thu;fri",
                "overtime_minutes": 60.0 if k % 3 else 30.0,
                "pump_gpm": (120.0, 150.0, 100.0, 135.0)[k % 4],
                "sock_count": 12 + 4 * (k % 3),
                "tank_gal": np.nan,
                "payload_lb": np.nan,
                "usd_per_hour": 185.0 + 5 * int(rng.integers(0, 6)),
            }
        )
    for k in range(vacuums):
        rows.append(
            {
                "truck_id": f"X{k + 1:02d}",
                "kind": "vacuum",
                "depot_id": yard(k, vacuums),
                "skills": None,
                "shift_from": "06:00",
                "shift_to": "15:00",
                "days": "mon;tue;wed;thu;fri",
                "overtime_minutes": 60.0,
                "pump_gpm": (250.0, 300.0, 200.0)[k % 3],
                "sock_count": 0,
                "tank_gal": (2000.0, 3000.0, 1500.0)[k % 3],
                "payload_lb": (16000.0, 21500.0, 12600.0)[k % 3],
                "usd_per_hour": (240.0, 265.0, 225.0)[k % 3],
            }
        )
    table = pd.DataFrame(rows)
    table["sock_count"] = table["sock_count"].astype("Int64")
    return table


def yards(code: str, town: str, nodes: Any, places: list[Any]) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return depots and disposal sites at the junctions nearest to places in local metres."""
    at = [int(np.argmin(np.hypot(*(nodes - np.array(p)).T))) for p in places]
    xy = nodes[at]
    first = town == "Saltmarrow"
    depot_names = (
        ("Cinder Flats yard", "Upper Saltings yard")
        if first
        else (f"{town} yard", f"{town} upper yard")
    )
    site_names = (
        ("Lampwick receiving station", "Copperas water works")
        if first
        else (f"{town} receiving station", f"{town} water works")
    )
    depots = pd.DataFrame(
        {
            "depot_id": [f"{code}-D1", f"{code}-D2"],
            "name": depot_names,
            "x": xy[:2, 0],
            "y": xy[:2, 1],
        }
    )
    sites = pd.DataFrame(
        {
            "site_id": [f"{code}-X1", f"{code}-X2"],
            "name": site_names,
            "open_from": ["06:00", "07:00"],
            "open_to": ["17:00", "14:30"],
            "dump_minutes": [25.0, 20.0],
            "usd_per_gal": [0.32, 0.19],
            "takes": ["sediment;oily;unknown", "sediment"],
            "x": xy[2:, 0],
            "y": xy[2:, 1],
        }
    )
    return depots, sites


def lowered(table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return three decisions of the specialist, one of them run out."""
    at = rng.choice(len(table), 3, replace=False)
    return pd.DataFrame(
        {
            "override_id": ["OV-1", "OV-2", "OV-3"],
            "vault_id": table["vault_id"].to_numpy(object)[at],
            "ladder": ["method", "gate", "method"],
            "step": ["filter_sock", "go", "storm_drain"],
            "who": "R. Samphire",
            "why": [
                "Laboratory found no oil twice this year; sock is enough",
                "Creek keeper agreed to clear water this month",
                "Clean at five visits in a row",
            ],
            "made_on": pd.to_datetime(["2026-10-05", "2026-10-19", "2026-03-02"]).as_unit("s"),
            "expires_on": pd.to_datetime(["2026-12-31", "2026-11-20", "2026-09-30"]).as_unit("s"),
        }
    )
