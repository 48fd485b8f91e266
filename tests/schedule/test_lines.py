from __future__ import annotations

import pytest
from shapely import LineString

from vaultplan.schedule import check_plan, route_lines, solve_week
from vaultplan.settings import ScheduleSettings

PLAIN = ScheduleSettings(speed_mph=30, detour=1.0, leg_minutes=0.0, iterations=50)
MINUTE_M = 804.672


def lines(made, frames, settings=PLAIN):
    stops, left = solve_week(
        frames, made.MONDAY, plan_id="p", time_zone=made.ZONE, settings=settings, seed=1
    )
    whole = frames | {"plan_stops": stops, "plan_unserved": left}
    assert check_plan(whole, time_zone=made.ZONE, settings=settings) == []
    return stops, route_lines(
        stops, frames["trucks"], frames["depots"], frames["roads"], settings=settings
    )


def test_out_along_a_bent_street_and_back(made):
    bent = LineString([(0, 0), (MINUTE_M, 0), (MINUTE_M, 2 * MINUTE_M)])
    frames = made.week_frames(
        [made.job(1, MINUTE_M, MINUTE_M)],
        [made.crew("c")],
        roads=[{"road_id": "r", "geometry": bent}],
    )
    _, routes = lines(made, frames)
    row = routes.iloc[0]
    assert row["geometry"].equals_exact(
        LineString([(0, 0), (MINUTE_M, 0), (MINUTE_M, MINUTE_M), (MINUTE_M, 0), (0, 0)]), 1e-6
    )
    assert row["drive_mi"] == pytest.approx(2.0)
    assert row["drive_minutes"] == pytest.approx(4.0, abs=0.05)
    assert row["stop_count"] == 1


def test_without_streets_straight_lines_count_with_the_detour(made):
    frames = made.week_frames([made.job(1, 0, MINUTE_M)], [made.crew("c")])
    crooked = ScheduleSettings(speed_mph=30, detour=1.5, leg_minutes=0.0, iterations=50)
    _, routes = lines(made, frames, crooked)
    assert routes["geometry"].iloc[0].length == pytest.approx(2 * MINUTE_M)
    assert routes["drive_mi"].iloc[0] == pytest.approx(1.5)
    assert routes["drive_minutes"].iloc[0] == pytest.approx(3.0, abs=0.05)


def test_a_week_on_streets_drives_as_long_as_it_reckons(made):
    frames = made.generated_week(
        4, 20, crews=2, vacuums=1, width_m=4000.0, roads=made.grid_roads(8, 500.0)
    )
    stops, routes = lines(made, frames)
    assert routes["stop_count"].sum() == len(stops)
    assert len(routes) == len(stops.drop_duplicates(["truck_id", "on"]))
    # Half a mile a minute and no detour: minutes are twice the miles, up to rounding per leg.
    slack = (routes["stop_count"] + 1) / 60.0
    assert ((routes["drive_minutes"] - 2 * routes["drive_mi"]).abs() <= slack + 1e-3).all()
    unit = routes.length / 1609.344
    assert unit.to_numpy() == pytest.approx(routes["drive_mi"].to_numpy(), rel=1e-3)


def test_no_stops_no_lines(made):
    frames = made.week_frames([], [made.crew("c")])
    _, routes = lines(made, frames)
    assert routes.empty and "geometry" in routes
