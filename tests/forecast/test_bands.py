import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.bands import depth_and_volume
from vaultplan.forecast.distribution import DepthDistribution, rungs_of
from vaultplan.schema import DEPTH_PERCENTS


def level(rooms):
    """Return a distribution in which every depth between dry and full is as likely."""
    room = rooms["depth_in"].to_numpy()
    rungs = rungs_of(room)
    return DepthDistribution(rungs, rungs / room, room)


def rooms(**columns):
    base = {"depth_in": 60.0, "capacity_gal": 600.0, "depth_log_sd": 0.0, "size_log_sd": 0.0}
    return pd.DataFrame(base | columns, index=range(2))


def test_a_measured_room_fills_inch_by_inch():
    given = rooms()
    found = depth_and_volume(level(given), given)
    for percent in DEPTH_PERCENTS[1:-1]:
        assert found[f"depth_in_p{percent:02d}"] == pytest.approx(np.full(2, 0.6 * percent))
    assert found["volume_gal_p50"] == pytest.approx([300.0, 300.0])
    assert found["volume_gal_mean"] == pytest.approx([300.0, 300.0], rel=0.01)
    assert found["capacity_gal"].tolist() == [600.0, 600.0]


def test_a_range_of_sizes_is_carried_into_depth_and_volume():
    given = rooms(depth_log_sd=[0.0, 0.3], size_log_sd=[0.0, 0.5])
    found = depth_and_volume(level(given), given)
    for name in ("depth_in", "volume_gal"):
        low, middle, high = (found[f"{name}_p{percent}"] for percent in (10, 50, 90))
        assert (low <= middle).all()
        assert (middle <= high).all()
        assert high[1] > 1.05 * high[0]
        assert middle[1] == pytest.approx(middle[0], rel=0.1)
    assert found["capacity_gal"][1] == pytest.approx(600 * np.exp(1.2816 * 0.5))
    assert found["volume_gal_p90"][1] <= found["capacity_gal"][1]
    every = np.stack([found[f"depth_in_p{percent:02d}"] for percent in DEPTH_PERCENTS])
    assert (np.diff(every, axis=0) >= 0).all()


def test_a_doubtful_room_that_is_surely_full_holds_its_range():
    given = rooms(size_log_sd=[0.0, 0.4])
    room = given["depth_in"].to_numpy()
    full = DepthDistribution(rungs_of(room), np.zeros((16, 2)), room)
    found = depth_and_volume(full, given)
    assert found["volume_gal_p50"] == pytest.approx([600.0, 600.0])
    assert found["volume_gal_p10"][1] < 400 < 600 < found["volume_gal_p90"][1]
