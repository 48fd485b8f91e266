"""Minutes of pumping and filter socks, against hand-solved cases and a step-by-step pump."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import settings as budget
from hypothesis import strategies as st

from vaultplan.schedule.pumping import pump_out, sock_need
from vaultplan.settings import ScheduleSettings
from vaultplan.units import LB_PER_GAL_MG_L

PLAIN = ScheduleSettings(
    sock_gpm=125, sock_least_gpm=100, sock_capacity_lb=5, sock_change_minutes=4
)
#: Solids of which 1,000 gal fill one sock of 5 lb.
FULL_MG_L = 5.0 / (1000.0 * LB_PER_GAL_MG_L)


def through_sock(gallons, solids, *, gpm=1e9, told=PLAIN):
    return pump_out(gallons, solids, pump_gpm=gpm, through_sock=True, settings=told)


def stepped(gallons: float, solids: float, gpm: float, told: ScheduleSettings) -> float:
    """Pump sock by sock in 2,000 steps each, at the rate of the load in the middle of a step."""
    steps = 2_000
    per_gal = solids * LB_PER_GAL_MG_L
    most = min(gallons, told.sock_capacity_lb / per_gal) if per_gal else gallons
    left, minutes = gallons, 0.0
    while left > 1e-9 * most:
        through = min(left, most)
        load = (np.arange(steps) + 0.5) / steps * through * per_gal / told.sock_capacity_lb
        rate = told.sock_gpm - (told.sock_gpm - told.sock_least_gpm) * load
        minutes += float((through / steps / np.minimum(gpm, rate)).sum())
        left -= through
        minutes += told.sock_change_minutes if left > 1e-9 * most else 0.0
    return minutes


def test_a_sock_that_just_fills():
    """1000 gal / (125 - 100) * ln(125 / 100) = 40 * 0.223144 = 8.92574 minutes, one sock."""
    told = through_sock(1000.0, FULL_MG_L)
    assert told.minutes == pytest.approx(40 * math.log(1.25))
    assert told.minutes == pytest.approx(8.92574, abs=5e-6)
    assert told.socks == 1


def test_half_a_sock_and_one_and_a_half():
    """500 gal end at 112.5 gal/min: 40 ln(125/112.5) = 4.21442; 1500: 8.92574 + 4 + 4.21442."""
    told = through_sock([500.0, 1500.0], FULL_MG_L)
    assert told.minutes == pytest.approx([4.21442, 17.14016], abs=1e-5)
    assert told.socks.tolist() == [1, 2]


def test_a_pump_slower_than_the_empty_sock_is_the_limit_first():
    """At 110 gal/min the sock is faster until (125 - 110) / 25 = 0.6 of its capacity: 600 gal.

    600 / 110 = 5.454545; the other 400 gal fall from 110 to 100: 40 ln(1.1) = 3.812407.
    """
    assert through_sock(1000.0, FULL_MG_L, gpm=110.0).minutes == pytest.approx(9.266953)
    assert through_sock(1000.0, FULL_MG_L, gpm=80.0).minutes == pytest.approx(12.5)


def test_without_a_sock_it_is_gallons_over_the_rate():
    told = pump_out(
        [500.0, 500.0], 9999.0, pump_gpm=[100.0, 150.0], through_sock=False, settings=PLAIN
    )
    assert told.minutes == pytest.approx([5.0, 10 / 3])
    assert told.socks.tolist() == [0, 0]


def test_no_water_takes_no_time_and_no_sock():
    told = through_sock(0.0, FULL_MG_L)
    assert (told.minutes, told.socks) == (0.0, 0)


def test_draws_and_jobs_are_reckoned_at_once():
    gallons = np.array([[100.0, 900.0], [2500.0, 0.0], [40.0, 1000.0]])
    told = pump_out(
        gallons,
        FULL_MG_L,
        pump_gpm=np.array([120.0, 150.0]),
        through_sock=np.array([True, False]),
        settings=PLAIN,
    )
    assert told.socks.tolist() == [[1, 0], [3, 0], [1, 0]]
    for at in np.ndindex(gallons.shape):
        alone = pump_out(
            gallons[at],
            FULL_MG_L,
            pump_gpm=(120.0, 150.0)[at[1]],
            through_sock=at[1] == 0,
            settings=PLAIN,
        )
        assert told.minutes[at] == pytest.approx(float(alone.minutes))


def test_a_floor_above_the_empty_rate_leaves_the_rate_as_it_is():
    told = through_sock(1000.0, FULL_MG_L, told=ScheduleSettings(sock_gpm=80, sock_least_gpm=100))
    assert told.minutes == pytest.approx(12.5)


def test_more_solids_in_the_same_water_can_pump_a_little_faster_after_a_change():
    """1.5 socks for 1000 gal: (8.92574 + 4.21442) / 1.5 = 8.76011 minutes and one change."""
    told = through_sock(1000.0, np.array([1.0, 1.5, 2.0]) * FULL_MG_L)
    assert told.minutes - 4 * (told.socks - 1) == pytest.approx(
        [8.92574, 8.76011, 8.92574], abs=1e-5
    )
    fills = np.linspace(1.0, 20.0, 5000)
    plain = through_sock(1000.0, fills * FULL_MG_L)
    pumping = plain.minutes - 4 * (plain.socks - 1)
    assert 0.98 * 8.92574 < pumping.min() < pumping.max() < 8.92575


volumes = st.floats(1.0, 20_000.0)
soils = st.floats(0.0, 5_000.0)
rates = st.floats(20.0, 300.0)
several = st.builds(
    ScheduleSettings,
    sock_gpm=st.floats(50.0, 300.0),
    sock_least_gpm=st.floats(10.0, 300.0),
    sock_capacity_lb=st.floats(0.5, 50.0),
    sock_change_minutes=st.floats(0.0, 20.0),
)


@given(volumes, soils, rates, several)
def test_never_faster_than_the_empty_sock_or_the_pump_nor_slower_than_the_floor(
    gallons, solids, gpm, told
):
    found = through_sock(gallons, solids, gpm=gpm, told=told)
    changes = (found.socks - 1) * told.sock_change_minutes
    floor = min(told.sock_least_gpm, told.sock_gpm, gpm)
    assert found.minutes >= gallons / min(told.sock_gpm, gpm) * (1 - 1e-9)
    assert found.minutes <= gallons / floor * (1 + 1e-9) + changes


@given(volumes, rates, several)
def test_clean_water_takes_gallons_over_the_rate(gallons, gpm, told):
    found = through_sock(gallons, 0.0, gpm=gpm, told=told)
    assert found.minutes == pytest.approx(gallons / min(told.sock_gpm, gpm))
    assert found.socks == 1


@given(volumes, st.floats(0.0, 1000.0), soils, rates, several)
def test_more_gallons_never_take_less(gallons, more, solids, gpm, told):
    found = through_sock([gallons, gallons + more], solids, gpm=gpm, told=told)
    assert found.minutes[1] >= found.minutes[0] * (1 - 1e-9)
    assert found.socks[1] >= found.socks[0]


@given(volumes, soils, soils, rates, several)
def test_more_solids_never_take_less_while_one_sock_lasts_nor_fewer_socks(
    gallons, one, other, gpm, told
):
    found = through_sock(gallons, [min(one, other), max(one, other)], gpm=gpm, told=told)
    assert found.socks[1] >= found.socks[0]
    if found.socks[1] == 1:
        assert found.minutes[1] >= found.minutes[0] * (1 - 1e-9)


@given(st.integers(1, 6), st.floats(10.0, 4000.0), rates, several)
def test_a_change_of_socks_adds_the_change_and_no_more(socks, solids, gpm, told):
    at = socks * told.sock_capacity_lb / (solids * LB_PER_GAL_MG_L)
    found = through_sock(at * np.array([1 - 1e-7, 1 + 1e-7]), solids, gpm=gpm, told=told)
    assert found.socks.tolist() == [socks, socks + 1]
    step = found.minutes[1] - found.minutes[0]
    slowest = min(told.sock_least_gpm, told.sock_gpm, gpm)
    assert step == pytest.approx(told.sock_change_minutes, abs=3e-7 * at / slowest + 1e-9)


@budget(deadline=None)
@given(st.floats(50.0, 5000.0), st.floats(0.0, 2000.0), rates, several)
def test_the_integral_agrees_with_pumping_step_by_step(gallons, solids, gpm, told):
    told = told.model_copy(update={"sock_least_gpm": min(told.sock_least_gpm, told.sock_gpm)})
    found = through_sock(gallons, solids, gpm=gpm, told=told)
    socks = gallons * solids * LB_PER_GAL_MG_L / told.sock_capacity_lb
    # Where the last sock just fills, rounding decides whether the steps change it.
    off = told.sock_change_minutes if abs(socks - round(socks)) < 1e-6 else 0.0
    assert found.minutes == pytest.approx(stepped(gallons, solids, gpm, told), rel=1e-4, abs=off)


def test_the_chance_of_a_second_sock_is_the_share_of_draws_that_need_one():
    gallons = np.array([[500.0, 100.0], [1500.0, 0.0], [2500.0, 999.0], [1000.0, 1001.0]])
    solids = np.full_like(gallons, FULL_MG_L)
    orders = pd.Index(["a", "b"])
    one = sock_need(orders, gallons, solids, 1, settings=PLAIN)
    assert one["order_id"].tolist() == ["a", "b"]
    assert one["prob_second_sock"].tolist() == [0.5, 0.25]
    two = sock_need(orders, gallons, solids, [2, 1], settings=PLAIN)
    assert two["socks"].tolist() == [2, 1]
    assert two["prob_second_sock"].tolist() == [0.25, 0.25]
