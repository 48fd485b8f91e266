"""How often orders keep their rank when water, look and weights are drawn."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.ranking.stability import rank_stability
from vaultplan.schema import table
from vaultplan.settings import RankingSettings

ONLY_WATER = RankingSettings(
    weight_volume=1, weight_contamination=0, weight_sensitivity=0, weight_urgency=0
)


def _ranked(count, **values):
    rows = [
        {"order_id": f"o{n}", "vault_id": f"v{n}", "rank": n + 1, "score": 1.0, "reason": "x"}
        | {f"value_{aim}": 0.5 for aim in ("volume", "contamination", "sensitivity", "urgency")}
        | {name: value[n] for name, value in values.items()}
        for n in range(count)
    ]
    return table("rankings").conform(pd.DataFrame(rows))


def _chances(count, **more):
    calm = {"prob_dry": 0.0, "prob_clear": 1.0, "prob_light": 0.0, "prob_heavy": 0.0}
    return pd.DataFrame([calm | more] * count)


def _sure(ranked, volume, chances=None, top=1, settings=ONLY_WATER):
    chances = _chances(len(ranked)) if chances is None else chances
    return rank_stability(ranked, chances, np.asarray(volume), top=top, seed=1, settings=settings)


def test_an_order_that_is_better_in_every_draw_stays_first():
    found = _sure(_ranked(2), [[900.0, 100.0], [300.0, 200.0]] * 50)
    assert found["top_share"].tolist() == [1.0, 0.0]
    assert found[["rank_low", "rank_high"]].values.tolist() == [[1, 1], [2, 2]]
    assert found["tie_band"].tolist() == [1, 2]


def test_shares_are_those_of_the_draws():
    """The first has more water in three of four draws; 0.75 is below 0.8: not told apart."""
    draws = [[9.0, 1.0], [9.0, 1.0], [9.0, 1.0], [1.0, 9.0]] * 25
    found = _sure(_ranked(2), draws)
    assert found["top_share"].tolist() == [0.75, 0.25]
    assert found["tie_band"].tolist() == [1, 1]
    firm = RankingSettings(**ONLY_WATER.model_dump() | {"tie_share": 0.75})
    assert _sure(_ranked(2), draws, settings=firm)["tie_band"].tolist() == [1, 2]


def test_orders_alike_share_a_band_and_the_listed_order():
    found = _sure(_ranked(3), np.full((40, 3), 200.0), top=2)
    # The one that is listed first wins a dead heat.
    assert found["top_share"].tolist() == [1.0, 1.0, 0.0]
    apart = RankingSettings(**ONLY_WATER.model_dump() | {"tie_share": 1.0})
    assert _sure(_ranked(3), np.full((40, 3), 200.0), settings=apart)[
        "tie_band"
    ].is_monotonic_increasing


def test_the_look_of_the_water_is_drawn_from_its_chances():
    """One is heavy in half of the draws (1.0), else clear (0.0); the other always light (0.4)."""
    dirt = RankingSettings(
        weight_volume=0, weight_contamination=1, weight_sensitivity=0, weight_urgency=0
    )
    chances = _chances(2)
    chances.loc[0] = [0.0, 0.5, 0.0, 0.5]
    chances.loc[1] = [0.0, 0.0, 1.0, 0.0]
    found = _sure(_ranked(2), np.full((4000, 2), 100.0), chances, settings=dirt)
    assert found["top_share"].iloc[0] == pytest.approx(0.5, abs=0.03)
    chances.loc[0] = [0.6, 0.0, 0.0, 1.0]
    found = _sure(_ranked(2), np.full((4000, 2), 100.0), chances, settings=dirt)
    assert found["top_share"].iloc[0] == pytest.approx(0.4, abs=0.03)


def test_weights_are_drawn_about_those_set():
    """Water against urgency, 0.5 each: with the same lead in each aim, half and half."""
    both = RankingSettings(
        weight_volume=0.5, weight_contamination=0, weight_sensitivity=0, weight_urgency=0.5,
        volume_gal_half=100.0,
    )  # fmt: skip
    ranked = _ranked(2, value_urgency=[0.0, 0.5])
    found = _sure(ranked, np.tile([100.0, 0.0], (4000, 1)), settings=both)
    assert found["top_share"].iloc[0] == pytest.approx(0.5, abs=0.03)
    tight = RankingSettings(**both.model_dump() | {"weight_volume": 0.7, "weight_urgency": 0.3,
                                                   "weight_trust": 5000.0})  # fmt: skip
    assert (
        _sure(ranked, np.tile([100.0, 0.0], (400, 1)), settings=tight)["top_share"].iloc[0] == 1.0
    )


def test_what_is_not_known_keeps_its_value():
    ranked = _ranked(2, value_volume=[0.9, 0.1], value_contamination=[0.5, 0.5])
    blank = _chances(2, prob_dry=np.nan, prob_clear=np.nan, prob_light=np.nan, prob_heavy=np.nan)
    found = _sure(ranked, np.full((60, 2), np.nan), blank)
    assert found["top_share"].tolist() == [1.0, 0.0]


@given(st.integers(1, 30), st.integers(1, 40), st.integers(0, 99))
def test_shares_and_ranks_add_up(count, runs, seed):
    rng = np.random.default_rng(seed)
    volume = rng.lognormal(4, 1, (runs, count))
    top = min(3, count)
    found = rank_stability(
        _ranked(count), _chances(count), volume, top=top, seed=seed, settings=RankingSettings()
    )
    assert found["top_share"].sum() == pytest.approx(top)
    assert (found["rank_low"] <= found["rank_high"]).all()
    assert found["rank_low"].min() >= 1 and found["rank_high"].max() <= count
    assert found["tie_band"].iloc[0] == 1
    assert found["tie_band"].diff().dropna().isin([0, 1]).all()
    again = rank_stability(
        _ranked(count), _chances(count), volume, top=top, seed=seed, settings=RankingSettings()
    )
    pd.testing.assert_frame_equal(found, again)
