"""The week: which truck does which job when, for crews and vacuum trucks together."""

from vaultplan.schedule.checker import Breach, check_plan
from vaultplan.schedule.jobs import build_jobs
from vaultplan.schedule.lines import route_lines
from vaultplan.schedule.travel import TravelTimes, travel_times
from vaultplan.schedule.week import solve_week

__all__ = [
    "Breach",
    "TravelTimes",
    "build_jobs",
    "check_plan",
    "route_lines",
    "solve_week",
    "travel_times",
]
