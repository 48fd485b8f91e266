from datetime import UTC, date, datetime

import pytest

from vaultplan.errors import ScheduleError
from vaultplan.schedule.clock import WeekClock


def test_clocks_go_back_on_the_sunday_of_the_week():
    # Los Angeles left daylight time at 2:00 on 2026-11-01, a Sunday: that day has 25 hours.
    clock = WeekClock.of(date(2026, 10, 26), "America/Los_Angeles")
    assert clock.second(5, "08:00") == (5 * 24 + 8) * 3600
    assert clock.second(6, "08:00") == (6 * 24 + 9) * 3600
    assert clock.moment(clock.second(6, "08:00")) == datetime(2026, 11, 1, 16, tzinfo=UTC)
    assert clock.second(6, "24:00") - clock.second(6, "00:00") == 25 * 3600


def test_day_and_number_are_inverse():
    clock = WeekClock.of(date(2026, 11, 2), "UTC")
    assert [clock.number(clock.day(n)) for n in range(-2, 9)] == list(range(-2, 9))


def test_only_a_monday_begins_a_week():
    with pytest.raises(ScheduleError, match="begins on 2026-11-02"):
        WeekClock.of(date(2026, 11, 4), "UTC")


def test_unknown_zone_and_clock_are_refused():
    with pytest.raises(ScheduleError, match="no time zone"):
        WeekClock.of(date(2026, 11, 2), "Saltmarrow/Quay")
    with pytest.raises(ScheduleError, match="HH:MM"):
        WeekClock.of(date(2026, 11, 2), "UTC").second(0, "7 am")
