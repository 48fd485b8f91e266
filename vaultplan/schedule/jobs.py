"""What the schedule is offered: open orders with the days, method and water of each."""

from __future__ import annotations

from datetime import date
from typing import Any, Final

import geopandas as gpd
import numpy as np
import pandas as pd

from vaultplan.schedule.bounds import what_bounds
from vaultplan.schema import METHODS, Frames, table
from vaultplan.settings import ScheduleSettings

WEEK_DAYS: Final = 7
_GONE: Final = {"retired": "the vault is retired", "other_owner": "another owner has the vault"}
_VOLUMES: Final = ("volume_gal_p10", "volume_gal_p50", "volume_gal_p90")


def build_jobs(
    frames: Frames, week_of: date, *, plan_id: str, settings: ScheduleSettings
) -> tuple[gpd.GeoDataFrame, pd.DataFrame]:
    """Return the orders offered to the week's schedule, and those that are not, with the reason.

    Parameters
    ----------
    frames
        ``work_orders`` (only open ones count), ``vaults``, ``rankings``, for each vault and day of
        the week ``forecasts`` and ``decisions``, and where there are any ``traces``, ``outfalls``
        and ``plan_edits``.
    week_of
        First day of the week.
    plan_id
        Id written into every row.
    settings
        Which volume to reckon with, minutes of set-up, refill limits, and how many orders to take.

    Returns
    -------
    tuple
        Tables ``plan_jobs`` and ``plan_unserved``.

    Notes
    -----
    A job may be done on the days from its ``earliest_on`` to its ``due_on`` whose gate is go; where
    there is none, as when it is overdue, later days of go will do. One that may not start this week
    is in neither table. Days differ: the job takes the highest method and the largest volume
    of its allowed days, so that it can be done on any of them. All days held: held. No day of go
    and one to be referred, or no decision at all: referred. A crew must follow a vacuum truck
    within the shortest refill time of those days that 90 % of outcomes exceed, at most
    ``max_refill_hours`` and never less than ``min_refill_minutes``.
    """
    week = pd.date_range(pd.Timestamp(week_of), periods=WEEK_DAYS).as_unit("s")
    orders = _orders(frames, week[-1])
    days = _in_time(_days(orders, frames, week))
    has = days.groupby("order_id", sort=False)[["is_go", "is_refer", "is_decided"]].any()
    orders = orders.join(has, on="order_id")
    outcome = pd.Series("", orders.index, dtype="str")
    reason = pd.Series("", orders.index, dtype="str")
    _refuse_vaults(orders, outcome, reason)
    _refuse_gates(orders, days, outcome, reason)
    _refuse_unknown_loads(orders, days, outcome, reason)
    offered = outcome == ""
    beyond = offered & (offered.cumsum() > settings.max_jobs)
    outcome[beyond] = "not_scheduled"
    reason[beyond] = (
        f"ranked below the best {settings.max_jobs:,} that the schedule takes (schedule.max_jobs)"
    )
    left = orders[["order_id", "vault_id"]].assign(plan_id=plan_id, outcome=outcome, reason=reason)[
        outcome != ""
    ]
    chosen = orders[offered & ~beyond]
    jobs = _jobs(chosen, days, settings).assign(plan_id=plan_id)
    jobs = jobs.assign(**what_bounds(chosen, jobs["rules_fired"], frames))
    placed = gpd.GeoDataFrame(jobs, geometry="geometry", crs=frames["vaults"].crs)
    conformed: Any = table("plan_jobs").conform(placed)
    return conformed.reset_index(drop=True), table("plan_unserved").conform(left).reset_index(
        drop=True
    )


def _orders(frames: Frames, sunday: pd.Timestamp) -> pd.DataFrame:
    """Return open orders that may start by the end of the week, best-ranked first."""
    orders = frames["work_orders"]
    keep = orders["status"].fillna("open").eq("open") & ~(orders["earliest_on"] > sunday)
    ranks = frames["rankings"][["order_id", "rank", "score", "reason"]]
    vaults = frames["vaults"][["vault_id", "status", "no_work_hours", "geometry"]]
    joined = orders[keep].drop(columns="status").merge(ranks, on="order_id", how="left")
    known = joined.merge(pd.DataFrame(vaults), on="vault_id", how="left", indicator="in_vaults")
    return known.sort_values(
        ["rank", "order_id"], na_position="last", ignore_index=True, kind="stable"
    )


def _days(orders: pd.DataFrame, frames: Frames, week: pd.DatetimeIndex) -> pd.DataFrame:
    """Return a row for each order and day it could start on, with decision and forecast."""
    days = orders[["order_id", "vault_id", "earliest_on", "due_on"]].merge(
        pd.DataFrame({"on": week}), how="cross"
    )
    days = days[~(days["on"] < days["earliest_on"])]
    decisions = frames["decisions"][["vault_id", "on", "method", "gate", "rules_fired", "reason"]]
    forecasts = frames["forecasts"][["vault_id", "on", *_VOLUMES, "refill_hours_p10"]]
    days = days.merge(decisions, on=["vault_id", "on"], how="left")
    days = days.merge(forecasts, on=["vault_id", "on"], how="left")
    days["is_go"] = (days["gate"] == "go").fillna(False).astype(bool)
    days["is_refer"] = (days["gate"] == "refer").fillna(False).astype(bool)
    days["is_decided"] = days["gate"].notna()
    days["step"] = days["method"].map({name: i for i, name in enumerate(METHODS)}).astype(float)
    return days


def _in_time(days: pd.DataFrame) -> pd.DataFrame:
    """Return the days up to the due day where one of them may go ahead, else all."""
    in_time = ~(days["on"] > days["due_on"])
    may = (days["is_go"] & in_time).groupby(days["order_id"], sort=False).transform("any")
    late = days["is_go"] & ~in_time & may
    return days.assign(is_go=days["is_go"] & ~late)


def _refuse_vaults(orders: pd.DataFrame, outcome: pd.Series[Any], reason: pd.Series[Any]) -> None:
    missing = orders["in_vaults"] == "left_only"
    unplaced = ~missing & pd.Series(orders["geometry"], dtype=object).map(_is_nowhere)
    for which, words in (
        (missing, "the vault is not in the vaults table; load it or correct the order"),
        (unplaced, "the vault has no location; give it one"),
        *((orders["status"] == status, words) for status, words in _GONE.items()),
    ):
        chosen = which & (outcome == "")
        outcome[chosen] = "not_possible"
        reason[chosen] = words


def _is_nowhere(point: Any) -> bool:
    return point is None or not hasattr(point, "is_empty") or bool(point.is_empty)


def _refuse_gates(
    orders: pd.DataFrame,
    days: pd.DataFrame,
    outcome: pd.Series[Any],
    reason: pd.Series[Any],
) -> None:
    shut = (outcome == "") & ~orders["is_go"].astype(bool)
    undecided = shut & ~orders["is_decided"].astype(bool)
    outcome[undecided] = "referred"
    reason[undecided] = "no discharge decision for its days; the environmental specialist decides"
    for gate, name in (("refer", "referred"), ("hold", "held")):
        said = days[days["gate"] == gate].groupby("order_id", sort=False)["reason"].first()
        until = days[days["gate"] == gate].groupby("order_id", sort=False)["on"].agg(["min", "max"])
        referred = orders["is_refer"].astype(bool)
        chosen = shut & ~undecided & (referred if gate == "refer" else ~referred)
        if not chosen.any():
            continue
        ids = orders.loc[chosen, "order_id"]
        outcome[chosen] = name
        span = ids.map(until["min"]).dt.strftime("%a %d %b") + " to "
        span = span + ids.map(until["max"]).dt.strftime("%a %d %b")
        tail = "" if gate == "refer" else "; no day of this week may go ahead"
        reason[chosen] = ids.map(said).fillna("no rule named") + " (" + span + ")" + tail


def _refuse_unknown_loads(
    orders: pd.DataFrame,
    days: pd.DataFrame,
    outcome: pd.Series[Any],
    reason: pd.Series[Any],
) -> None:
    """Refuse what has no forecast on any allowed day: an unknown load is not an empty one."""
    known = days[days["is_go"] & days["volume_gal_p90"].notna() & days["volume_gal_p50"].notna()]
    unknown = (outcome == "") & ~orders["order_id"].isin(known["order_id"])
    outcome[unknown] = "not_possible"
    reason[unknown] = "no water forecast for its days, so the load is unknown; forecast first"


def _jobs(orders: pd.DataFrame, days: pd.DataFrame, settings: ScheduleSettings) -> pd.DataFrame:
    """Return one row per offered order with what holds over all its allowed days."""
    load = f"volume_gal_p{settings.load_percentile}"
    go = days[days["is_go"] & days[load].notna() & days["order_id"].isin(orders["order_id"])]
    by_order = go.groupby("order_id", sort=False)
    highest = go.loc[by_order["step"].idxmax()].set_index("order_id")
    largest = go.loc[by_order[load].idxmax()].set_index("order_id")
    on = go["on"].dt.strftime("%Y-%m-%d")
    allowed = on.groupby(go["order_id"], sort=False).agg(";".join)
    refill_hours = by_order["refill_hours_p10"].min()
    held = days[days["gate"].isin(["hold", "refer"]) & days["order_id"].isin(orders["order_id"])]
    closed = held["on"].dt.strftime("%a").groupby(held["order_id"], sort=False).agg(", ".join)

    ids = orders["order_id"]
    hours = (
        ids.map(refill_hours)
        .astype(float)
        .fillna(settings.max_refill_hours)
        .clip(upper=settings.max_refill_hours)
    )
    task = orders["task_minutes"].fillna(settings.task_minutes)
    closed_words = ids.map(closed)
    return pd.DataFrame(
        {
            **{name: orders[name] for name in _CARRIED},
            "allowed_days": ids.map(allowed),
            "method": ids.map(highest["method"]),
            "gate": "go",
            **{name: ids.map(largest[name]) for name in _VOLUMES},
            "load_gal": ids.map(largest[load]),
            "setup_minutes": settings.setup_minutes,
            "task_minutes": task,
            "refill_minutes": np.maximum(hours * 60.0, settings.min_refill_minutes),
            "rules_fired": ids.map(highest["rules_fired"]),
            "reason": _joined(
                orders["reason"],
                ids.map(highest["reason"]),
                closed_words.map("not on {}: held or referred".format, na_action="ignore"),
                pd.Series("work time not stated, assumed", orders.index).where(
                    orders["task_minutes"].isna()
                ),
            ),
            "geometry": orders["geometry"],
        }
    )


_CARRIED: Final = (
    "order_id",
    "vault_id",
    "task",
    "skill",
    "priority",
    "rank",
    "score",
    "due_on",
    "window_from",
    "window_to",
    "outage_from",
    "outage_to",
    "daylight_only",
    "no_work_hours",
    "pair_id",
)


def _joined(*parts: pd.Series[Any]) -> pd.Series[Any]:
    """Return sentences joined by semicolons, blanks left out."""
    frame = pd.concat(parts, axis=1)
    said = [
        "; ".join(str(word) for word in row if isinstance(word, str) and word)
        for row in frame.itertuples(index=False)
    ]
    return pd.Series(said, frame.index, dtype="str")
