import geopandas as gpd
import numpy as np
import pandas as pd
import pytest

from vaultplan.errors import SchemaError
from vaultplan.forecast.fitting import fit_water
from vaultplan.forecast.refill import prob_workable, refill_hours
from vaultplan.schema import table
from vaultplan.settings import Settings

AS_OF = pd.Timestamp("2026-06-30")
NAMES = ["refill_hours_p10", "refill_hours_p50", "refill_hours_p90"]


def model_of(inches_a_day, settings, depth_ft=5.0):
    """Return a model of one vault that fills steadily and is pumped dry at every visit."""
    draw = np.random.default_rng(1)
    gaps = draw.integers(2, 40, 60)
    days = AS_OF - pd.to_timedelta(gaps[::-1].cumsum()[::-1], "D")
    since = pd.Series(days).diff().dt.days.to_numpy()
    # Nobody ever pumped it before the first visit: by then it was full, or dry if nothing comes in.
    since = np.nan_to_num(since, nan=10_000.0)
    depth = np.minimum(inches_a_day * since, 12 * depth_ft)
    frame = pd.DataFrame(
        {
            "visit_id": [f"S{i}" for i in range(60)],
            "vault_id": "V0",
            "visited_at": days.tz_localize("UTC"),
            "finding": np.where(depth < 1, "dry", "wet"),
            "depth_in": depth,
            "disposal": "storm_drain",
        }
    )
    vaults = gpd.GeoDataFrame(
        {"vault_id": ["V0"], "length_ft": 6.0, "width_ft": 6.0, "depth_ft": depth_ft},
        geometry=gpd.points_from_xy([0], [0]),
        crs="EPSG:32606",
    )
    frames = {
        "vaults": table("vaults").conform(vaults),
        "visits": table("visits").conform(frame),
    }
    return fit_water(frames, as_of=AS_OF, settings=settings)


def hours(model, on="2026-07-02"):
    found = refill_hours(model, pd.DataFrame({"vault_id": ["V0"], "on": [pd.Timestamp(on)]}))
    return found[NAMES].iloc[0].to_numpy(float)


def test_a_steady_filling_reaches_working_depth_when_arithmetic_says():
    # 1 in a day: 6 in after 6 days, 144 h, but readings only show it to within a day or so.
    early, middle, late = hours(model_of(1.0, Settings()))
    assert middle == pytest.approx(144, rel=0.15)
    assert 0.5 * 144 < early <= middle <= late < 1.6 * 144


def test_twice_the_working_depth_takes_twice_as_long():
    deeper = Settings.model_validate({"forecast": {"working_depth_in": 12.0}})
    single, double = hours(model_of(1.0, Settings()))[1], hours(model_of(1.0, deeper))[1]
    assert double / single == pytest.approx(2.0, rel=0.15)


def test_a_dry_vault_stays_workable_for_as_long_as_is_looked():
    assert hours(model_of(0.0, Settings()))[1:].tolist() == [2160.0, 2160.0]


def test_a_room_shallower_than_working_depth_never_gets_there():
    assert hours(model_of(1.0, Settings(), depth_ft=0.4)).tolist() == [2160.0] * 3


def test_bands_are_ordered_over_a_fleet_and_agree_with_its_truth(fleet):
    origin = AS_OF - pd.Timedelta(days=120)
    model = fit_water(fleet.frames, as_of=origin, settings=Settings())
    ids = fleet.frames["vaults"]["vault_id"]
    found = refill_hours(model, pd.DataFrame({"vault_id": ids, "on": origin}))
    assert (found[NAMES].diff(axis=1).iloc[:, 1:] >= 0).all(axis=None)
    assert found[NAMES].stack().between(0, 2160).all()
    # Vaults that were pumped on a day after the origin and stood at 6 in by their next reading
    # should more often be those the forecast calls quick.
    visits = fleet.frames["visits"].sort_values(["vault_id", "visited_at"])
    visits = visits[visits["finding"].ne("not_seen")]
    before = visits.groupby("vault_id")[["visited_at", "disposal"]].shift()
    fresh = before["disposal"].isin(["filter_sock"]) & (
        before["visited_at"] > origin.tz_localize("UTC")
    )
    days = (visits["visited_at"] - before["visited_at"]).dt.days
    pairs = visits[fresh & days.between(5, 80)]
    quick = found["refill_hours_p50"].set_axis(ids).reindex(pairs["vault_id"]).to_numpy()
    was_back = (pairs["depth_in"] >= 6).to_numpy()
    forecast_back = quick < 24 * days[pairs.index].to_numpy()
    assert len(pairs) > 30
    assert (was_back == forecast_back).mean() > 0.75


def test_a_vault_is_workable_until_its_water_is_due_back():
    model = model_of(1.0, Settings())
    asked = pd.DataFrame(
        {"vault_id": "V0", "on": pd.Timestamp("2026-07-02"), "hours": [0.0, 24.0, 300.0]}
    )
    found = prob_workable(model, asked)
    assert found.iloc[0] == 1.0
    assert found.iloc[1] > 0.95
    assert found.iloc[2] < 0.05
    # The same chances tell the hours: at the p50 it is even.
    middle = asked.head(1).assign(hours=hours(model)[1])
    assert prob_workable(model, middle).iloc[0] == pytest.approx(0.5, abs=0.01)


def test_hours_out_of_reach_are_refused():
    model = model_of(1.0, Settings())
    day = pd.DataFrame({"vault_id": ["V0"], "on": [pd.Timestamp("2026-07-02")]})
    with pytest.raises(SchemaError, match="lack the column hours"):
        prob_workable(model, day)
    for hours_asked in (-1.0, 2161.0, np.nan):
        with pytest.raises(SchemaError, match="no hours from 0 to 2160"):
            prob_workable(model, day.assign(hours=hours_asked))
