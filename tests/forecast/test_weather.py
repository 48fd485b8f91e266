import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.weather import (
    day_number,
    fading_sum,
    gauges_of_vaults,
    local_day_number,
    read_rain,
    season_drivers,
)
from vaultplan.schema import table

NO_OUTLOOK = table("rain_outlook").empty()


def day(text):
    return int(day_number(pd.DatetimeIndex([text]))[0])


def record(*rows):
    frame = pd.DataFrame(rows, columns=["gauge_id", "fell_on", "rain_in"])
    return table("rainfall").conform(frame.assign(fell_on=pd.to_datetime(frame["fell_on"])))


def rain_of(rows, outlook=NO_OUTLOOK, as_of="2026-01-04"):
    return read_rain(
        rows,
        outlook,
        as_of_day=day(as_of),
        first_visit_day=day("2026-01-01"),
        rain_years=10,
        time_zone="UTC",
    )


def issue(*rows):
    frame = pd.DataFrame(rows, columns=["gauge_id", "issued_at", "falls_on", "member", "rain_in"])
    frame["issued_at"] = pd.to_datetime(frame["issued_at"], utc=True)
    frame["falls_on"] = pd.to_datetime(frame["falls_on"])
    return table("rain_outlook").conform(frame)


def test_a_missing_day_takes_the_other_gauges_rain_and_is_never_dry():
    rain = rain_of(
        record(
            ("A", "2026-01-01", 1.0),
            ("A", "2026-01-02", 0.5),
            ("A", "2026-01-04", 0.0),
            ("B", "2026-01-01", 3.0),
            ("B", "2026-01-04", 0.0),
        )
    )
    # B missed the 2nd: A's 0.5. Nobody has the 3rd: the mean of January at each gauge.
    assert rain.gauge_ids == ("A", "B")
    assert rain.rain_in[0] == pytest.approx([1.0, 0.5, 0.5, 0.0])
    assert rain.rain_in[1] == pytest.approx([3.0, 0.5, 3.5 / 3, 0.0])
    assert rain.rain_in[2] == pytest.approx([2.0, 0.5, 2.5 / 3, 0.0])
    assert rain.is_known


def test_without_any_record_there_is_no_rain_and_it_is_known_to_be_unknown():
    rain = rain_of(table("rainfall").empty())
    assert rain.rain_in.shape == (1, 4)
    assert not rain.rain_in.any()
    assert not rain.is_known
    assert not rain.ahead(5).any()


def test_rain_after_the_as_of_day_is_not_read():
    rows = [("A", "2026-01-01", 1.0), ("A", "2026-01-04", 0.0)]
    assert np.array_equal(
        rain_of(record(*rows)).rain_in, rain_of(record(*rows, ("A", "2026-01-05", 9.0))).rain_in
    )


def test_the_outlook_is_the_latest_one_issued_by_the_as_of_day():
    rain = rain_of(
        record(("A", "2026-01-01", 0.0), ("A", "2026-01-04", 0.0)),
        issue(
            ("A", "2026-01-03T12:00Z", "2026-01-05", 1, 7.0),
            ("A", "2026-01-04T12:00Z", "2026-01-05", 1, 1.0),
            ("A", "2026-01-04T12:00Z", "2026-01-05", 2, 2.0),
            ("A", "2026-01-04T12:00Z", "2026-01-06", 1, 3.0),
            ("A", "2026-01-05T12:00Z", "2026-01-05", 1, 8.0),
        ),
    )
    # Member 2 ends a day early and goes on with the usual rain, here none.
    assert rain.ahead(3)[0].tolist() == [[1.0, 3.0, 0.0], [2.0, 0.0, 0.0]]


def test_past_years_stand_for_unknown_rain():
    dates = pd.date_range("2023-01-01", "2026-01-04")
    amount = (dates.month == 1) * (dates.year - 2022.0)
    rain = rain_of(record(*zip(["A"] * len(dates), dates, amount, strict=True)))
    # Three whole years: 2025 (3 in a day), 2024 (2) and 2023 (1) each stand for January 2026.
    assert rain.ahead(2)[0, :3].tolist() == [[3.0, 3.0], [2.0, 2.0], [1.0, 1.0]]
    # The same years 12 days later, still in January, then 12 days earlier, in December.
    assert rain.ahead(2)[0, 3:6].tolist() == [[3.0, 3.0], [2.0, 2.0], [1.0, 1.0]]
    assert rain.ahead(2)[0, 6:8].tolist() == [[0.0, 0.0], [0.0, 0.0]]
    assert rain.ahead(2).shape == (2, 15, 2)


def test_vaults_take_their_own_gauge_else_the_nearest_with_a_record():
    rain = rain_of(record(("A", "2026-01-01", 1.0), ("B", "2026-01-01", 2.0)))
    gauges = gpd.GeoDataFrame(
        {"gauge_id": ["A", "B", "C"]},
        geometry=gpd.points_from_xy([0, 100, 40], [0, 0, 0]),
        crs="EPSG:32606",
    )
    vaults = gpd.GeoDataFrame(
        {"gauge_id": ["B", "C", None, None]},
        geometry=gpd.points_from_xy([0, 40, 90, np.nan], [0, 0, 0, np.nan]),
        crs="EPSG:32606",
    )
    vaults.loc[3, "geometry"] = None
    # C has no record, so the second vault takes A at 40 rather than B at 60; the last is nowhere.
    row, share = gauges_of_vaults(vaults, gauges, rain)
    assert row.tolist() == [[1, 0, 1, 2]]
    assert share.tolist() == [[1.0] * 4]
    # Two of them, by one over the squared distance: 40 and 60 ft away, then 10 and 90.
    row, share = gauges_of_vaults(vaults, gauges, rain, used=2)
    assert row[0].tolist() == [1, 0, 1, 2]
    assert share[0] == pytest.approx([1.0, 60**2 / (40**2 + 60**2), 90**2 / (10**2 + 90**2), 1.0])
    assert share.sum(axis=0) == pytest.approx(np.ones(4))
    assert row[1, 1:3].tolist() == [1, 0]


def test_fading_sum_of_steady_rain_is_its_closed_form():
    tau = 7.0
    steady = fading_sum(np.ones(50), tau)
    assert steady == pytest.approx(np.full(50, 1 / (1 - np.exp(-1 / tau))))
    series = np.random.default_rng(0).random((2, 40))
    by_hand = sum(series[:, s] * np.exp(-(39 - s) / tau) for s in range(40))
    assert fading_sum(series, tau, np.zeros(2))[:, -1] == pytest.approx(by_hand)
    split = fading_sum(series[:, 15:], tau, fading_sum(series[:, :15], tau, np.zeros(2))[:, -1])
    assert split[:, -1] == pytest.approx(by_hand)


@pytest.mark.parametrize(
    ("start", "end", "expected"),
    [
        ("04-15", "10-15", [0, 1, 1, 0]),
        ("10-15", "04-15", [1, 1, 1, 1]),
        ("12-01", "02-01", [0] * 4),
    ],
)
def test_irrigation_season_may_run_over_the_year_end(start, end, expected):
    days = day_number(pd.DatetimeIndex(["2026-04-14", "2026-04-15", "2026-10-15", "2026-10-16"]))
    assert season_drivers(days, start, end)[0].tolist() == expected


def test_a_late_visit_belongs_to_its_local_day():
    times = pd.Series(pd.to_datetime(["2026-01-02T05:00Z", "2026-01-02T11:00Z"]))
    assert local_day_number(times, "Etc/GMT+10").tolist() == [day("2026-01-01"), day("2026-01-02")]
