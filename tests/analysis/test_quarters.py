"""Shares of vaults seen dirty by quarter, counted by hand, and trends planted in invented looks."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from vaultplan.analysis.quarters import LEAST_LOOKED, quarters, trends


def visits_of(*rows):
    frame = pd.DataFrame(rows, columns=["vault_id", "visited_at", "grade"])
    return frame.assign(visited_at=pd.to_datetime(frame["visited_at"], utc=True))


def test_a_vault_counts_once_a_quarter_by_its_worst_look():
    rows = [("a", f"2025-01-{day:02}T20:00Z", "heavy") for day in range(1, 11)]
    rows += [("b", "2025-02-01T20:00Z", "clear"), ("b", "2025-03-01T20:00Z", "light")]
    rows += [("c", "2025-03-31T20:00Z", "clear"), ("d", "2025-03-31T20:00Z", None)]
    group = pd.Series("fleet", index=list("abcd"))
    (row,) = quarters(visits_of(*rows), group, "UTC").to_dict("records")
    assert (row["year"], row["quarter"], row["looked_count"], row["dirty_count"]) == (2025, 1, 3, 2)
    assert np.isnan(row["dirty_frac"]), "three vaults are too few for a share"
    (row,) = quarters(visits_of(*rows), group, "UTC", "heavy").to_dict("records")
    assert row["dirty_count"] == 1


def test_quarters_are_local_and_shares_need_enough_vaults():
    """Two in the morning of the 1st of April by UTC is still March ten hours to the west."""
    rows = [(f"v{n}", "2025-04-01T02:00Z", "light" if n < 4 else "clear") for n in range(10)]
    group = pd.Series("fleet", index=[f"v{n}" for n in range(10)])
    (row,) = quarters(visits_of(*rows), group, "Etc/GMT+10").to_dict("records")
    assert (row["quarter"], row["looked_count"]) == (1, LEAST_LOOKED)
    assert row["dirty_frac"] == pytest.approx(0.4)


def looks(slope, seed, years=8, vaults=200):
    """A look a quarter at many vaults; the dirty share has a season and rises by ``slope``."""
    rng = np.random.default_rng(seed)
    rows = []
    for year in range(years):
        for season, wet in enumerate((0.1, 0.0, -0.05, 0.05)):
            share = 0.3 + wet + slope * year
            at = f"{2018 + year}-{3 * season + 2:02}-10T20:00Z"
            dirty = rng.random(vaults) < share
            rows += [(f"v{n}", at, "light" if bad else "clear") for n, bad in enumerate(dirty)]
    return quarters(visits_of(*rows), pd.Series("f", index=[f"v{n}" for n in range(vaults)]), "UTC")


def test_a_planted_rise_is_found_and_its_slope_is_within_the_interval():
    (row,) = trends(looks(0.02, 1)).to_dict("records")
    assert row["chance_adjusted"] < 0.01
    assert row["slope_low"] < 0.02 < row["slope_high"]


def test_seasons_alone_are_no_trend_more_often_than_chance_says():
    found = [trends(looks(0.0, seed, vaults=40))["chance"].iloc[0] < 0.05 for seed in range(60)]
    assert sum(found) <= stats.binom.ppf(0.999, 60, 0.05)


def test_many_trends_are_adjusted_for_being_many():
    told = pd.concat([looks(0.0, seed, vaults=30).assign(group=str(seed)) for seed in range(6)])
    found = trends(told)
    assert (found["chance_adjusted"] >= found["chance"] - 1e-12).all()
    assert trends(told.iloc[:0]).empty
