"""Rolling origins on invented fleets whose physics the model does not know.

The bounds are those of a first version; they leave room for chance but not for a wrong model.
"""

import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.fitting import fit_water
from vaultplan.forecast.grade import fit_grades
from vaultplan.forecast.scores import crps_of_quantiles, ranked_probability
from vaultplan.schema import GRADES
from vaultplan.settings import Settings

LEVELS = (np.arange(20) + 0.5) / 20
ORIGINS = pd.to_datetime(["2025-07-01", "2025-11-01", "2026-03-01"])
AHEAD = pd.Timedelta(days=75)


def next_visits(fleet, origin):
    """Return each vault's first look at its water after the origin, and all looks before."""
    visits = fleet.frames["visits"].sort_values(["vault_id", "visited_at"])
    visits = visits.assign(on=visits["visited_at"].dt.tz_localize(None).dt.normalize())
    visits = visits[visits["finding"].ne("not_seen")]
    coming = visits[(visits["on"] > origin) & (visits["on"] <= origin + AHEAD)]
    return coming.groupby("vault_id").head(1), visits[visits["on"] <= origin]


def dressed(centre, errors):
    return np.clip(centre[:, None] + np.quantile(errors, LEVELS), 0, 1)


def rivals(past, traits, model, asked):
    """Return quantiles of three simple rules, as shares of the depth, from the same past."""
    room = model.rooms.set_index("vault_id")["depth_in"]
    fill = (past["depth_in"] / past["vault_id"].map(room)).clip(0, 1)
    by_vault = fill.groupby(past["vault_id"])
    everything = np.quantile(fill, LEVELS)
    count = by_vault.cumcount()
    steps = (fill - by_vault.shift()).dropna()
    so_far = (by_vault.cumsum() - fill) / count.where(count > 0)
    spreads = (fill - so_far).dropna()
    rules = {
        "last reading": dressed(by_vault.last().reindex(asked).to_numpy(), steps),
        "own mean": dressed(by_vault.mean().reindex(asked).to_numpy(), spreads),
    }
    for name, quantiles in rules.items():
        rules[name] = np.where(np.isnan(quantiles), everything, quantiles)
    by_class = fill.groupby(traits.reindex(past["vault_id"]).to_numpy())
    table = by_class.quantile(LEVELS).unstack()
    rules["class climatology"] = table.reindex(traits.reindex(asked)).to_numpy()
    return rules


@pytest.fixture(scope="module", params=["wet", "dry", "summer"])
def scored(request, make_fleet):
    fleet = make_fleet(vaults=320, years=6, seed=40, climate=request.param)
    vaults = fleet.frames["vaults"].set_index("vault_id")
    traits = vaults["lid"] + vaults["soil_group"]
    draw = np.random.default_rng(6)
    parts = []
    for origin in ORIGINS:
        coming, past = next_visits(fleet, origin)
        model = fit_water(fleet.frames, as_of=origin, settings=Settings())
        depth = model.distribution(coming)
        room = depth.room_depth_in
        found = np.minimum(coming["depth_in"].to_numpy(), room)
        found = np.where(found < 1, 0.0, np.where(found >= 0.95 * room, room, found))
        quantiles = np.stack([depth.quantile(level) for level in LEVELS], axis=1)
        chance = depth.chance_at(found)
        u = draw.random(len(found))
        pit = np.where(found == 0, u * depth.prob_dry, chance)
        pit = np.where(found == room, 1 - u * depth.prob_full, pit)
        part = {"model": crps_of_quantiles(found, quantiles, LEVELS), "pit": pit}
        for name, shares in rivals(past, traits, model, coming["vault_id"]).items():
            part[name] = crps_of_quantiles(found, shares * room[:, None], LEVELS)
        parts.append(pd.DataFrame(part))
    return pd.concat(parts, ignore_index=True)


@pytest.mark.parametrize(
    ("rival", "at_most"), [("last reading", 0.75), ("own mean", 0.85), ("class climatology", 0.7)]
)
def test_the_forecast_beats_simple_rules(scored, rival, at_most):
    assert len(scored) > 250
    assert scored["model"].mean() / scored[rival].mean() < at_most


def test_the_forecast_is_calibrated(scored):
    inside = scored["pit"].between(0.1, 0.9).mean()
    assert 0.72 <= inside <= 0.88
    assert (scored["pit"] > 0.9).mean() <= 0.16


def test_grades_beat_climatology_and_the_last_grade(make_fleet):
    scores = []
    for seed in (50, 51):
        fleet = make_fleet(vaults=320, years=6, seed=seed, climate="wet")
        use = fleet.frames["vaults"].set_index("vault_id")["land_use"]
        for origin in ORIGINS:
            coming, past = next_visits(fleet, origin)
            coming, past = coming[coming["grade"].notna()], past[past["grade"].notna()]
            past = past.assign(code=pd.Categorical(past["grade"], list(GRADES)).codes)
            model = fit_grades(fleet.frames, as_of=origin, settings=Settings())
            found = pd.Categorical(coming["grade"], list(GRADES)).codes.astype(int)
            chances = model.chances(coming)[[f"prob_{grade}" for grade in GRADES]].to_numpy()
            counts = pd.crosstab(past["vault_id"].map(use), past["code"])
            shares = counts.div(counts.sum(axis=1), axis=0)
            usual = shares.reindex(coming["vault_id"].map(use)).to_numpy()
            # What followed each grade, fleet-wide, after the last one of each vault.
            then = pd.crosstab(past["code"], past.groupby("vault_id")["code"].shift(-1))
            then = then.div(then.sum(axis=1), axis=0)
            last = past.groupby("vault_id")["code"].last().reindex(coming["vault_id"])
            dressed = np.where(last.isna().to_numpy()[:, None], usual, then.reindex(last))
            part = {
                name: ranked_probability(found, forecast)
                for name, forecast in (("model", chances), ("usual", usual), ("last", dressed))
            }
            scores.append(pd.DataFrame(part))
    mean = pd.concat(scores).mean()
    assert mean["model"] / mean["usual"] < 0.92
    assert mean["model"] / mean["last"] < 0.92
