import numpy as np
import pandas as pd
import pytest

from vaultplan.errors import SchemaError, SettingsError
from vaultplan.forecast.distribution import DepthDistribution, rungs_of
from vaultplan.forecast.skill import backtest, origin_days
from vaultplan.forecast.skill_points import randomised_pit
from vaultplan.forecast.skill_scores import summarise
from vaultplan.settings import DischargeSettings, Settings

AS_OF = pd.Timestamp("2026-06-30")
ORIGIN = pd.Timestamp("2026-03-01")
FORECAST = [f"depth_in_p{percent:02d}" for percent in range(5, 100, 5)]


@pytest.fixture(scope="module")
def tested(fleet):
    return backtest(fleet.frames, settings=Settings(), as_of=AS_OF, origins=[ORIGIN])


def test_each_vault_is_scored_once_on_its_first_look_after_the_origin(fleet, tested):
    points = tested.points
    assert len(points) > 30
    assert points["vault_id"].is_unique
    assert points["days_ahead"].between(1, 90).all()
    visits = fleet.frames["visits"]
    later = visits[
        (visits["visited_at"].dt.tz_localize(None).dt.normalize() > ORIGIN)
        & visits["finding"].ne("not_seen")
    ]
    first = later.sort_values("visited_at").groupby("vault_id")["visited_at"].first()
    expected = first.dt.tz_localize(None).dt.normalize().reindex(points["vault_id"])
    assert points["on"].tolist() == expected.tolist()


def test_nothing_after_an_origin_leaks_into_its_forecasts(fleet, tested):
    visits = fleet.frames["visits"]
    late = visits["visited_at"] >= ORIGIN.tz_localize("UTC") + pd.Timedelta(days=1)
    rain = fleet.frames["rainfall"]
    frames = fleet.frames | {
        "visits": visits.assign(
            depth_in=visits["depth_in"].mask(late & visits["depth_in"].gt(0), 7.0),
            grade=visits["grade"].mask(late, "heavy"),
        ),
        "rainfall": rain.assign(rain_in=rain["rain_in"].mask(rain["fell_on"] > ORIGIN, 4.0)),
    }
    again = backtest(frames, settings=Settings(), as_of=AS_OF, origins=[ORIGIN]).points
    columns = [*FORECAST, "prob_dry", "prob_full", "prob_clear", "prob_light", "prob_heavy"]
    both = tested.points.merge(again, on="vault_id", suffixes=("", "_again"))
    assert len(both) > 30
    assert not both["depth_in"].equals(both["depth_in_again"])
    for name in columns:
        assert (both[name] == both[f"{name}_again"]).all(), name


def test_the_forecast_beats_the_simple_rules_in_the_summary(tested):
    skill = summarise(tested, seed=1, discharge=DischargeSettings())
    assert tested.points["pit"].between(0, 1).all()
    means = tested.points.filter(like="crps_in_").mean()
    assert means.idxmin() == "crps_in_forecast"
    assert len(skill.scores) > 0


def test_a_dry_vaults_transform_is_drawn_from_its_chance_of_being_dry():
    room = np.array([50.0, 50.0, 50.0])
    rungs = rungs_of(room)
    chance = np.repeat(np.linspace(0.2, 0.9, len(rungs))[:, None], 3, axis=1)
    depth = DepthDistribution(rungs, chance, room)
    found = randomised_pit(depth, np.array([0.0, 50.0, 1.0]), np.array([0.5, 0.5, 0.5]))
    # Half of the 0.2 given to dry, and half way between 0.9 and 1 for full.
    assert found[:2] == pytest.approx([0.1, 0.95])
    assert found[2] == pytest.approx(0.2)


def test_origins_are_three_months_apart_and_their_horizon_is_over():
    days = origin_days(AS_OF, count=3)
    assert [str(day.date()) for day in days] == ["2025-10-01", "2026-01-01", "2026-04-01"]
    with pytest.raises(SettingsError, match="comes after the last"):
        origin_days(AS_OF, first=AS_OF)


def test_a_backtest_without_looks_or_history_says_so(fleet):
    none = fleet.frames | {"visits": fleet.frames["visits"].iloc[:0]}
    with pytest.raises(SchemaError, match="nothing to score"):
        backtest(none, settings=Settings(), as_of=AS_OF, origins=[ORIGIN])
    with pytest.raises(SchemaError, match="too short a history"):
        first = fleet.frames["visits"]["visited_at"].min().tz_localize(None).normalize()
        backtest(fleet.frames, settings=Settings(), as_of=AS_OF, origins=[first])
