"""Split drains by hand: a 12 in and an 18 in pipe carry as 1 to (18/12)^(8/3) = 2.948."""

import pytest

from vaultplan.drainage import build_network, trace_vaults
from vaultplan.settings import DrainageSettings

SMALL = 1 / (1 + 1.5 ** (8 / 3))


def _row(town, pipes, falls=(("o1", "x", "bay"), ("o2", "y", "creek"))):
    traced = trace_vaults(
        town.vaults(v=(0, 1)),
        town.inlets(i=(0, 0, "a")),
        town.pipes(*pipes),
        town.outfalls(*falls),
        town.waters(bay=None, creek="bay"),
        settings=DrainageSettings(),
    )
    return traced.iloc[0]


def test_the_smaller_part_reaches_another_outfall(town):
    row = _row(
        town,
        [("p", "a", "x", 1.0, {"diameter_in": 18.0}), ("q", "a", "y", 1.0, {"diameter_in": 12.0})],
    )
    assert row["outfall_id"] == "o1"
    assert row["main_share"] == pytest.approx(1 - SMALL)
    assert row["part_outfalls"] == f"o2={SMALL:.2f}" == "o2=0.25"
    assert row["confidence"] == "medium"


def test_shares_go_on_over_several_splits_and_meet_again(town):
    """Half of half goes to y; the rest meets at x: 0.75."""
    row = _row(
        town,
        [("p", "a", "b", 1.0), ("q", "a", "x", 1.0), ("r", "b", "x", 1.0), ("s", "b", "y", 1.0)],
    )
    assert (row["outfall_id"], row["main_share"]) == ("o1", 0.75)
    assert row["part_outfalls"] == "o2=0.25"


@pytest.mark.parametrize(
    ("second", "word"),
    [
        (("q", "a", "z", 1.0), "no_outfall"),
        (("q", "a", "x", 1.0, {"system": "sanitary"}), "sewer"),
        (("q", "a", "y", 1.0, {"system": "private"}), "private"),
    ],
)
def test_parts_that_reach_no_outfall_are_told(town, second, word):
    more = {"system": "storm"}
    row = _row(town, [("p", "a", "b", 1.0, more), ("r", "b", "x", 1.0, more), second])
    assert (row["trace_status"], row["part_ends"]) == ("complete", word)
    assert row["main_share"] == 0.5


def test_a_part_that_runs_back_where_it_came_from_is_a_loop(town):
    row = _row(town, [("p", "a", "b", 1.0), ("q", "b", "x", 1.0), ("r", "b", "a", 1.0)])
    assert row["part_ends"] == "loop"
    network = build_network(
        town.inlets(i=(0, 0, "a")),
        town.pipes(("p", "a", "b", 1.0), ("q", "b", "x", 1.0), ("r", "b", "a", 1.0)),
        town.outfalls(("o1", "x", "bay")),
    )
    assert network.parts.shares.toarray()[0].tolist() == [0.5, 0.0, 0.0, 0.5, 0.0]
