"""A solved week as tables: every stop with its times, every job left out with its reason."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

import geopandas as gpd
import pandas as pd

from vaultplan.schedule.fleet import Fleet
from vaultplan.schedule.model import Week
from vaultplan.schedule.reasons import why_unserved
from vaultplan.schedule.state import WeekState
from vaultplan.schema import table


def plan_tables(
    state: WeekState,
    places: gpd.GeoDataFrame,
    plan_id: str,
    *,
    why: Collection[int] | None = None,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return tables ``plan_stops`` and ``plan_unserved`` of a solved week.

    With ``why`` only the jobs of those numbers are told of, if no crew serves them.
    """
    stops = _stops(state, plan_id, list(places.geometry), places.crs)
    jobs = state.week.jobs
    unserved = [
        (plan_id, jobs[n].order_id, jobs[n].vault_id, outcome, words)
        for n, outcome, words in why_unserved(state, why)
    ]
    left = pd.DataFrame(unserved, columns=["plan_id", "order_id", "vault_id", "outcome", "reason"])
    return stops, table("plan_unserved").conform(left)


def _stops(state: WeekState, plan_id: str, points: list[Any], crs: Any) -> pd.DataFrame:
    rows = [*_crew_rows(state), *_vacuum_rows(state)]
    if not rows:
        return table("plan_stops").empty(crs)
    frame = pd.DataFrame(rows)
    clock = state.week.clock
    for name in ("arrive_at", "start_at", "leave_at"):
        frame[name] = pd.to_datetime([clock.moment(int(s)) for s in frame[name]], utc=True)
    frame["on"] = pd.to_datetime([clock.day(day) for day in frame["day"]])
    frame["plan_id"] = plan_id
    placed = gpd.GeoDataFrame(frame, geometry=[points[i] for i in frame["place"]], crs=crs)
    ordered = table("plan_stops").conform(placed)
    return ordered.sort_values(["on", "truck_id", "stop_number"], ignore_index=True)


def _legs(fleet: Fleet, row: int, *, is_crew: bool) -> Iterator[tuple[int, dict[str, Any]]]:
    """Yield each stop of a tour with what all stops share.

    The first is reached just in time; so is one where nobody may stand before it starts: the truck
    leaves the place before later.
    """
    week, shift = fleet.week, fleet.shifts[row]
    at, free = shift.yard, shift.opens
    for number, (stop, start) in enumerate(
        zip(fleet.stops[row], fleet.starts[row], strict=True), start=1
    ):
        place = fleet.place(stop)
        if fleet.pauses[row] == number - 1:
            free = max(free, shift.rest_from) + shift.rest
        quiet = int(week.drive[at, place])
        waits = free + week.driven(quiet, free)
        may_wait = stop < 0 or week.jobs[stop].may_wait(shift.day, waits, start, is_crew=is_crew)
        departs = free if number > 1 and may_wait else _just_in_time(week, quiet, free, start)
        drive = week.driven(quiet, departs)
        leave = start + fleet.seconds(row, stop)
        arrive = departs + drive
        at, free = place, leave
        yield (
            stop,
            {
                "truck_id": shift.truck_id,
                "day": shift.day,
                "stop_number": number,
                "place": place,
                "drive_minutes": drive / 60.0,
                "arrive_at": arrive,
                "start_at": start,
                "leave_at": leave,
                "order_id": week.jobs[stop].order_id if stop >= 0 else None,
                "vault_id": week.jobs[stop].vault_id if stop >= 0 else None,
            },
        )


def _just_in_time(week: Week, quiet: int, opens: int, start: int) -> int:
    """Return the latest second to leave the yard and still be there at a start."""
    low, high = opens, max(opens, start)
    while low < high:
        middle = (low + high + 1) // 2
        low, high = (
            (middle, high) if middle + week.driven(quiet, middle) <= start else (low, middle - 1)
        )
    return low


def _crew_rows(state: WeekState) -> Iterator[dict[str, Any]]:
    for row in range(len(state.crews.shifts)):
        for stop, leg in _legs(state.crews, row, is_crew=True):
            job = state.week.jobs[stop]
            done = (
                {"kind": "work", "load_gal": 0.0}
                if job.needs_vacuum
                else {"kind": "pump_out", "load_gal": job.load_gal}
            )
            yield leg | done | {"socks": job.socks}


def _vacuum_rows(state: WeekState) -> Iterator[dict[str, Any]]:
    for row in range(len(state.vacuums.shifts)):
        tank = 0.0
        for stop, leg in _legs(state.vacuums, row, is_crew=False):
            if stop >= 0:
                load = state.week.jobs[stop].load_gal
                tank += load
                done: dict[str, Any] = {"kind": "vacuum"}
            else:
                load, tank = tank, 0.0
                done = {"kind": "dump", "site_id": state.week.sites[-1 - stop].site_id}
            yield leg | done | {"load_gal": load, "tank_after_gal": tank, "socks": 0}
