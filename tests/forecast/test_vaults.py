import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.vaults import UNMEASURED_FT, gallons, no_shallower, vault_rooms
from vaultplan.units import GAL_PER_CUFT


def frame(**columns):
    count = len(columns["length_ft"])
    base = {
        "vault_id": [f"V{i}" for i in range(count)],
        "kind": ["vault"] * count,
        "shape": ["rectangular"] * count,
        "width_ft": [5.0] * count,
        "depth_ft": [6.0] * count,
        "gear_frac": [0.0] * count,
    }
    return pd.DataFrame(base | columns)


def test_gear_takes_its_share_and_the_setting_where_blank():
    rooms = vault_rooms(frame(length_ft=[10.0, 10.0], gear_frac=[0.2, np.nan]), gear_frac=0.1)
    assert rooms["area_sqft"].tolist() == pytest.approx([40.0, 45.0])
    assert rooms["capacity_gal"].tolist() == pytest.approx([240 * GAL_PER_CUFT, 270 * GAL_PER_CUFT])
    assert rooms["is_measured"].all()


def test_a_round_room_has_no_width_and_lacks_nothing():
    rooms = vault_rooms(frame(length_ft=[6.0], shape=["round"], width_ft=[np.nan]), gear_frac=0.15)
    assert rooms["area_sqft"].iloc[0] == pytest.approx(np.pi * 9)
    assert rooms["is_measured"].iloc[0]


def test_missing_dimensions_are_the_median_of_kind_and_shape_and_say_so():
    rooms = vault_rooms(
        frame(
            length_ft=[4.0, 8.0, np.nan, 20.0, 0.0],
            kind=["vault", "vault", "vault", "manhole", "manhole"],
        ),
        gear_frac=0.15,
    )
    assert rooms["area_sqft"].tolist() == pytest.approx([20, 40, 30, 100, 100])
    assert rooms["is_measured"].tolist() == [True, True, False, True, False]


def test_a_fleet_without_any_dimension_still_has_rooms():
    blank = [np.nan, np.nan]
    rooms = vault_rooms(
        frame(length_ft=blank, width_ft=blank, depth_ft=blank, shape=[None, "round"]),
        gear_frac=0.15,
    )
    length, width = UNMEASURED_FT["length_ft"], UNMEASURED_FT["width_ft"]
    assert rooms["area_sqft"].tolist() == pytest.approx([length * width, np.pi / 4 * length**2])
    assert not rooms["is_measured"].any()


def test_gallons_never_exceed_the_room():
    depth = np.array([-1.0, 0.0, 30.0, 90.0])
    held = gallons(depth, np.full(4, 60.0), np.full(4, 100.0))
    assert held.tolist() == [0.0, 0.0, 50.0, 100.0]


def test_a_size_that_was_filled_in_at_loading_is_not_measured():
    sizes = {"length_ft": [5.0, 5.0], "width_ft": [4.0, 4.0], "depth_ft": [7.0, 7.0]}
    given = frame(**sizes, shape=["rectangular"] * 2)
    rooms = vault_rooms(given.assign(imputed=[None, "depth_ft=5.0-8.0"]), gear_frac=0.15)
    assert rooms["is_measured"].tolist() == [True, False]


def test_a_size_that_was_filled_in_tells_how_far_it_may_be_off():
    lengths = [4.0, 5.0, 6.0, 7.0, 8.0, np.nan]
    rooms = vault_rooms(frame(length_ft=lengths), gear_frac=0.15)
    expected = np.std(np.log(lengths[:5]), ddof=1)
    assert rooms["size_log_sd"].tolist() == pytest.approx([0.0] * 5 + [expected])
    assert (rooms["depth_log_sd"] == 0).all()
    loaded = frame(length_ft=[5.0]).assign(imputed=["width_ft=4-6;depth_ft=5.0-8.0"])
    told = vault_rooms(loaded, gear_frac=0.15).iloc[0]
    deep, wide = np.log(8 / 5) / 2.5632, np.log(6 / 4) / 2.5632
    assert told["depth_log_sd"] == pytest.approx(deep)
    assert told["size_log_sd"] == pytest.approx(np.hypot(deep, wide))


def test_an_unmeasured_room_is_at_least_as_deep_as_its_water():
    rooms = vault_rooms(frame(length_ft=[5.0] * 3, depth_ft=[6.0, 6.0, np.nan]), gear_frac=0.0)
    found = no_shallower(rooms, np.array([100.0, 0.0, 84.0]))
    assert found["depth_in"].tolist() == [72.0, 72.0, 84.0]
    assert found["capacity_gal"].tolist() == pytest.approx(
        [25 * 6 * GAL_PER_CUFT, 25 * 6 * GAL_PER_CUFT, 25 * 7 * GAL_PER_CUFT]
    )
    # An entry in the wrong unit makes no room.
    assert no_shallower(rooms, np.array([0, 0, 900.0]))["depth_in"].tolist() == [72.0] * 3
