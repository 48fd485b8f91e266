"""What bounds the week's work besides its days: outages, daylight, pairs, breaks, barred hours."""

from __future__ import annotations

import numpy as np
import pandas as pd

RUSH = "07:00-09:00;15:30-18:00"
#: The region keeps one clock all year, ten hours behind Greenwich.
OUTAGES = (("18:30", "22:30"), ("19:00", "23:30"))  # in Greenwich, 08:30-12:30 and 09:00-13:30


def barred_hours(table: pd.DataFrame, rng: np.random.Generator) -> pd.DataFrame:
    """Return the vaults; at a few in the street nobody may work in the rush hours."""
    is_busy = (table["setting"] == "street").to_numpy() & (rng.random(len(table)) < 0.05)
    return table.assign(no_work_hours=np.where(is_busy, RUSH, None))


def bound_orders(orders: pd.DataFrame, code: str, rng: np.random.Generator) -> pd.DataFrame:
    """Return the orders; some wait for an outage, some for daylight, some are done in pairs."""
    rows = len(orders)
    is_open = (orders["status"] == "open").to_numpy()
    needs = is_open & (orders["task"] == "switch service").to_numpy() & (rng.random(rows) < 0.15)
    needs &= orders["window_from"].isna().to_numpy()
    day = (pd.to_datetime(orders["due_on"]).clip(upper=pd.Timestamp("2026-11-06"))).clip(
        lower=pd.Timestamp("2026-11-02")
    )
    spell = rng.integers(0, 2, rows)
    on = day.dt.strftime("%Y-%m-%dT").to_numpy(object)
    start, end = (
        np.array([f"{d}{OUTAGES[k][side]}:00Z" for d, k in zip(on, spell, strict=True)], object)
        for side in (0, 1)
    )
    lit = is_open & (rng.random(rows) < 0.04)
    pulls = np.flatnonzero(is_open & (orders["task"] == "cable pull").to_numpy())
    pair = np.full(rows, None, dtype=object)
    for number, at in enumerate(range(0, len(pulls) - 1, 6), start=1):
        pair[pulls[at : at + 2]] = f"{code}-P{number}"
    bound = orders.assign(
        outage_from=np.where(needs, start, None),
        outage_to=np.where(needs, end, None),
        daylight_only=np.where(lit, True, None),
        pair_id=pair,
    )
    # An outage on its day, a pair on days both may be done.
    bound.loc[needs, "earliest_on"] = None
    bound.loc[pd.notna(pair), ["earliest_on", "window_from", "window_to"]] = None
    return bound


def breaks(trucks: pd.DataFrame) -> pd.DataFrame:
    """Return the trucks with half an hour's break about noon, and the pumps on board."""
    is_crew = trucks["kind"] == "crew"
    return trucks.assign(
        pump_count=np.where(is_crew, 1, 0),
        break_minutes=30.0,
        break_from=np.where(is_crew, "11:00", "10:00"),
        break_to=np.where(is_crew, "13:30", "12:30"),
    )


def edits(orders: pd.DataFrame) -> pd.DataFrame:
    """Return what a planner asked: an order kept to a day, one to a crew, one barred from a day."""
    is_free = orders["pair_id"].isna() & orders["outage_from"].isna()
    is_free &= orders["skill"].isna() | orders["skill"].eq("inspect")
    free = orders[(orders["status"] == "open") & is_free & orders["earliest_on"].isna()]
    ids = free.sort_values(["priority", "order_id"])["order_id"].to_numpy(object)[:3]
    return pd.DataFrame(
        {
            "edit_id": ["ED-1", "ED-2", "ED-3"],
            "order_id": ids,
            "asks": ["keep", "keep", "bar"],
            "truck_id": [None, "C01", None],
            "on": pd.to_datetime(["2026-11-06", None, "2026-11-02"]).as_unit("s"),
            "place": pd.array([None, None, None], dtype="Int64"),
            "who": "M. Thrift",
            "why": ["School holiday that day", "Crew knows the gear", "Street fair"],
        }
    )
