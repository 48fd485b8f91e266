"""Weights from judgements in pairs."""

from __future__ import annotations

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan.errors import SettingsError
from vaultplan.ranking.weights import AIMS, judged_weights, weights_of
from vaultplan.settings import RankingSettings

EVEN = {f"{b} over {a}": 1.0 for a, b in combinations(AIMS, 2)}


def test_direct_weights_are_brought_to_a_sum_of_one():
    weights = {"weight_volume": 1, "weight_contamination": 2, "weight_urgency": 0}
    found = weights_of(RankingSettings(weight_sensitivity=1, **weights))
    assert list(found.weights.values()) == [0.25, 0.5, 0.25, 0.0]
    assert found.is_consistent
    with pytest.raises(SettingsError, match="above zero"):
        weights_of(RankingSettings(**{f"weight_{aim}": 0 for aim in AIMS}))


def test_judgements_take_the_place_of_direct_weights():
    """All equal but dirt, twice as much as each: 2/5 and three times 1/5, without contradiction."""
    dirt = {w: (2.0 if w.startswith("contamination") else 0.5 if "over contamination" in w else 1.0)
            for w in EVEN}  # fmt: skip
    found = weights_of(RankingSettings(weight_urgency=100, comparisons=dirt))
    assert found.array.tolist() == pytest.approx([0.2, 0.4, 0.2, 0.2])
    assert found.consistency_ratio == pytest.approx(0.0, abs=1e-12)


@given(st.lists(st.floats(0.12, 1.0), min_size=4, max_size=4))
def test_judgements_that_agree_give_the_weights_they_were_made_from(values):
    total = sum(values)
    of = dict(zip(AIMS, values, strict=True))
    told = judged_weights({f"{b} over {a}": of[b] / of[a] for a, b in combinations(AIMS, 2)})
    assert list(told.weights.values()) == pytest.approx([value / total for value in values])
    assert told.consistency_ratio == pytest.approx(0.0, abs=1e-9)


def test_judgements_that_run_in_a_circle_are_told():
    """Dirt over water 9, urgency over dirt 9, and water over urgency 9."""
    round_about = EVEN | {
        "contamination over volume": 9.0,
        "urgency over contamination": 9.0,
        "urgency over volume": 1.0 / 9.0,
    }
    assert not judged_weights(round_about).is_consistent


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"contamination over volume": None}, "lacks: contamination over volume"),
        ({"volume over contamination": 1.0}, "compare the same two aims"),
        ({"contamination over volume": 10.0}, "from 1/9 to 9"),
        ({"contamination over volume": 0.05}, "from 1/9 to 9"),
        ({"beauty over volume": 1.0}, "no pair of aims"),
        ({"volume over volume": 1.0}, "no pair of aims"),
        ({"volume": 1.0}, "no pair of aims"),
    ],
)
def test_judgements_that_cannot_be_read_are_refused(change, words):
    given_ = {name: value for name, value in (EVEN | change).items() if value is not None}
    with pytest.raises(SettingsError, match=words):
        judged_weights(given_)
