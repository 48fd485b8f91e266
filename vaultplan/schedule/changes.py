"""What a plan changed of the one it was made from: order by order, and what it costs."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from vaultplan.schema import Frames, table
from vaultplan.settings import ScheduleSettings

_WORK: Final = ("pump_out", "work")


def plan_changes(
    before: Frames, after: Frames, done: set[str], *, settings: ScheduleSettings
) -> pd.DataFrame:
    """Return what became of every order that is not where it was.

    Parameters
    ----------
    before, after
        ``plan_jobs``, ``plan_stops`` and ``plan_unserved`` of both plans; of the earlier one the
        stops still to come when the later one was made.
    done
        Orders that were done in between.
    settings
        ``call_minutes``: how long before a crew sets out it is told.

    Returns
    -------
    pandas.DataFrame
        Table ``plan_changes``, the calls that are due first on top. ``held``: no day is left on
        which it may go; ``newly_wet``: the day it was planned for is held now, and it goes on
        another; ``put_off`` and ``pulled_forward`` to a later or earlier day; ``moved`` to another
        truck that day; ``added``; ``dropped``; ``done``. ``call_by`` is the last moment to tell the
        crew that is concerned first.
    """
    was, now = _places(before["plan_stops"]), _places(after["plan_stops"])
    both = was.add_suffix("_was").join(now.add_suffix("_now"), how="outer")
    left = after["plan_unserved"].set_index("order_id")
    rows = []
    for order, place in both.iterrows():
        what = _what(str(order), place, after, left, done)
        if what:
            rows.append(_row(str(order), what, place, left))
    told = pd.DataFrame(rows, columns=[*_COLUMNS])
    lead = pd.Timedelta(minutes=settings.call_minutes)
    told["call_by"] = _first_out(told, before["plan_stops"], after["plan_stops"]) - lead
    plan_id = after["plan_jobs"]["plan_id"].head(1)
    told["plan_id"] = plan_id.iloc[0] if len(plan_id) else ""
    ordered = told.sort_values(["call_by", "order_id"], na_position="last", ignore_index=True)
    return table("plan_changes").conform(ordered)


_COLUMNS: Final = ("order_id", "what", "was_truck_id", "was_on", "now_truck_id", "now_on", "reason")


def _places(stops: pd.DataFrame) -> pd.DataFrame:
    crew = stops[stops["kind"].isin(_WORK)]
    return crew.set_index("order_id")[["truck_id", "on"]]


def _what(
    order: str, place: pd.Series[Any], after: Frames, left: pd.DataFrame, done: set[str]
) -> str:
    if pd.isna(place["on_now"]):
        if order in done:
            return "done"
        outcome = left["outcome"].get(order)
        return "held" if outcome in ("held", "referred") else "dropped"
    if pd.isna(place["on_was"]):
        return "added"
    if place["on_now"] == place["on_was"]:
        return "moved" if place["truck_id_now"] != place["truck_id_was"] else ""
    if place["on_now"] < place["on_was"]:
        return "pulled_forward"
    jobs = after["plan_jobs"].set_index("order_id")
    may = str(jobs["allowed_days"].get(order, ""))
    return "put_off" if f"{place['on_was']:%Y-%m-%d}" in may else "newly_wet"


def _row(order: str, what: str, place: pd.Series[Any], left: pd.DataFrame) -> tuple[Any, ...]:
    words = {
        "newly_wet": "the day it was planned for is held or referred now",
        "put_off": "its truck or place in the day is gone",
        "pulled_forward": "an earlier day has room now",
        "moved": "its truck or place in the day is gone",
        "added": "it was not in the plan before",
        "done": "a result is recorded",
    }
    reason = words.get(what) or str(left["reason"].get(order, "it is no open order any more"))
    columns = ("truck_id_was", "on_was", "truck_id_now", "on_now")
    return (order, what, *(place[name] for name in columns), reason)


def _first_out(told: pd.DataFrame, before: pd.DataFrame, after: pd.DataFrame) -> pd.Series[Any]:
    """Return when the first of the trucks concerned sets out on its day."""
    moments = []
    for stops, truck, on in (
        (before, "was_truck_id", "was_on"),
        (after, "now_truck_id", "now_on"),
    ):
        out = _sets_out(stops)
        asked = pd.MultiIndex.from_arrays([told[truck], told[on]])
        moments.append(pd.Series(out.reindex(asked).to_numpy(), told.index))
    frame = pd.concat([pd.to_datetime(moment, utc=True) for moment in moments], axis=1)
    return frame.min(axis=1).where(told["what"] != "done")


def _sets_out(stops: pd.DataFrame) -> pd.Series[Any]:
    first = stops[stops["stop_number"] == 1]
    drive = pd.to_timedelta(first["drive_minutes"].fillna(0.0), unit="min")
    out: pd.Series[Any] = pd.Series(
        (first["arrive_at"] - drive).to_numpy(),
        pd.MultiIndex.from_arrays([first["truck_id"], first["on"]]),
    )
    return out


def cost_of_change(
    before: pd.DataFrame, after: pd.DataFrame, trucks: pd.DataFrame
) -> dict[str, float]:
    """Return ``drive_minutes`` and ``truck_usd`` that a plan takes more than the one before it.

    Truck hours run from setting out to leaving the last stop; a truck that states no cost counts
    with the mean of the others.
    """
    rate = trucks.set_index("truck_id")["usd_per_hour"].astype("float64")
    rate = rate.fillna(rate.mean())
    totals = []
    for stops in (before, after):
        hours = (_leaves(stops) - _sets_out(stops)).dt.total_seconds() / 3600.0
        paid = hours * rate.reindex(hours.index.get_level_values(0)).to_numpy()
        totals.append((float(stops["drive_minutes"].sum()), float(np.nansum(paid))))
    return {
        "drive_minutes": totals[1][0] - totals[0][0],
        "truck_usd": totals[1][1] - totals[0][1],
    }


def _leaves(stops: pd.DataFrame) -> pd.Series[Any]:
    last: pd.Series[Any] = stops.groupby(["truck_id", "on"])["leave_at"].max()
    return last
