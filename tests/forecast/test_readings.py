import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.readings import DRY, FULL, MEASURED, NEVER, read_visits, sorted_visits
from vaultplan.schema import table

COLUMNS = ["vault_id", "on", "finding", "depth_in", "left_depth_in", "disposal", "volume_gal"]


def read(*rows, room=100.0, area=12.0, vaults=("A", "B"), as_of="2026-12-31"):
    frame = pd.DataFrame(rows, columns=COLUMNS)
    frame["visited_at"] = pd.to_datetime(frame["on"]).dt.tz_localize("UTC")
    frame["visit_id"] = [f"S{i}" for i in range(len(frame))]
    visits = table("visits").conform(frame)
    as_of_day = int(np.datetime64(as_of).astype("datetime64[D]").astype(np.int64))
    kept, owner, day = sorted_visits(visits, pd.Index(vaults), as_of_day=as_of_day, time_zone="UTC")
    size = np.ones(len(vaults))
    return read_visits(kept, owner, day, room_depth_in=room * size, area_sqft=area * size)


def number(text):
    return int(np.datetime64(text).astype("datetime64[D]").astype(np.int64))


def test_a_pump_out_starts_the_clock_and_leaves_nothing():
    readings = read(
        ("A", "2026-01-01", "wet", 20, None, "storm_drain", None),
        ("A", "2026-01-11", "wet", 5, None, "none", None),
        ("A", "2026-01-21", "wet", 8, 2, "storm_drain", None),
    )
    days = [number(f"2026-01-{day}") for day in ("01", "11", "21")]
    assert readings.start.tolist() == [0, 3, 3]
    assert readings.since.tolist() == [NEVER, days[0], days[1]]
    # Emptied, then found with 5 in and left so.
    assert readings.left_in.tolist() == [0.0, 0.0, 5.0]
    assert (readings.last_since[0], readings.last_left_in[0]) == (days[2], 2.0)
    assert (readings.last_since[1], readings.visit_count[1]) == (NEVER, 0)


def test_a_partial_pump_out_leaves_what_the_gallons_do_not_explain():
    # 12 ft2 hold 7.4805 gal an inch: 374 gal are 50 of the 90 in found, so 40 in are left. Of
    # 30 in, 20 in removed leave 10 in, less than a quarter of the room: taken as a rough figure.
    per_in = 12 * 1728 / 231 / 12
    readings = read(
        ("A", "2026-01-01", "wet", 90, None, "vacuum_truck", 50 * per_in),
        ("B", "2026-01-01", "wet", 30, None, "vacuum_truck", 20 * per_in),
    )
    assert readings.last_left_in.tolist() == pytest.approx([40.0, 0.0])


def test_a_wet_visit_without_a_depth_is_read_from_the_gallons_removed():
    per_in = 12 * 1728 / 231 / 12
    readings = read(
        ("A", "2026-01-01", "wet", None, 0, "filter_sock", 15 * per_in),
        ("B", "2026-01-01", "wet", None, None, "none", None),
    )
    assert readings.depth_in.tolist() == pytest.approx([15.0])
    assert readings.visit_count.tolist() == [1, 0]
    assert readings.lid_count.tolist() == [1, 1]


def test_dry_full_blank_and_not_seen_are_four_things():
    readings = read(
        ("A", "2026-01-01", "dry", None, None, "none", None),
        ("A", "2026-01-02", "full", None, None, "none", None),
        ("A", "2026-01-03", None, 30, None, "none", None),
        ("A", "2026-01-04", "not_seen", None, None, "none", None),
        ("A", "2026-01-05", "not_seen", 40, None, "vacuum_truck", None),
        ("A", "2026-01-06", "wet", 3, None, "none", None),
    )
    assert readings.kind.tolist() == [DRY, FULL, MEASURED, MEASURED]
    assert readings.depth_in.tolist() == [0.0, 100.0, 30.0, 3.0]
    # The vacuum truck emptied it unseen, so 3 in came in a day.
    assert readings.since[-1] == number("2026-01-05")
    assert readings.left_in[-1] == 0.0
    assert (readings.visit_count[0], readings.lid_count[0]) == (4, 6)


def test_depth_beyond_the_roof_is_full_and_later_visits_are_unknown():
    readings = read(
        ("A", "2026-01-01", "wet", 130, None, "none", None),
        ("A", "2026-02-01", "dry", None, None, "none", None),
        ("elsewhere", "2026-01-01", "wet", 10, None, "none", None),
        as_of="2026-01-31",
    )
    assert readings.kind.tolist() == [FULL]
    assert readings.depth_in.tolist() == [100.0]


def test_a_second_look_on_the_day_of_the_emptying_moves_the_state_but_is_no_reading_of_inflow():
    readings = read(
        ("A", "2026-01-01", "wet", 50, None, "vacuum_truck", None),
        ("A", "2026-01-01", "wet", 2, None, "none", None),
    )
    assert len(readings.day) == 1
    assert readings.last_left_in[0] == 2.0
    assert readings.visit_count[0] == 2


def test_no_visits_at_all():
    readings = read()
    assert readings.start.tolist() == [0, 0, 0]
    assert readings.last_since.tolist() == [NEVER, NEVER]
    assert readings.last_seen_day.tolist() == [NEVER, NEVER]
