import numpy as np
import pandas as pd
import pytest

from vaultplan.forecast.draws import draw_volumes, prob_more_than
from vaultplan.forecast.fitting import fit_water
from vaultplan.settings import Settings

from .worlds import make_world

LEAD_DAYS = (7, 30, 60)


@pytest.fixture(scope="module")
def model(fleet):
    return fit_water(fleet.frames, as_of=pd.Timestamp("2026-06-30"), settings=Settings())


@pytest.fixture(scope="module")
def asked(fleet):
    ids = fleet.frames["vaults"]["vault_id"]
    return pd.DataFrame({"vault_id": ids, "on": pd.Timestamp("2026-07-10")})


@pytest.fixture(scope="module")
def drawn(model, asked):
    return draw_volumes(model, asked, count=600, seed=5)


def test_each_vaults_draws_have_the_distribution_that_is_forecast(model, asked, drawn):
    found = model.forecast(asked)
    measured = model.rooms["is_measured"].to_numpy(bool)
    for percent, least, most in ((10, 0.06, 0.14), (50, 0.44, 0.56), (90, 0.86, 0.94)):
        band = found[f"volume_gal_p{percent}"].to_numpy()
        inside = band[measured] > 1
        no_more = (drawn[:, measured] <= band[measured] + 1e-6).mean(axis=0)
        assert least < no_more[inside].mean() < most
    assert np.corrcoef(drawn.mean(axis=0), found["volume_gal_mean"])[0, 1] > 0.99
    assert (drawn >= 0).all()
    assert (drawn[:, measured] <= found["capacity_gal"].to_numpy()[measured] * (1 + 1e-9)).all()


def test_draws_hang_on_seed_and_vault_and_not_on_company(model, asked, drawn):
    few = asked.sample(n=9, random_state=2)
    again = draw_volumes(model, few, count=600, seed=5)
    assert np.array_equal(again, drawn[:, few.index])
    assert not np.array_equal(draw_volumes(model, few, count=600, seed=6), again)


def test_vaults_that_share_their_rain_are_full_together(model, asked, drawn):
    total = drawn.sum(axis=1)
    apart = np.random.default_rng(0).permuted(drawn, axis=0).sum(axis=1)
    assert total.std() > 1.5 * apart.std()


@pytest.fixture(scope="module")
def routes():
    """True gallons of ten-stop routes in six worlds, with draws, and with bands added up."""
    rows = []
    for climate in ("oceanic", "arid", "monsoon"):
        for seed in (11, 12):
            world = make_world(climate, seed, vaults=200, years=5)
            model = fit_water(world.frames, as_of=world.as_of, settings=Settings())
            ids = world.frames["vaults"]["vault_id"]
            pick = np.random.default_rng(seed)
            for lead in LEAD_DAYS:
                points = pd.DataFrame(
                    {"vault_id": ids, "on": world.as_of + pd.Timedelta(lead, "D")}
                )
                volumes = draw_volumes(model, points, count=300, seed=1)
                high = model.forecast(points)["volume_gal_p90"].to_numpy()
                fill = np.clip(world.ahead_in[:, lead - 1] / world.room_in, 0, 1)
                true_gal = fill * world.capacity_gal
                apart = np.random.default_rng(1).permuted(volumes, axis=0)
                for _ in range(25):
                    stops = pick.choice(len(ids), 10, replace=False)
                    tank_gal = np.quantile(volumes[:, stops].sum(axis=1), 0.8)
                    rows.append(
                        {
                            "over": true_gal[stops].sum() > tank_gal,
                            "forecast": prob_more_than(volumes[:, stops], tank_gal),
                            "apart": prob_more_than(apart[:, stops], tank_gal),
                            "over_added": true_gal[stops].sum() > high[stops].sum(),
                        }
                    )
    return pd.DataFrame(rows)


def test_the_chance_that_a_route_overfills_a_tank_is_right(routes):
    # Six worlds, whose weather to come is one throw each: that is the sampling error.
    assert routes["forecast"].mean() == pytest.approx(0.2, abs=0.005)
    assert routes["over"].mean() == pytest.approx(0.2, abs=0.1)


def test_adding_up_bands_or_drawing_vaults_apart_is_wrong(routes):
    # The sum of ten p90 is no p90: it is exceeded far less often than once in ten.
    assert routes["over_added"].mean() < 0.075
    # Vaults drawn apart make a tank look safer than it is.
    assert routes["apart"].mean() < 0.9 * routes["forecast"].mean()
