"""When a truck may stand at a vault."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.errors import ScheduleError
from vaultplan.schedule.clock import WeekClock
from vaultplan.schedule.hours import WHOLE, daylight, spans_of_day, stays

HOUR, DAY = 3600, 86_400
WEEK = WeekClock.of(date(2026, 11, 2), "Etc/GMT+10")


def test_nothing_bounds_a_stay_unless_said():
    assert stays(WEEK, 3) == (WHOLE,)


def test_barred_hours_cut_a_day_in_three():
    spans = stays(WEEK, 1, barred=[("07:00", "09:00"), ("16:00", "18:00")])
    edges = [WHOLE[0], *(DAY + h * HOUR for h in (7, 9, 16, 18)), WHOLE[1]]
    assert spans == ((edges[0], edges[1]), (edges[2], edges[3]), (edges[4], edges[5]))


def test_daylight_and_outage_narrow_what_is_left():
    light, outage = (6 * HOUR, 18 * HOUR), (8 * HOUR, 8 * HOUR + 1800)
    assert stays(WEEK, 0, barred=[("08:00", "08:15")], light=light, outage=outage) == (
        (8 * HOUR + 900, 8 * HOUR + 1800),
    )
    assert stays(WEEK, 0, light=light, outage=(20 * HOUR, 21 * HOUR)) == ()


@given(
    st.lists(st.tuples(st.integers(0, 23), st.integers(1, 24)), max_size=4),
    st.integers(0, 24 * 60),
)
def test_a_minute_is_in_a_stay_if_no_barred_span_holds_it(hours, minute):
    barred = [(f"{a:02d}:00", f"{b:02d}:00") for a, b in hours if a < b]
    second = minute * 60
    is_barred = any(a * HOUR <= second < b * HOUR for a, b in hours if a < b)
    spans = stays(WEEK, 0, barred=barred)
    assert any(first <= second < last for first, last in spans) == (not is_barred)


def test_the_sun_at_the_equinox_and_in_the_far_north():
    """Day and night are equal at the equinox: 12 h and some minutes, as the sun's edge and the
    air's bending count (common practice, no source). At 80 N no sun rises in November."""
    spring = WeekClock.of(date(2026, 3, 16), "UTC")
    rise, down = daylight(spring, 4, 0.0, 45.0)
    assert down - rise == pytest.approx(12.15 * HOUR, abs=0.1 * HOUR)
    assert (rise + down) / 2 - 4 * DAY == pytest.approx(12.12 * HOUR, abs=0.1 * HOUR)
    with pytest.raises(ScheduleError, match="daylight_only"):
        daylight(WEEK, 0, 0.0, 80.0)


def test_spans_are_read_or_refused():
    assert spans_of_day("07:00-09:00; 15:30-18:00") == (("07:00", "09:00"), ("15:30", "18:00"))
    assert spans_of_day(None) == ()
    for wrong in ("07:00", "09:00-07:00"):
        with pytest.raises(ScheduleError, match="07:00-09:00"):
            spans_of_day(wrong)
