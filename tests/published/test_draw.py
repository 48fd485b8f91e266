"""Claims from samples against published intervals and sample sizes."""

from __future__ import annotations

import pytest
from scipy import stats

from vaultplan.analysis.claims import at_most, claims, exact_interval, samples_needed
from vaultplan.errors import SettingsError


def test_intervals_in_the_manuals_of_other_programs() -> None:
    # 4 of 20: example of exactci() in the manual of an R package, 0.057334 to 0.436614.
    assert exact_interval(4, 20) == pytest.approx((0.057334, 0.436614), abs=5e-7)
    # 5 of 100,000, GenBinomApps manual, example of clopper.pearson.ci(): upper limit at alpha 0.05
    # 0.0001051275; two-sided at alpha 0.1 from 1.97017e-05 to the same.
    assert at_most(5, 100_000) == pytest.approx(0.0001051275, abs=5e-11)
    low, high = exact_interval(5, 100_000, confidence=0.9)
    assert (low, high) == pytest.approx((1.97017e-05, 0.0001051275), abs=5e-11)


# Newcombe, R. G. (1998), Two-sided confidence intervals for the single proportion, Statistics in
# Medicine 17, 857-872, table I, Clopper-Pearson; digits from memory.
@pytest.mark.parametrize(
    ("found", "count", "low", "high"),
    [
        (81, 263, 0.2527, 0.3676),
        (15, 148, 0.0578, 0.1617),
        (0, 20, 0.0, 0.1684),
        (1, 29, 0.0009, 0.1776),
    ],
)
def test_intervals_of_a_textbook_comparison(found, count, low, high) -> None:
    assert exact_interval(found, count) == pytest.approx((low, high), abs=5e-5)


# Least samples so that the largest, or the next one, bounds a share with 95 % confidence: 59 and 93
# for 95 % (Wilks 1941, as used for safety analyses ever since; from memory), 29 for 90 % and 299
# for 99 % (B- and A-basis of CMH-17-1G, table of ranks; from memory).
@pytest.mark.parametrize(
    ("share", "found", "count"), [(0.05, 0, 59), (0.05, 1, 93), (0.1, 0, 29), (0.01, 0, 299)]
)
def test_sample_sizes_of_tolerance_limits(share, found, count) -> None:
    assert samples_needed(share, found=found) == count
    assert at_most(found, count) <= share < at_most(found, count - 1)


def test_against_the_reference_library() -> None:
    for count in (1, 7, 59, 400):
        for found in {0, 1, count // 3, count - 1, count}:
            for confidence in (0.8, 0.95, 0.99):
                told = stats.binomtest(found, count).proportion_ci(confidence, method="exact")
                own = exact_interval(found, count, confidence=confidence)
                assert own == pytest.approx((told.low, told.high), abs=1e-9)
                less = stats.binomtest(found, count, alternative="less")
                told = less.proportion_ci(confidence, method="exact")
                assert at_most(found, count, confidence=confidence) == pytest.approx(told.high)


def test_what_no_sample_supports_is_refused() -> None:
    assert claims(4)["found"].tolist() == [0, 1, 2, 3]
    with pytest.raises(SettingsError, match="at least one sample"):
        exact_interval(0, 0)
    with pytest.raises(SettingsError, match="6 of 5"):
        at_most(6, 5)
    with pytest.raises(SettingsError, match="larger share"):
        samples_needed(1e-9)
    with pytest.raises(SettingsError, match="confidence"):
        at_most(0, 5, confidence=1.0)
