"""What a vault's own gradings say of its dirt: followed from one to the next as they come in.

A vault's score differs from what its class shows by a part that lasts and a part that passes. Both
are normal before anything was seen; every grading moves them, and the passing part fades between
gradings.

References
----------
T. Minka (2001), A family of algorithms for approximate Bayesian inference, MIT, ch. 3: assumed
density filtering (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import numpy.typing as npt

from vaultplan.forecast.grade_history import Past
from vaultplan.forecast.grade_ordinal import between, ends

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_GRADINGS: Final = 100  # of one vault, the latest; older ones say nothing more
#: What is believed before the fleet's gradings are looked at, and how firmly (standard deviation;
#: of the days by factors of e): shares of the variance that last and pass, what dirt that builds up
#: since cleaning and since pumping adds to the score. Assumed.
USUAL_SHARES: Final = (0.3, 0.1)
SHARES_SD: Final = (0.3, 0.15)
GROWTH_SD: Final = 0.5
LEAST_SCATTER: Final = 0.1  # share of the variance that is new at every grading, at least
DAYS_RANGE: Final = (20.0, 5000.0)
STEPS: Final = (1.0, 0.5, 0.25)


@dataclass(frozen=True, slots=True)
class Unlike:
    """How vaults of a class differ: shares of the variance, which is 1 in all.

    ``lasting`` and ``passing`` are those of a vault's own two parts, the rest is new at every
    grading; ``days`` is the time in which the passing part falls to 1/e; ``growth`` what build-up
    since cleaning and since pumping adds.
    """

    lasting: float
    passing: float
    days: float
    growth: tuple[float, float] = (0.0, 0.0)

    @property
    def scatter(self) -> float:
        """Share of the variance that is new at every grading."""
        return 1.0 - self.lasting - self.passing


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known of each vault's two parts after its last grading on ``day``.

    ``mean`` is (2, vaults); ``variance`` (3, vaults): of the lasting part, of the passing part, and
    that they share.
    """

    day: Ints
    mean: Floats
    variance: Floats

    def own(self, vault: Ints, day: Ints, unlike: Unlike) -> tuple[Floats, Floats]:
        """Return mean and variance of the two parts together on some days."""
        fade = np.exp(-np.maximum(day - self.day[vault], 0) / unlike.days)
        mean = self.mean[0, vault] + fade * self.mean[1, vault]
        lasting, passing, shared = self.variance[:, vault]
        variance = lasting + 2.0 * fade * shared
        return mean, variance + fade * fade * passing + unlike.passing * (1.0 - fade * fade)

    def spliced(self, vaults: Ints, other: Standing) -> Standing:
        """Return this with what is known of some vaults replaced."""
        day, mean, variance = self.day.copy(), self.mean.copy(), self.variance.copy()
        day[vaults] = other.day
        mean[:, vaults], variance[:, vaults] = other.mean, other.variance
        return Standing(day, mean, variance)


@dataclass(frozen=True, slots=True)
class Followed:
    """Every grading as it was forecast just before: ``middle`` and ``spread`` of its score.

    ``log_chance`` is the sum of the logarithms of what was given to the grades found.
    """

    middle: Floats
    spread: Floats
    log_chance: float
    standing: Standing


def follow(
    start: Ints, day: Ints, grade: Ints, offset: Floats, cuts: Floats, unlike: Unlike
) -> Followed:
    """Return what each grading was expected to be, and what is known after the last.

    Parameters
    ----------
    start
        Rows ``start[v]:start[v + 1]`` are the gradings of vault v in order of time.
    day, grade, offset
        Per grading; ``offset`` is the score that all but the vault itself speaks for.

    Notes
    -----
    All vaults take their k-th grading at once. After each, mean and variance of both parts are
    those of the normal closest to what the grade leaves possible.
    """
    vaults = len(start) - 1
    first = np.maximum(start[:-1], start[1:] - MOST_GRADINGS)
    count = start[1:] - first
    order = np.argsort(-count, kind="stable")
    reach = np.searchsorted(-count[order], -np.arange(int(count.max(initial=0))), side="left")
    middle, spread = offset.copy(), np.ones(len(day))
    # Vaults in falling order of their count: those with a k-th grading are the first so many.
    last = np.zeros(vaults, np.int64)
    mean = np.zeros((2, vaults))
    variance = np.zeros((3, vaults))
    variance[0], variance[1] = unlike.lasting, unlike.passing
    logs = 0.0
    for k, many in enumerate(reach.tolist()):
        rows = first[order[:many]] + k
        here = day[rows]
        m, v = mean[:, :many], variance[:, :many]
        if k:
            fade = np.exp(-(here - last[:many]) / unlike.days)
            m[1] *= fade
            v[1] = fade * fade * v[1] + unlike.passing * (1.0 - fade * fade)
            v[2] *= fade
        last[:many] = here
        expected = offset[rows] + m[0] + m[1]
        sd = np.sqrt(v[0] + v[1] + 2.0 * v[2] + unlike.scatter)
        middle[rows], spread[rows] = expected, sd
        found = between(*ends(cuts, grade[rows], expected, sd))
        logs += float(np.log(found.chance).sum())
        lasting, passing = (v[0] + v[2]) / sd, (v[1] + v[2]) / sd
        m[0] += lasting * found.mean
        m[1] += passing * found.mean
        v[0] -= lasting * lasting * found.less
        v[1] -= passing * passing * found.less
        v[2] -= lasting * passing * found.less
    back = np.empty(vaults, np.int64)
    back[order] = np.arange(vaults)
    standing = Standing(last[back], mean[:, back], variance[:, back])
    return Followed(middle, spread, logs, standing)


def likeliest(
    start: Ints, before: Past, grade: Ints, offset: Floats, cuts: Floats, half_life_days: float
) -> Unlike:
    """Return how vaults differ such that every grading was best foreseen from those before it.

    ``half_life_days`` is that of the passing part before anything was seen.

    Notes
    -----
    Sum of ``log_chance`` and the logarithm of what is believed beforehand, climbed one number at a
    time in ever smaller steps.
    """
    grown = before.grown()
    grown = grown - grown.mean(axis=1, keepdims=True) if len(grade) else grown
    usual = Unlike(*USUAL_SHARES, half_life_days / float(np.log(2.0)))
    worth: dict[Unlike, float] = {}

    def value(unlike: Unlike) -> float:
        if unlike not in worth:
            moved = offset + unlike.growth[0] * grown[0] + unlike.growth[1] * grown[1]
            found = follow(start, before.day, grade, moved, cuts, unlike)
            worth[unlike] = found.log_chance - _strange(unlike, usual)
        return worth[unlike]

    best = usual
    for size in STEPS:
        moved = True
        while moved:
            moved = False
            for tried in _around(best, size):
                if value(tried) > value(best):
                    best, moved = tried, True
    return best


def _around(unlike: Unlike, size: float) -> list[Unlike]:
    found = []
    cleaned, pumped = unlike.growth
    for sign in (1.0, -1.0):
        step = 0.1 * sign * size
        found.append(replace(unlike, lasting=_moved(unlike.lasting, step)))
        found.append(replace(unlike, passing=_moved(unlike.passing, step)))
        found.append(replace(unlike, days=unlike.days * 2.0 ** (sign * size)))
        found.append(replace(unlike, growth=(_moved(cleaned, 2.0 * step), pumped)))
        found.append(replace(unlike, growth=(cleaned, _moved(pumped, 2.0 * step))))
    low, high = DAYS_RANGE
    return [one for one in found if one.scatter >= LEAST_SCATTER and low <= one.days <= high]


def _moved(number: float, step: float) -> float:
    return max(round(number + step, 6), 0.0)


def _strange(unlike: Unlike, usual: Unlike) -> float:
    apart = (
        (unlike.lasting - usual.lasting) / SHARES_SD[0],
        (unlike.passing - usual.passing) / SHARES_SD[1],
        np.log(unlike.days / usual.days),
        unlike.growth[0] / GROWTH_SD,
        unlike.growth[1] / GROWTH_SD,
    )
    return 0.5 * float(sum(part * part for part in apart))
