"""What visits say of dirt: hand-counted hexes, shares drawn in as the literature has it."""

from __future__ import annotations

import geopandas as gpd
import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point

from vaultplan.outputs.maps.lines import Grid
from vaultplan.outputs.maps.records import (
    dirtiest,
    looks_of,
    prior_looks,
    records_of,
    visit_codes,
)

CRS = "EPSG:32606"
EAST, NORTH = 500_000.0, 4_206_000.0


def visits(*rows):
    told = pd.DataFrame(rows, columns=["vault_id", "visited_at", "grade"])
    finding = told["grade"].map({"dry": "dry"}).fillna("wet")
    grade = told["grade"].where(told["grade"].ne("dry"), None)
    when = pd.to_datetime(told["visited_at"], utc=True)
    return told.assign(visited_at=when, grade=grade, finding=finding)


def fleet(**places):
    frame = {"vault_id": list(places)}
    return gpd.GeoDataFrame(frame, geometry=[Point(*at) for at in places.values()], crs=CRS)


def test_a_visit_counts_on_its_local_day():
    """Half past eight in the evening of 31 December in a zone ten hours behind UTC."""
    codes = visit_codes(visits(("a", "2026-01-01T06:30Z", "heavy")), "Etc/GMT+10")
    (row,) = codes.to_dict("records")
    assert (row["year"], row["quarter"], row["code"]) == (2025, 3, 2)
    assert pd.Timestamp("1970-01-01") + pd.Timedelta(days=row["day"]) == pd.Timestamp("2025-12-31")


def test_looks_are_told_latest_first_as_days_back_and_grade():
    """Days 20,000 and 20,010: 5 * 20010 + 2 (heavy), then ten days back, not graded: 5 * 10 + 4."""
    first = pd.Timestamp("1970-01-01", tz="UTC") + pd.Timedelta(days=20_000)
    codes = visit_codes(
        visits(("a", first, None), ("a", first + pd.Timedelta(days=10), "heavy")), "UTC"
    )
    assert looks_of(codes, ["a", "b"], None) == [[100_052, 54], []]
    assert looks_of(codes, ["a"], 1) == [[100_052]]


def test_dry_and_not_graded_stay_two_things():
    codes = visit_codes(visits(("a", "2025-01-01", "dry"), ("a", "2025-01-02", None)), "UTC")
    assert codes["code"].tolist() == [3, 4]
    told = records_of(codes, fleet(a=(EAST, NORTH)), Grid(-147.0, 38.0))
    assert told["hexes"]["rows"] == [[]] and told["hexes"]["never"] == [1]


def test_hexes_count_looks_by_quarter_and_vaults_never_graded():
    """Two vaults a foot apart, one 20 km off: two hexes."""
    vaults = fleet(a=(EAST, NORTH), b=(EAST + 0.3, NORTH), c=(EAST + 20_000, NORTH))
    codes = visit_codes(
        visits(
            ("a", "2024-02-01", "clear"),
            ("a", "2024-03-01", "heavy"),
            ("a", "2025-07-01", "light"),
            ("b", "2025-08-01", None),
        ),
        "UTC",
    )
    told = records_of(codes, vaults, Grid(-147.0, 38.0))
    assert (told["first_year"], told["last_year"]) == (2024, 2025)
    at = told["hexes"]["vaults"].index(2)
    assert told["hexes"]["never"][at] == 1
    # 2024, first quarter: one clear, one heavy; 2025 (4 quarters on), third quarter: one light.
    assert told["hexes"]["rows"][at] == [0, 1, 0, 1, 6, 0, 1, 0]
    assert told["hexes"]["rows"][1 - at] == []
    assert told["hexes"]["never"][1 - at] == 1


def test_the_prior_is_kleinmans_by_hand():
    """Three places of ten looks, 1, 4 and 7 dirty: p = 12/30 = 0.4.

    S = 10 (0.3^2 + 0 + 0.3^2) = 1.8; S / (p q) = 1.8 / 0.24 = 7.5. Room: 30 - 300/30 - 2 = 18.
    Correlation (7.5 - 2) / 18 = 0.30556; prior 1 / 0.30556 - 1 = 2.2727.
    """
    assert prior_looks(np.array([1.0, 4.0, 7.0]), np.full(3, 10.0)) == pytest.approx(25 / 11)


@pytest.mark.parametrize("weight", [2.0, 8.0, 40.0])
def test_the_prior_finds_the_weight_that_made_the_shares(weight):
    """Shares drawn from Beta(0.3 w, 0.7 w), looks from 1 to 30: the weight comes back."""
    rng = np.random.default_rng(7)
    looks = rng.integers(1, 31, 20_000).astype(float)
    share = rng.beta(0.3 * weight, 0.7 * weight, len(looks))
    dirty = rng.binomial(looks.astype(int), share).astype(float)
    assert prior_looks(dirty, looks) == pytest.approx(weight, rel=0.15)


@given(
    st.lists(st.tuples(st.integers(0, 30), st.integers(0, 30)).map(sorted), min_size=0, max_size=30)
)
def test_the_prior_is_a_weight_for_any_counts(pairs):
    dirty = np.array([low for low, _ in pairs], dtype=float)
    looks = np.array([high for _, high in pairs], dtype=float)
    assert 0.0 < prior_looks(dirty, looks) < 1000.0


def test_of_a_large_fleet_the_dirtiest_become_points():
    vaults = pd.DataFrame({"vault_id": ["a", "b", "c", "d"]})
    codes = visit_codes(
        visits(
            ("b", "2025-01-01", "heavy"), ("c", "2025-01-01", "light"), ("d", "2025-01-01", "clear")
        ),
        "UTC",
    )
    assert dirtiest(codes, vaults, 2).tolist() == [False, True, True, False]
    assert dirtiest(codes, vaults, 4).all()
