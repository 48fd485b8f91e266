"""Ways to spoil a solved week a little: some break a limit, some come close to one.

Each is a function of ``pick``, which draws one of several values, and of the frames it changes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import pandas as pd
from shapely import Point

from vaultplan.schema import table

Frames = dict[str, pd.DataFrame]
Pick = Callable[[Sequence[Any]], Any]
Corruption = Callable[[Pick, Frames], None]

TIMES = ("arrive_at", "start_at", "leave_at")
MINUTES = (-600, -90, -20, -7, -1, 0, 1, 5, 15, 40, 120, 600)
#: Seconds about a limit, the width of what is forgiven among them.
SECONDS = (-3600, -300, -60, -5, -1, 0, 1, 5, 60, 300, 3600)
CREW_KINDS = ("pump_out", "work")
DAYS = tuple(f"2026-11-{day:02d}" for day in range(2, 9))


def _stop(pick: Pick, frames: Frames, *kinds: str) -> Any:
    stops = frames["plan_stops"]
    return pick(stops.index[stops["kind"].isin(kinds or stops["kind"])].tolist())


def _tour(frames: Frames, at: Any) -> pd.Index:
    stops = frames["plan_stops"]
    one = stops.loc[at]
    same = (stops["truck_id"] == one["truck_id"]) & (stops["on"] == one["on"])
    return stops[same].sort_values("stop_number").index


def _kind_of(frames: Frames, truck_id: str) -> str:
    trucks = frames["trucks"].set_index("truck_id")
    return str(trucks["kind"].get(truck_id))


def _shift(frames: Frames, rows: Any, seconds: float, columns: Sequence[str] = TIMES) -> None:
    for column in columns:
        frames["plan_stops"].loc[rows, column] += pd.Timedelta(seconds=seconds)


def _clock(moment: pd.Timestamp, minutes: float) -> str:
    """Return the local clock some minutes from a moment, within its day."""
    local = moment.tz_convert("Pacific/Honolulu")
    told = min(max(local.hour * 60 + local.minute + int(minutes), 0), 24 * 60)
    return f"{told // 60:02d}:{told % 60:02d}"


def _put(frames: Frames, name: str, rows: Any, column: str, value: Any) -> None:
    frames[name].loc[rows, column] = value


# Stops.


def stop_shifted(pick: Pick, frames: Frames) -> None:
    columns = pick((TIMES, TIMES[1:], TIMES[:1], TIMES[1:2], TIMES[2:]))
    _shift(frames, _stop(pick, frames), pick(SECONDS), columns)


def tour_shifted(pick: Pick, frames: Frames) -> None:
    _shift(frames, _tour(frames, _stop(pick, frames)), 60 * pick(MINUTES))


def rest_of_tour_shifted(pick: Pick, frames: Frames) -> None:
    at = _stop(pick, frames)
    tour = _tour(frames, at)
    _shift(frames, tour[tour.get_loc(at) :], pick(SECONDS))


def service_stretched(pick: Pick, frames: Frames) -> None:
    """The truck leaves later or sooner, and all after it with it."""
    at, seconds = _stop(pick, frames), pick(SECONDS)
    tour = _tour(frames, at)
    _shift(frames, [at], seconds, ["leave_at"])
    _shift(frames, tour[tour.get_loc(at) + 1 :], seconds)


def stops_swapped(pick: Pick, frames: Frames) -> None:
    at, other = _stop(pick, frames), _stop(pick, frames)
    stops, columns = frames["plan_stops"], pick((["stop_number"], [*TIMES, "stop_number"]))
    stops.loc[[at, other], columns] = stops.loc[[other, at], columns].to_numpy()


def _timed_anew(frames: Frames, tour: Sequence[Any], starts: Sequence[pd.Timestamp | None]) -> None:
    """Number a tour's stops and drive them in turn; none starts before the moment beside it."""
    stops = frames["plan_stops"]
    here = frames["depots"].geometry.iloc[0]
    now = stops.loc[tour[0], "arrive_at"] - pd.Timedelta(hours=1)
    metres_a_minute = 20.0 * 1609.344 / 60.0
    for number, (at, slot) in enumerate(zip(tour, starts, strict=True), start=1):
        stop = stops.loc[at]
        there, seconds = stop["geometry"], 0
        if here.distance(there):
            seconds = math.ceil((here.distance(there) * 1.35 / metres_a_minute + 1.5) * 60.0)
        drive = pd.Timedelta(seconds=seconds)
        start = now + drive if slot is None else max(now + drive, slot)
        arrive = start if number == 1 else now + drive
        leave = start + (stop["leave_at"] - stop["start_at"])
        stops.loc[at, ["drive_minutes", "stop_number"]] = [seconds / 60.0, number]
        for column, moment in zip(TIMES, (arrive, start, leave), strict=True):
            stops.loc[at, column] = moment
        now, here = leave, there


def tour_timed_anew(pick: Pick, frames: Frames) -> None:
    """Two neighbours change places and the day is driven again."""
    tour = _tour(frames, _stop(pick, frames)).tolist()
    starts = frames["plan_stops"].loc[tour, "start_at"].tolist()
    at = pick(range(len(tour)))
    tour[at], tour[at - 1] = tour[at - 1], tour[at]
    _timed_anew(frames, tour, starts)


def stop_moved_to_another_tour(pick: Pick, frames: Frames) -> None:
    stops = frames["plan_stops"]
    at, other = _stop(pick, frames, "pump_out"), _stop(pick, frames, *CREW_KINDS)
    old = [row for row in _tour(frames, at) if row != at]
    new = [row for row in _tour(frames, other) if row != at]
    starts = stops.loc[new, "start_at"].tolist()
    before, place = stops.loc[at, "on"], pick(range(len(new) + 1))
    stops.loc[at, ["truck_id", "on"]] = stops.loc[other, ["truck_id", "on"]].to_numpy()
    _shift(frames, [at], (stops.loc[at, "on"] - before).total_seconds())
    _timed_anew(frames, [*new[:place], at, *new[place:]], [*starts[:place], None, *starts[place:]])
    if old and old[0] not in new:
        _timed_anew(frames, old, stops.loc[old, "start_at"].tolist())


def truck_changed(pick: Pick, frames: Frames) -> None:
    at = _stop(pick, frames)
    rows = pick(([at], _tour(frames, at)))
    _put(frames, "plan_stops", rows, "truck_id", pick([*frames["trucks"]["truck_id"], "gone"]))


def day_changed(pick: Pick, frames: Frames) -> None:
    at, days = _stop(pick, frames), pick((-2, -1, 1, 2))
    rows = pick(([at], _tour(frames, at)))
    frames["plan_stops"].loc[rows, "on"] += pd.Timedelta(days=days)
    if pick((True, True, False)):
        _shift(frames, rows, 86_400 * days)


def stop_dropped(pick: Pick, frames: Frames) -> None:
    at = _stop(pick, frames)
    tour, stops = _tour(frames, at), frames["plan_stops"]
    stop = stops.loc[at]
    left = stops.drop(at)
    if pick((True, False)):
        left.loc[tour[tour.get_loc(at) + 1 :], "stop_number"] -= 1
    if pick((True, False)) and isinstance(stop["order_id"], str):
        left = left[left["order_id"].ne(stop["order_id"]).fillna(True).astype(bool)]
        row = {name: stop[name] for name in ("plan_id", "order_id", "vault_id")}
        row |= {"outcome": "not_scheduled", "reason": "dropped"}
        frames["plan_unserved"] = pd.concat([frames["plan_unserved"], pd.DataFrame([row])])
    frames["plan_stops"] = left


def stop_doubled(pick: Pick, frames: Frames) -> None:
    stops = frames["plan_stops"]
    again = stops.loc[[_stop(pick, frames)]].copy()
    again["stop_number"] += pick((0, 1, 20))
    again["on"] += pd.Timedelta(days=pick((0, 1)))
    frames["plan_stops"] = pd.concat([stops, again], ignore_index=True)


def stop_misreported(pick: Pick, frames: Frames) -> None:
    at, stops = _stop(pick, frames), frames["plan_stops"]
    column = pick(("load_gal", "tank_after_gal", "drive_minutes", "socks", "kind", "geometry"))
    value: Any = stops.loc[at, column]
    if column == "kind":
        value = pick(("pump_out", "work", "vacuum"))
    elif column == "geometry":
        value = pick((Point(1.0, 1.0), value))
    elif column == "socks":
        value = pick((None, 0, 1, 2, 3, 9))
    else:
        value = pick((value + 0.02, value - 0.02, value + 1, value - 1, value * 2, value / 2))
    stops.loc[at, column] = value


def stop_named_wrongly(pick: Pick, frames: Frames) -> None:
    at, stops = _stop(pick, frames), frames["plan_stops"]
    column = pick(("order_id", "vault_id", "site_id"))
    stops.loc[at, column] = pick([*stops[column].dropna(), "nowhere"])


# What the tables ask of a job, near what the plan does.


def _job_of(frames: Frames, at: Any) -> pd.Series:
    return frames["plan_jobs"]["order_id"] == frames["plan_stops"].loc[at, "order_id"]


def _at_a_vault(pick: Pick, frames: Frames) -> tuple[pd.Series, pd.Series]:
    at = _stop(pick, frames, *CREW_KINDS, "vacuum")
    return frames["plan_stops"].loc[at], _job_of(frames, at)


def window_changed(pick: Pick, frames: Frames) -> None:
    stop, job = _at_a_vault(pick, frames)
    column = pick(("window_from", "window_to"))
    _put(frames, "plan_jobs", job, column, _clock(stop["start_at"], pick(MINUTES)))


def hours_barred(pick: Pick, frames: Frames) -> None:
    stop, job = _at_a_vault(pick, frames)
    begins = _clock(stop[pick(TIMES)], pick(MINUTES))
    ends = f"{min(int(begins[:2]) + pick((0, 1, 3)), 23):02d}:59"
    _put(frames, "plan_jobs", job, "no_work_hours", f"{begins}-{ends}")


def outage_changed(pick: Pick, frames: Frames) -> None:
    stop, job = _at_a_vault(pick, frames)
    column, side = pick((("outage_from", "start_at"), ("outage_to", "leave_at")))
    value = stop[side] + pd.Timedelta(seconds=pick(SECONDS))
    _put(frames, "plan_jobs", job, column, value)


def daylight_asked(pick: Pick, frames: Frames) -> None:
    """Daylight on the islands is from about half past six to ten to six."""
    stop, job = _at_a_vault(pick, frames)
    _put(frames, "plan_jobs", job, "daylight_only", True)
    tour = _tour(frames, stop.name)
    rise = pd.Timestamp(f"{stop['on']:%Y-%m-%d} {pick(('16:25', '16:27', '16:35'))}", tz="UTC")
    if pick((True, False)):
        _shift(frames, tour, (rise - stop["start_at"]).total_seconds())


def refill_changed(pick: Pick, frames: Frames) -> None:
    at = _stop(pick, frames, "work")
    stops = frames["plan_stops"]
    crew = stops.loc[at]
    both = stops[(stops["order_id"] == crew["order_id"]) & (stops["kind"] == "vacuum")]
    waited = (crew["start_at"] - both["leave_at"].iloc[0]).total_seconds() / 60.0
    minutes = pick((None, 0.0, waited + pick(SECONDS) / 60.0))
    _put(frames, "plan_jobs", _job_of(frames, at), "refill_minutes", minutes)


def pair_changed(pick: Pick, frames: Frames) -> None:
    (_, one), (_, two) = _at_a_vault(pick, frames), _at_a_vault(pick, frames)
    _put(frames, "plan_jobs", one | two, "pair_id", pick((None, "pair0", "new")))


def cap_changed(pick: Pick, frames: Frames) -> None:
    stop, job = _at_a_vault(pick, frames)
    jobs, stops = frames["plan_jobs"], frames["plan_stops"]
    outfall = jobs.loc[job, "outfall_id"].iloc[0]
    there = jobs["outfall_id"] == outfall
    day = stops[(stops["on"] == stop["on"]) & (stops["kind"] == "pump_out")]
    given = jobs.loc[there & jobs["order_id"].isin(day["order_id"]), "load_gal"].sum()
    _put(
        frames,
        "plan_jobs",
        pick((there, job)),
        "daily_cap_gal",
        max(given + pick((-50, -1, 0, 1)), 0),
    )


def planner_asked(pick: Pick, frames: Frames) -> None:
    stop, job = _at_a_vault(pick, frames)
    truck = pick(["*", stop["truck_id"], *frames["trucks"]["truck_id"]])
    day = pick(["*", f"{stop['on']:%Y-%m-%d}", *DAYS])
    _put(frames, "plan_jobs", job, pick(("kept_to", "barred_from")), f"{truck}@{day}")


def places_asked(pick: Pick, frames: Frames) -> None:
    stop, one = _at_a_vault(pick, frames)
    two = _job_of(frames, pick(_tour(frames, stop.name).tolist()))
    _put(frames, "plan_jobs", one, "place", 1)
    _put(frames, "plan_jobs", two, "place", pick((1, 2)))


def job_changed(pick: Pick, frames: Frames) -> None:
    stop, job = _at_a_vault(pick, frames)
    jobs = frames["plan_jobs"]
    now = jobs[job].iloc[0]
    options = {
        "skill": (None, "splice", "cable", "weld"),
        "allowed_days": (";".join(DAYS[:2]), f"{stop['on']:%Y-%m-%d}", ";".join(DAYS[3:])),
        "waste_profile": (None, "sediment", "oily", "pcb", "unknown"),
        "method": ("storm_drain", "filter_sock", "vacuum_truck"),
        "gate": ("go", "hold", "refer"),
        "load_gal": (now["load_gal"] * 0.5, now["load_gal"] + 1.0, now["load_gal"] + 0.01),
        "setup_minutes": (None, 0.0, 10.02, 11.0),
        "task_minutes": (None, now["task_minutes"] - 5, now["task_minutes"] + 1),
        "solids_mg_l": (None, 0.0, 600.0, 2500.0),
        "socks": (None, 0, 1, 2, 9),
        "outfall_id": ("f1", "f2", "f3"),
    }
    column = pick(sorted(options))
    _put(frames, "plan_jobs", job, column, pick(options[column]))


# What the tables say of trucks, sites, vaults and orders.


def truck_changed_in_table(pick: Pick, frames: Frames) -> None:
    stop = frames["plan_stops"].loc[_stop(pick, frames)]
    trucks = frames["trucks"]
    row = trucks["truck_id"] == stop["truck_id"]
    tour = frames["plan_stops"].loc[_tour(frames, stop.name)]
    full = float(tour["tank_after_gal"].max())
    used = int(tour["socks"].fillna(0).sum())
    options = {
        "days": (None, "mon;wed;fri", "tue;thu", "mon;tue;wed;thu;fri;sat"),
        "shift_from": [_clock(tour["arrive_at"].iloc[0], m) for m in (-60, -15, -5, 0, 10)],
        "shift_to": [_clock(tour["leave_at"].iloc[-1], m) for m in (-90, -40, -5, 0, 10, 60)],
        "overtime_minutes": (None, 0.0, 5.0, 30.0, 90.0),
        "tank_gal": (None, full, full - 1.0, full - 0.01, 500.0),
        "payload_lb": (None, full * 8.34, full * 8.34 - 5.0, 9000.0),
        "sock_count": (None, used, used - 1 if used else 0, used + 1, 0),
        "pump_count": (None, 0, 1),
        "pump_gpm": (None, 60.0, 99.0, 125.0, 150.0),
        "skills": (None, "", "splice", "cable", "splice;cable"),
        "depot_id": ("yard", "gone"),
    }
    column = pick(sorted(options))
    _put(frames, "trucks", row, column, pick(options[column]))


def break_changed(pick: Pick, frames: Frames) -> None:
    stop = frames["plan_stops"].loc[_stop(pick, frames)]
    row = frames["trucks"]["truck_id"] == stop["truck_id"]
    first = _clock(stop[pick(TIMES)], pick((-40, -10, 0, 10)))
    last = max(first, _clock(stop[pick(TIMES)], pick((0, 10, 45, 120))))
    for column, value in (
        ("break_from", pick((None, first))),
        ("break_to", pick((None, last))),
        ("break_minutes", pick((None, 0.0, 5.0, 15.0, 30.0, 60.0, 120.0))),
    ):
        _put(frames, "trucks", row, column, value)


def site_changed(pick: Pick, frames: Frames) -> None:
    stop = frames["plan_stops"].loc[_stop(pick, frames, "dump")]
    options = {
        "open_from": [_clock(stop["start_at"], m) for m in (-30, 0, 1, 30)],
        "open_to": [_clock(stop["leave_at"], m) for m in (-30, -1, 0, 1, 30)],
        "dump_minutes": (None, 10.0, 20.0, 20.02, 20.1, 30.0),
        "takes": (None, "sediment", "oily;unknown", "pcb", "sediment;oily;unknown;pcb"),
    }
    column = pick(sorted(options))
    row = frames["disposal_sites"]["site_id"] == stop["site_id"]
    _put(frames, "disposal_sites", row, column, pick(options[column]))


def load_runs_short(pick: Pick, frames: Frames) -> None:
    """A day's load falls short in some of the draws; five in a hundred are allowed."""
    stop = frames["plan_stops"].loc[_stop(pick, frames, "vacuum")]
    load = {"plan_id": "p", "truck_id": stop["truck_id"], "on": stop["on"], "trip": 1}
    load["item"] = pick(("vacuum_load", "pump_time", "filter_sock"))
    load["prob_short"] = pick((None, 0.0, 0.05, 0.051, 0.5))
    frames["plan_loads"] = table("plan_loads").conform(pd.DataFrame([load]))


def standing_changed(pick: Pick, frames: Frames) -> None:
    """A vault or an order is no longer what it was."""
    stop, _ = _at_a_vault(pick, frames)
    name, key, words = pick(
        (
            ("vaults", "vault_id", (None, "in_service", "retired", "other_owner")),
            ("work_orders", "order_id", (None, "open", "done", "cancelled")),
        )
    )
    frame = frames[name]
    if pick((True, True, False)):
        _put(frames, name, frame[key] == stop[key], "status", pick(words))
    else:
        frames[name] = frame[frame[key] != stop[key]]


CORRUPTIONS: dict[str, Corruption] = {
    spoil.__name__: spoil
    for spoil in (
        stop_shifted,
        tour_shifted,
        rest_of_tour_shifted,
        service_stretched,
        stops_swapped,
        tour_timed_anew,
        stop_moved_to_another_tour,
        truck_changed,
        day_changed,
        stop_dropped,
        stop_doubled,
        stop_misreported,
        stop_named_wrongly,
        window_changed,
        hours_barred,
        outage_changed,
        daylight_asked,
        refill_changed,
        pair_changed,
        cap_changed,
        planner_asked,
        places_asked,
        job_changed,
        truck_changed_in_table,
        break_changed,
        site_changed,
        load_runs_short,
        standing_changed,
    )
}
