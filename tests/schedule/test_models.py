"""The routing problems made of a week: windows, skills, loads, sites and ends."""

from __future__ import annotations

from vaultplan.schedule.build import week_model, week_places
from vaultplan.schedule.clock import WeekClock
from vaultplan.schedule.crews import crew_model, crew_windows
from vaultplan.schedule.model import pump_seconds
from vaultplan.schedule.routing import CLOSED
from vaultplan.schedule.travel import travel_times
from vaultplan.schedule.vacuum import offers_after, vacuum_model
from vaultplan.settings import ScheduleSettings

HOUR, DAY = 3600, 86400
PLAIN = ScheduleSettings(speed_mph=30, detour=1.0, leg_minutes=0.0)
MINUTE_M = 804.672


def model(made, frames, settings=PLAIN):
    places = week_places(frames)
    travel = travel_times(places, frames["roads"], settings=settings)
    clock = WeekClock.of(made.MONDAY, made.ZONE)
    return week_model(frames, clock, travel.place_ids, travel.seconds, settings)


def test_free_days_in_a_row_are_one_window_and_others_are_not(made):
    jobs = [
        made.job(1, 1, 1, allowed_days=made.days("mon", "tue")),
        made.job(2, 1, 1, allowed_days=made.days("mon", "wed")),
        made.job(3, 1, 1, allowed_days=made.days("mon", "tue"), window_to="12:00"),
    ]
    week = model(made, made.week_frames(jobs, [made.crew("c")]))
    whole, gap, clocked = (crew_windows(week, job) for job in week.jobs)
    assert whole == ((0, DAY + 23 * HOUR + 59 * 60),)
    assert len(gap) == 2
    assert clocked == ((0, 12 * HOUR), (DAY, DAY + 12 * HOUR))


def test_a_crew_waits_for_the_earliest_a_vacuum_truck_can_be_done(made):
    jobs = [made.job(1, 10 * MINUTE_M, 0, method="vacuum_truck", load_gal=1000.0)]
    frames = made.week_frames(jobs, [made.crew("c"), made.vacuum("v", days="tue")])
    week = model(made, frames)
    # From 6:00 ten minutes' drive, ten to set up, ten to pump; Monday and later days fall away.
    ((early, late),) = crew_windows(week, week.jobs[0])
    assert (early - DAY - 6 * HOUR) // 60 == 30
    assert late == DAY + 23 * HOUR + 59 * 60


def test_skills_close_arcs_and_pump_rates_lie_in_the_durations(made):
    jobs = [made.job(1, MINUTE_M, 0, skill="splice", load_gal=1000.0)]
    trucks = [made.crew("a", skills="splice", pump_gpm=100.0), made.crew("b", skills="cable")]
    problem = crew_model(model(made, made.week_frames(jobs, trucks))).problem
    profile = {vehicle.profile for vehicle in problem.vehicles}
    assert len(profile) == 2
    skilled, unskilled = problem.distances
    assert skilled[0, 1] == 60 and unskilled[0, 1] == CLOSED
    # 60 s home, and 10 + 10 + 20 minutes at the vault.
    assert problem.durations[0][1, 0] == 60 + 40 * 60


def test_equal_crews_share_a_vehicle_type(made):
    frames = made.week_frames([made.job(1, 1, 1)], [made.crew(f"c{n}") for n in range(4)])
    found = crew_model(model(made, frames))
    assert [vehicle.count for vehicle in found.problem.vehicles] == [4] * 5
    assert sorted(row for rows in found.shifts for row in rows) == list(range(20))


def test_the_way_home_of_a_vacuum_truck_passes_a_site(made):
    jobs = [made.job(1, 4 * MINUTE_M, 0, method="vacuum_truck", load_gal=1000.4)]
    sites = [made.site("far", 0, 50 * MINUTE_M), made.site("near", 4 * MINUTE_M, 3 * MINUTE_M)]
    week = model(made, made.week_frames(jobs, [made.vacuum("v", payload_lb=8340.0)], sites))
    found = vacuum_model(week, {0: week.jobs[0].windows})
    problem = found.problem
    twin = problem.stations[problem.vehicles[0].end].place
    job = problem.visits[0].place
    # 3 minutes to the near site and 5 home; dumping takes 20, the stop itself 10 + 10.004.
    assert problem.distances[0][job, twin] == 8 * 60
    assert problem.durations[0][job, twin] == 8 * 60 + 20 * 60 + 10 * 60 + 601
    assert problem.visits[0].load == (1001,) and problem.vehicles[0].capacity == (1000,)
    assert len(problem.vehicles[0].reloads) == 2


def test_vacuum_trucks_are_offered_what_suits_the_crew(made):
    jobs = [made.job(1, 0, 1, method="vacuum_truck", load_gal=1000.0, refill_minutes=60.0)]
    week = model(made, made.week_frames(jobs, [made.crew("c"), made.vacuum("v")]))
    start = 9 * HOUR
    assert offers_after(week, {0: start}) == {0: ((start - 80 * 60, start - 20 * 60),)}


def test_pumping_is_rounded_up():
    assert pump_seconds(100.0, 60.0) == 100
    assert pump_seconds(100.1, 60.0) == 101
