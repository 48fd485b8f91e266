"""The checker accepts a good plan and catches one deliberate fault in every limit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from shapely import Point

from vaultplan.schedule import check_plan, solve_week
from vaultplan.settings import ScheduleSettings

SETTINGS = ScheduleSettings(iterations=60)
Frames = dict[str, pd.DataFrame]


@pytest.fixture(scope="module")
def plan(made) -> Frames:
    """A small week with every kind of job, stop and limit in it."""
    frames = made.generated_week(
        21,
        26,
        crews=3,
        vacuums=1,
        vacuum_share=0.35,
        width_m=6000.0,
        roads=made.grid_roads(6, 1000.0),
    )
    frames["trucks"]["skills"] = "cable;splice"
    frames["trucks"].loc[frames["trucks"]["kind"] == "crew", "sock_count"] = 4
    stops, left = solve_week(
        frames, made.MONDAY, plan_id="p", time_zone=made.ZONE, settings=SETTINGS, seed=4
    )
    return frames | {"plan_stops": stops, "plan_unserved": left}


def check(made, frames: Frames) -> list:
    return check_plan(frames, time_zone=made.ZONE, settings=SETTINGS)


def test_the_plan_as_solved_is_accepted(made, plan):
    assert check(made, plan) == []
    kinds = plan["plan_stops"]["kind"].value_counts()
    assert set(kinds.index) == {"pump_out", "work", "vacuum", "dump"}


def _first(frames: Frames, kind: str) -> int:
    return frames["plan_stops"].index[frames["plan_stops"]["kind"] == kind][0]


def _job_of(frames: Frames, kind: str) -> pd.Series:
    order = frames["plan_stops"].loc[_first(frames, kind), "order_id"]
    return frames["plan_jobs"]["order_id"] == order


def _truck_of(frames: Frames, kind: str) -> pd.Series:
    truck = frames["plan_stops"].loc[_first(frames, kind), "truck_id"]
    return frames["trucks"]["truck_id"] == truck


def _stop(kind: str, column: str, change: Callable) -> Callable[[Frames], None]:
    def spoil(frames: Frames) -> None:
        at = _first(frames, kind)
        stops = frames["plan_stops"]
        stops.loc[at, column] = change(stops.loc[at, column])

    return spoil


def _job(kind: str, column: str, value: object) -> Callable[[Frames], None]:
    def spoil(frames: Frames) -> None:
        frames["plan_jobs"].loc[_job_of(frames, kind), column] = value

    return spoil


def _truck(kind: str, column: str, value: object) -> Callable[[Frames], None]:
    def spoil(frames: Frames) -> None:
        frames["trucks"].loc[_truck_of(frames, kind), column] = value

    return spoil


def _all(table: str, column: str, value: object) -> Callable[[Frames], None]:
    def spoil(frames: Frames) -> None:
        frames[table][column] = value

    return spoil


def _shift_tour(minutes: float) -> Callable[[Frames], None]:
    def spoil(frames: Frames) -> None:
        stops = frames["plan_stops"]
        first = stops.loc[_first(frames, "pump_out")]
        tour = (stops["truck_id"] == first["truck_id"]) & (stops["on"] == first["on"])
        for column in ("arrive_at", "start_at", "leave_at"):
            stops.loc[tour, column] += pd.Timedelta(minutes=minutes)

    return spoil


def _drop(kind: str) -> Callable[[Frames], None]:
    def spoil(frames: Frames) -> None:
        frames["plan_stops"] = frames["plan_stops"].drop(_first(frames, kind))

    return spoil


def _drop_last_dump(frames: Frames) -> None:
    stops = frames["plan_stops"]
    day = stops.loc[_first(frames, "dump"), "on"]
    dumps = stops[(stops["kind"] == "dump") & (stops["on"] == day)]
    frames["plan_stops"] = stops.drop(dumps["stop_number"].idxmax())


def _twice(kind: str) -> Callable[[Frames], None]:
    def spoil(frames: Frames) -> None:
        stops = frames["plan_stops"]
        again = stops.loc[[_first(frames, kind)]].copy()
        again["stop_number"] = 99
        frames["plan_stops"] = pd.concat([stops, again], ignore_index=True)

    return spoil


def _wait_for_vacuum(minutes: float) -> Callable[[Frames], None]:
    """Let the vacuum truck's first stop end some minutes later (or sooner) than it does."""

    def spoil(frames: Frames) -> None:
        stops = frames["plan_stops"]
        at = _first(frames, "vacuum")
        for column in ("arrive_at", "start_at", "leave_at"):
            stops.loc[at, column] += pd.Timedelta(minutes=minutes)

    return spoil


def _other_day(frames: Frames) -> None:
    stops = frames["plan_stops"]
    at = _first(frames, "vacuum")
    stops.loc[at, "on"] += pd.Timedelta(days=1)
    stops.loc[at, "stop_number"] = 99
    for column in ("arrive_at", "start_at", "leave_at"):
        stops.loc[at, column] += pd.Timedelta(days=1)


def _also_unserved(frames: Frames) -> None:
    stop = frames["plan_stops"].loc[_first(frames, "work")]
    row = {"plan_id": "p", "order_id": stop["order_id"], "vault_id": stop["vault_id"]}
    row |= {"outcome": "held", "reason": "by mistake"}
    frames["plan_unserved"] = pd.concat(
        [frames["plan_unserved"], pd.DataFrame([row])], ignore_index=True
    )


def _swap_numbers(frames: Frames) -> None:
    stops = frames["plan_stops"]
    first = stops.loc[_first(frames, "pump_out")]
    tour = stops[(stops["truck_id"] == first["truck_id"]) & (stops["on"] == first["on"])]
    one, two = tour.sort_values("stop_number").index[:2]
    stops.loc[[one, two], "stop_number"] = stops.loc[[two, one], "stop_number"].to_numpy()


def _other_kind(frames: Frames) -> None:
    frames["plan_stops"].loc[_first(frames, "work"), "kind"] = "pump_out"


def _short_route(frames: Frames) -> None:
    """Claim the drive to the first stop took no time at all."""
    frames["plan_stops"].loc[_first(frames, "work"), "drive_minutes"] = 0.0


def _yard_far_off(frames: Frames) -> None:
    frames["depots"] = frames["depots"].set_geometry([Point(90_000.0, 0.0)], crs="EPSG:32606")


def _pairs_apart(frames: Frames) -> None:
    stops = frames["plan_stops"]
    crew = stops[stops["kind"].isin(["work", "pump_out"])]
    one = crew.iloc[0]
    two = crew[(crew["truck_id"] != one["truck_id"]) | (crew["on"] != one["on"])].iloc[0]
    chosen = frames["plan_jobs"]["order_id"].isin([one["order_id"], two["order_id"]])
    frames["plan_jobs"].loc[chosen, "pair_id"] = "p"


def _half_a_pair(frames: Frames) -> None:
    order = frames["plan_stops"].loc[_first(frames, "work"), "order_id"]
    jobs = frames["plan_jobs"]
    extra = jobs[jobs["order_id"] == order].assign(order_id="o900")
    frames["plan_jobs"] = pd.concat([jobs, extra], ignore_index=True)
    frames["plan_jobs"].loc[lambda t: t["order_id"].isin([order, "o900"]), "pair_id"] = "p"
    row = {"plan_id": "p", "order_id": "o900", "vault_id": "v", "outcome": "held", "reason": "x"}
    frames["plan_unserved"] = pd.concat([frames["plan_unserved"], pd.DataFrame([row])])


def _small_outfall(frames: Frames) -> None:
    frames["plan_jobs"]["outfall_id"] = "f"
    pumped = frames["plan_stops"].query("kind == 'pump_out'")
    loads = pumped.merge(frames["plan_jobs"], on="order_id")
    by_day = loads.groupby("on")["load_gal_y"].sum()
    frames["plan_jobs"]["daily_cap_gal"] = by_day.max() - 1.0


def _one_small_cap(frames: Frames) -> None:
    """The second job of a day at an outfall states a cap that the first fills."""
    stops = frames["plan_stops"]
    pumped = stops[stops["kind"] == "pump_out"].sort_values("start_at")
    day = pumped[pumped["on"] == pumped["on"].mode()[0]]
    jobs = frames["plan_jobs"]
    jobs["outfall_id"] = "f"
    one, two = (jobs["order_id"] == order for order in day["order_id"].iloc[:2])
    jobs["daily_cap_gal"] = np.nan
    jobs.loc[two, "daily_cap_gal"] = jobs.loc[one, "load_gal"].iloc[0] - 1.0


def _mixed_load(frames: Frames) -> None:
    stops = frames["plan_stops"]
    tour = stops[stops["truck_id"].str.startswith("vac")].sort_values(["on", "stop_number"])
    trip = (tour["kind"] == "dump").shift(fill_value=False).cumsum()
    long = trip.map(trip.value_counts()) > 2
    one = tour.loc[long & (tour["kind"] == "vacuum"), "order_id"].iloc[0]
    frames["plan_jobs"].loc[lambda t: t["order_id"] == one, "waste_profile"] = "oily"


def _out_of_place(frames: Frames) -> None:
    stops = frames["plan_stops"]
    first = stops.loc[_first(frames, "pump_out")]
    tour = stops[(stops["truck_id"] == first["truck_id"]) & (stops["on"] == first["on"])]
    orders = tour.sort_values("stop_number")["order_id"].tolist()[:2]
    for order, place in zip(orders, (2, 1), strict=True):
        frames["plan_jobs"].loc[lambda t, o=order: t["order_id"] == o, "place"] = place


def _tank_runs_out(frames: Frames) -> None:
    stop = frames["plan_stops"].loc[_first(frames, "vacuum")]
    load = {"plan_id": "p", "truck_id": stop["truck_id"], "on": stop["on"], "trip": 1}
    load |= {"item": "vacuum_load", "quantity": 900.0, "prob_short": 0.06}
    frames["plan_loads"] = pd.DataFrame([load])


def _in_the_dark(frames: Frames) -> None:
    frames["plan_jobs"]["daylight_only"] = True
    _shift_tour(-180)(frames)


def _after_dark(frames: Frames) -> None:
    frames["plan_jobs"]["daylight_only"] = True
    _shift_tour(540)(frames)


def _vacuum_where_none_is_due(frames: Frames) -> None:
    stops = frames["plan_stops"]
    named = ["order_id", "vault_id", "geometry"]
    pumped = stops.loc[_first(frames, "pump_out"), named]
    stops.loc[_first(frames, "vacuum"), named] = pumped


def _much_silt(frames: Frames) -> None:
    """A sock order's water holds 500 gal * 50,000 mg/L * 8.345e-6 = 209 lb, 42 socks of 5 lb."""
    jobs = frames["plan_jobs"]
    is_sock = jobs["method"].eq("filter_sock") & jobs["order_id"].isin(
        frames["plan_stops"]["order_id"]
    )
    jobs.loc[is_sock, ["load_gal", "solids_mg_l"]] = [500.0, 50_000.0]


def _kept_elsewhere(frames: Frames) -> None:
    truck = frames["plan_stops"].loc[_first(frames, "work"), "truck_id"]
    other = next(t for t in ("crew00", "crew01", "crew02") if t != truck)
    _job("work", "kept_to", f"{other}@*")(frames)


def _break(first: str, last: str, minutes: float) -> Callable[[Frames], None]:
    def spoil(frames: Frames) -> None:
        trucks = frames["trucks"]
        trucks["break_from"], trucks["break_to"] = first, last
        trucks["break_minutes"] = minutes

    return spoil


def _moment(kind: str, column: str, side: str, minutes: float) -> Callable[[Frames], None]:
    """Let an order's outage begin or end some minutes from when the crew starts or leaves."""

    def spoil(frames: Frames) -> None:
        at = frames["plan_stops"].loc[_first(frames, kind), side]
        frames["plan_jobs"].loc[_job_of(frames, kind), column] = at + pd.Timedelta(minutes=minutes)

    return spoil


LATER = pd.Timedelta(minutes=200)
FAULTS = {
    "leaves before the shift": (_shift_tour(-300), "shift"),
    "home after overtime": (_shift_tour(500), "shift"),
    "way home forgotten": (_yard_far_off, "shift"),
    "truck off that day": (_truck("work", "days", "sun"), "day off"),
    "skill missing": (_job("work", "skill", "welding"), "skill"),
    "day not allowed": (_job("pump_out", "allowed_days", "2026-11-08"), "allowed day"),
    "before its window": (_job("pump_out", "window_from", "23:00"), "window"),
    "after its window": (_job("pump_out", "window_to", "00:30"), "window"),
    "vacuum outside the window": (_job("vacuum", "window_from", "23:00"), "window"),
    "gate on hold": (_job("pump_out", "gate", "hold"), "gate"),
    "gate refers": (_job("vacuum", "gate", "refer"), "gate"),
    "crew comes twice": (_twice("work"), "served twice"),
    "vacuum truck comes twice": (_twice("vacuum"), "served twice"),
    "order lost": (_drop("pump_out"), "unaccounted"),
    "served and unserved": (_also_unserved, "unaccounted"),
    "order unknown": (_stop("pump_out", "order_id", lambda _: "o999"), "unknown order"),
    "order done already": (_all("work_orders", "status", "done"), "order not open"),
    "no vacuum truck": (_drop("vacuum"), "no vacuum truck"),
    "vacuum truck on another day": (_other_day, "no vacuum truck"),
    "crew before vacuum truck": (_wait_for_vacuum(600), "crew before vacuum truck"),
    "water is back": (_wait_for_vacuum(-600), "refilled"),
    "vacuum for nothing": (_drop("work"), "vacuum for nothing"),
    "tank too small": (_all("trucks", "tank_gal", 100.0), "tank"),
    "tank not stated": (_all("trucks", "tank_gal", np.nan), "tank"),
    "truck too heavy": (_all("trucks", "payload_lb", 500.0), "weight"),
    "tank misreported": (_stop("vacuum", "tank_after_gal", lambda v: v - 50), "tank"),
    "less water than expected": (_stop("vacuum", "load_gal", lambda v: v / 2), "load"),
    "more water than expected": (_stop("pump_out", "load_gal", lambda v: v * 2), "load"),
    "less given up than the tank holds": (_stop("dump", "load_gal", lambda v: v / 2), "tank"),
    "comes home loaded": (_drop_last_dump, "not empty"),
    "site not open yet": (_all("disposal_sites", "open_from", "23:00"), "disposal hours"),
    "site closed": (_all("disposal_sites", "open_to", "06:10"), "disposal hours"),
    "dump too short": (_all("disposal_sites", "dump_minutes", 45.0), "dump time"),
    "socks run out": (_all("trucks", "sock_count", 0), "socks"),
    "socks not reckoned": (_all("plan_stops", "socks", 0), "socks"),
    "socks fewer than the silt fills": (_much_silt, "socks"),
    "work cut short": (_job("work", "task_minutes", 300.0), "service time"),
    "pump too slow": (_truck("vacuum", "pump_gpm", 5.0), "service time"),
    "crew pump too slow": (_truck("pump_out", "pump_gpm", 5.0), "service time"),
    "drive too short": (_short_route, "drive"),
    "arrives too early": (_stop("dump", "arrive_at", lambda t: t - LATER), "times"),
    "leaves before it starts": (_stop("work", "leave_at", lambda t: t - LATER), "times"),
    "starts before it arrives": (_stop("dump", "start_at", lambda t: t - LATER), "times"),
    "tour on the wrong date": (_shift_tour(24 * 60), "times"),
    "numbers missing": (_stop("dump", "stop_number", lambda _: 77), "stop numbers"),
    "stops out of order": (_swap_numbers, "times"),
    "stands elsewhere": (_stop("work", "geometry", lambda _: Point(1, 1)), "wrong place"),
    "dumps elsewhere": (_stop("dump", "geometry", lambda _: Point(1, 1)), "wrong place"),
    "another vault": (_stop("work", "vault_id", lambda _: "v999"), "wrong vault"),
    "vault unknown": (_stop("work", "vault_id", lambda _: "v999"), "unknown place"),
    "site unknown": (_stop("dump", "site_id", lambda _: "nowhere"), "unknown place"),
    "vault of another owner": (_all("vaults", "status", "other_owner"), "vault not in service"),
    "truck unknown": (_all("trucks", "truck_id", "gone"), "unknown truck"),
    "stands there in barred hours": (
        _all("plan_jobs", "no_work_hours", "00:00-24:00"),
        "barred hours",
    ),
    "before sunrise": (_in_the_dark, "daylight"),
    "after sunset": (_after_dark, "daylight"),
    "outage not begun": (_moment("work", "outage_from", "start_at", 1), "outage"),
    "outage over": (_moment("work", "outage_to", "leave_at", -1), "outage"),
    "no time for a break": (_break("09:00", "09:01", 240.0), "break"),
    "tank seldom enough": (_tank_runs_out, "tank runs out"),
    "no pump on board": (_all("trucks", "pump_count", 0), "pump"),
    "pair apart": (_pairs_apart, "pair"),
    "half a pair": (_half_a_pair, "pair"),
    "outfall over its cap": (_small_outfall, "outfall cap"),
    "outfall over the cap of one of its jobs": (_one_small_cap, "outfall cap"),
    "waste mixed": (_mixed_load, "waste mixed"),
    "site refuses the waste": (_all("disposal_sites", "takes", "oily"), "waste refused"),
    "pcb to a site that does not say so": (
        _all("plan_jobs", "waste_profile", "pcb"),
        "waste refused",
    ),
    "kept to another truck": (_kept_elsewhere, "kept"),
    "kept to another day": (_job("vacuum", "kept_to", "*@2026-11-08"), "kept"),
    "barred from its day": (_all("plan_jobs", "barred_from", "*@*"), "barred"),
    "out of the planner's order": (_out_of_place, "place"),
    "vacuum truck where none is due": (_vacuum_where_none_is_due, "kind"),
    "wrong kind of stop": (_other_kind, "kind"),
    "crew pumps what needs a vacuum truck": (_job("pump_out", "method", "vacuum_truck"), "kind"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_every_fault_is_caught(made, plan, fault):
    spoil, what = FAULTS[fault]
    frames = {name: frame.copy() for name, frame in plan.items()}
    spoil(frames)
    breaches = check(made, frames)
    assert what in {breach.what for breach in breaches}, [str(b) for b in breaches]
    assert all(str(breach) for breach in breaches)


def test_a_break_fits_between_two_orders_at_one_vault(made):
    # The crew is done at 10:34 and goes on at the same vault at 11:10: 36 minutes, wherever in them
    # the table has it arrive there.
    hours = [{"window_from": at, "window_to": at} for at in ("10:00", "11:10")]
    jobs = [
        made.job(n, 1000.0, 0.0, vault_id="v", allowed_days=made.days("mon"), **at)
        for n, at in enumerate(hours)
    ]
    truck = made.crew("c", break_minutes=30.0, break_from="10:00", break_to="11:00")
    frames = made.week_frames(jobs, [truck])
    stops, left = solve_week(
        frames, made.MONDAY, plan_id="p", time_zone=made.ZONE, settings=SETTINGS, seed=1
    )
    for minutes in (10, 18, 26):
        stops.loc[1, "arrive_at"] = stops.loc[0, "leave_at"] + pd.Timedelta(minutes=minutes)
        assert check(made, frames | {"plan_stops": stops, "plan_unserved": left}) == []
    frames["trucks"]["break_minutes"] = 37.0
    found = check(made, frames | {"plan_stops": stops, "plan_unserved": left})
    assert [breach.what for breach in found] == ["break"]


@pytest.mark.parametrize(
    ("shift", "spell", "latest_start"),
    [
        (("07:00", "12:00"), ("11:30", "12:00"), "08:00"),
        (("14:00", "18:00"), ("11:00", "13:00"), None),
    ],
)
def test_no_break_is_due_to_who_is_back_before_it_or_starts_after_it(
    made, shift, spell, latest_start
):
    # The first crew is home before 9:00, and an hour from 11:30 would outlast its shift.
    job = made.job(1, 1000.0, 0.0, allowed_days=made.days("mon"), window_to=latest_start)
    rest = {"break_minutes": 60.0, "break_from": spell[0], "break_to": spell[1]}
    hours = {"shift_from": shift[0], "shift_to": shift[1], "overtime_minutes": 0.0}
    frames = made.week_frames([job], [made.crew("c", **hours, **rest)])
    stops, left = solve_week(
        frames, made.MONDAY, plan_id="p", time_zone=made.ZONE, settings=SETTINGS, seed=1
    )
    assert len(stops) == 1
    assert check(made, frames | {"plan_stops": stops, "plan_unserved": left}) == []


def test_a_breach_says_where(made, plan):
    frames = {name: frame.copy() for name, frame in plan.items()}
    _stop("work", "geometry", lambda _: Point(1, 1))(frames)
    stop = frames["plan_stops"].loc[_first(frames, "work")]
    breach = next(b for b in check(made, frames) if b.what == "wrong place")
    assert (breach.truck, breach.stop) == (stop["truck_id"], stop["stop_number"])
    assert breach.day == f"{stop['on']:%Y-%m-%d}"


def test_the_checker_imports_nothing_that_builds_plans():
    """What it and the solver share is the ground floor alone."""
    import ast
    from pathlib import Path

    import vaultplan.schedule.checker as checker

    folder = Path(checker.__file__).parent
    own = {"checker", "check_tour", "check_bounds", "check_drive"}
    for name in own:
        tree = ast.parse((folder / f"{name}.py").read_text(encoding="utf-8"))
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module:
                parts = node.module.split(".")
                assert parts[:2] != ["vaultplan", "schedule"] or parts[2] in own
