"""The fleet in parts: how rows are grouped, and put together again."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.spread.parts import (
    LEAST_ROWS,
    MOST_ROWS,
    groups_of,
    in_groups,
    most_rows,
    put_together,
)


def named(districts: list[str | None]) -> pd.DataFrame:
    ids = [f"V{number:04d}" for number in range(len(districts))]
    return pd.DataFrame({"vault_id": ids, "district": pd.Series(districts, dtype="str")})


def test_a_part_is_a_district_where_that_is_of_a_size() -> None:
    vaults = named(["S", "N", "S", "N", "N", "S"])
    groups = groups_of(vaults, np.ones(6, np.int64), 4)
    assert [group.tolist() for group in groups] == [[1, 3, 4], [0, 2, 5]]


def test_small_districts_go_together_and_large_ones_are_cut_evenly() -> None:
    vaults = named(["A", "B", *["C"] * 9])
    groups = groups_of(vaults, np.ones(11, np.int64), 4)
    assert [len(group) for group in groups] == [2, 3, 3, 3]
    assert set(groups[0]) == {0, 1}


def test_without_districts_parts_are_equal_pieces_of_the_vault_ids() -> None:
    for vaults in (named([None] * 10), named([None] * 10)[["vault_id"]]):
        shuffled = vaults.sample(frac=1.0, random_state=1, ignore_index=True)
        groups = groups_of(shuffled, np.ones(10, np.int64), 4)
        ids = [shuffled["vault_id"].iloc[group].tolist() for group in groups]
        assert [len(part) for part in ids] == [3, 4, 3]
        assert [name for part in ids for name in part] == sorted(vaults["vault_id"])


def test_a_row_that_is_too_heavy_is_a_part_of_its_own() -> None:
    groups = groups_of(named(["A"] * 3), np.array([1, 50, 1]), 10)
    assert [1] in [group.tolist() for group in groups]


@given(
    st.lists(st.tuples(st.sampled_from(["A", "B", "C", None]), st.integers(1, 9)), max_size=60),
    st.integers(9, 40),
)
def test_every_row_is_in_one_part_and_none_is_much_too_large(
    rows: list[tuple[str | None, int]], most: int
) -> None:
    weight = np.array([heavy for _, heavy in rows], np.int64)
    groups = groups_of(named([district for district, _ in rows]), weight, most)
    assert sorted(row for group in groups for row in group) == list(range(len(rows)))
    assert all(weight[group].sum() <= most + 9 for group in groups)
    assert all(len(group) for group in groups)


@given(st.lists(st.integers(-1, 4), max_size=30))
def test_what_is_taken_apart_is_put_together(group: list[int]) -> None:
    frame = pd.DataFrame({"x": np.arange(len(group)), "g": group})
    kept = frame[frame["g"] >= 0].reset_index(drop=True)
    places = [place for place in in_groups(kept["g"].to_numpy(), 5) if len(place)]
    if places:
        again = put_together([kept.iloc[place] for place in places], places)
        pd.testing.assert_frame_equal(again, kept)
    assert sum(len(place) for place in in_groups(np.array(group, np.int64), 5)) == len(kept)


@pytest.mark.parametrize(
    ("total", "threads", "most"),
    [(100, 2, LEAST_ROWS), (6_000, 2, 1_000), (6_000, 0, 2_000), (400_000, 2, MOST_ROWS)],
)
def test_parts_are_small_enough_for_a_worker_and_for_all_to_have_some(
    total: int, threads: int, most: int
) -> None:
    assert most_rows(total, threads) == most
