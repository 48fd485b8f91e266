from itertools import pairwise

import numpy as np
import pytest
from scipy.stats import norm

from vaultplan.forecast.grade_filter import USUAL_SHARES, Unlike, follow, likeliest
from vaultplan.forecast.grade_history import NO_DAY, Past

CUTS = np.array([-0.4, 0.6])


def followed(days, grades, unlike, offset=0.0):
    return follow(
        np.array([0, len(days)]),
        np.array(days),
        np.array(grades, int),
        np.full(len(days), offset),
        CUTS,
        unlike,
    )


def past(day, since=None):
    never = np.full(len(day), NO_DAY)
    cleaned = never if since is None else day - since
    return Past(day, cleaned, never, np.zeros(len(day), bool), 0)


def test_one_heavy_grading_moves_the_lasting_part_as_solved_by_hand():
    found = followed([10], [2], Unlike(0.5, 0.0, 100.0))
    # A score of variance 1 above 0.6; half of it is the vault's own.
    above = norm.pdf(0.6) / norm.sf(0.6)
    assert found.log_chance == pytest.approx(np.log(norm.sf(0.6)))
    assert found.standing.mean[:, 0] == pytest.approx([0.5 * above, 0.0])
    less = above * (above - 0.6)
    assert found.standing.variance[:, 0] == pytest.approx([0.5 - 0.25 * less, 0.0, 0.0])


def test_what_passes_fades_and_what_lasts_does_not():
    vault = np.array([0])
    for unlike, left in ((Unlike(0.0, 0.4, 50.0), np.exp(-1.0)), (Unlike(0.4, 0.0, 50.0), 1.0)):
        standing = followed([10], [2], unlike).standing
        mean, variance = standing.own(vault, np.array([10]), unlike)
        later, unsure = standing.own(vault, np.array([60]), unlike)
        assert later == pytest.approx(left * mean)
        known, still_known = 0.4 - variance, 0.4 - unsure
        assert still_known == pytest.approx(left**2 * known)


def test_two_gradings_come_close_to_the_exact_answer():
    unlike = Unlike(0.4, 0.2, 80.0)
    found = followed([0, 40], [2, 1], unlike)
    # Exact: lasting part and both values of the passing part on a grid.
    u, d = np.linspace(-4, 4, 161), np.linspace(-4, 4, 121)
    fade, noise = np.exp(-40 / 80.0), np.sqrt(unlike.scatter)
    lasting, first = u[:, None, None] * np.sqrt(0.4), d[None, :, None] * np.sqrt(0.2)
    second = fade * first + d[None, None, :] * np.sqrt(0.2 * (1 - fade**2))
    weight = norm.pdf(u)[:, None, None] * norm.pdf(d)[None, :, None] * norm.pdf(d)
    weight = weight * norm.sf((0.6 - lasting - first) / noise)
    at = lasting + second
    weight = weight * (norm.cdf((0.6 - at) / noise) - norm.cdf((-0.4 - at) / noise))
    mean, variance = found.standing.own(np.array([0]), np.array([40]), unlike)
    exact = (weight * at).sum() / weight.sum()
    assert mean[0] == pytest.approx(exact, abs=0.01)
    spread = (weight * (at - exact) ** 2).sum() / weight.sum()
    assert variance[0] == pytest.approx(spread, abs=0.01)


def test_each_vault_is_followed_by_itself():
    draw = np.random.default_rng(5)
    count = np.array([3, 0, 40, 1])
    start = np.append(0, np.cumsum(count))
    day = np.concatenate([np.sort(draw.integers(0, 900, many)) for many in count])
    grade, offset = draw.integers(0, 3, 44), draw.normal(size=44)
    unlike = Unlike(0.3, 0.2, 150.0)
    together = follow(start, day, grade, offset, CUTS, unlike)
    for vault, (low, high) in enumerate(pairwise(start)):
        rows = slice(low, high)
        alone = follow(
            np.array([0, high - low]), day[rows], grade[rows], offset[rows], CUTS, unlike
        )
        assert alone.middle.tolist() == together.middle[rows].tolist()
        assert alone.standing.mean[:, 0].tolist() == together.standing.mean[:, vault].tolist()


def test_a_grading_is_expected_from_those_before_it_alone():
    day, unlike = [0, 50, 90], Unlike(0.3, 0.2, 150.0)
    one, other = followed(day, [2, 2, 0], unlike), followed(day, [2, 0, 2], unlike)
    assert one.middle[:2].tolist() == other.middle[:2].tolist()
    assert one.middle[2] > other.middle[2]


def drawn(growth=0.0, lasting=0.45, vaults=500, each=8, seed=6):
    draw = np.random.default_rng(seed)
    start = np.arange(vaults + 1) * each
    day = np.tile(np.arange(each) * 90, vaults)
    since = draw.integers(0, 2000, len(day))
    known = past(day, since)
    score = np.repeat(draw.normal(0, np.sqrt(lasting), vaults), each)
    score = score + draw.normal(0, np.sqrt(1 - lasting), len(day))
    grown = known.grown()[0]
    grade = np.searchsorted(CUTS, score + growth * (grown - grown.mean()))
    return likeliest(start, known, grade, np.zeros(len(day)), CUTS, 1000.0)


def test_how_vaults_differ_is_found_again():
    found = drawn()
    assert found.lasting + found.passing == pytest.approx(0.45, abs=0.08)
    assert found.growth[0] == pytest.approx(0.0, abs=0.05)


def test_build_up_since_cleaning_is_found_again():
    assert drawn(growth=0.5).growth[0] == pytest.approx(0.5, abs=0.1)


def test_without_gradings_the_usual_is_believed():
    none = np.zeros(0, int)
    found = likeliest(np.zeros(4, int), past(none), none, np.zeros(0), CUTS, 1095.0)
    assert (found.lasting, found.passing) == USUAL_SHARES
    assert found.days * np.log(2) == pytest.approx(1095.0)
