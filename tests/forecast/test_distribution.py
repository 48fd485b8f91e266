import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from vaultplan.forecast.distribution import DepthDistribution, rungs_of, student_chance


def even(room_in=100.0):
    """Depth evenly spread over the whole room: chance of no more than d is d / room."""
    room = np.array([room_in])
    nodes = rungs_of(room)
    return DepthDistribution(nodes, nodes / room, room)


def test_an_even_spread_has_its_quantiles_and_mean():
    depth = even()
    assert [float(depth.quantile(level)[0]) for level in (0.1, 0.5, 0.9)] == pytest.approx(
        [10, 50, 90]
    )
    assert depth.prob_dry[0] == pytest.approx(0.01)
    assert depth.prob_full[0] == pytest.approx(0.05)
    # 1 % of outcomes below 1 in count as 0 (half an inch less), 5 % above 95 in as 100 (2.5 more).
    assert depth.mean_in()[0] == pytest.approx(50.0 - 0.01 * 0.5 + 0.05 * 2.5)
    assert depth.quantile(0.005)[0] == 0.0
    assert depth.quantile(0.96)[0] == 100.0
    assert depth.chance_at(np.array([50.0]))[0] == pytest.approx(0.5)
    assert depth.chance_at(np.array([0.0]))[0] == pytest.approx(0.01)
    assert depth.chance_at(np.array([100.0]))[0] == 1.0


@given(
    st.floats(2, 200),
    st.lists(st.floats(0, 1), min_size=16, max_size=16),
    st.lists(st.floats(0.001, 0.999), min_size=2, max_size=6),
)
def test_quantiles_are_ordered_and_within_the_room(room_in, steps, levels):
    room = np.array([room_in])
    depth = DepthDistribution(rungs_of(room), np.sort(np.array(steps))[:, None], room)
    found = [float(depth.quantile(level)[0]) for level in sorted(levels)]
    assert found == sorted(found)
    assert 0 <= found[0] <= found[-1] <= room_in
    assert 0 <= depth.mean_in()[0] <= room_in * (1 + 1e-12)
    assert 0 <= depth.chance_at(room * 0.5)[0] <= 1


@pytest.mark.parametrize(("freedom", "within"), [(3.0, 0.004), (5.0, 0.002), (30.0, 2e-4)])
def test_students_t_by_the_normal(freedom, within):
    t = np.linspace(-8, 8, 401)
    gap = student_chance(t, np.full(401, freedom)) - stats.t.cdf(t, freedom)
    assert np.abs(gap).max() < within
