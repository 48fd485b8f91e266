"""How sure a ranking is: the orders ranked in many draws of water, its look and the weights.

References
----------
Lahdelma, R., Hokkanen, J., Salminen, P. (1998), SMAA - Stochastic multiobjective acceptability
analysis, European Journal of Operational Research 106(1), 137-143,
doi:10.1016/S0377-2217(97)00163-X: the share of draws in which an alternative takes a rank.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.ranking.value import SEVERITY, order_values
from vaultplan.ranking.weights import AIMS, weights_of
from vaultplan.settings import RankingSettings

Floats = npt.NDArray[np.float64]

#: Runs reckoned at a time, so that 20,000 orders take some hundred megabytes.
_CHUNK: Final = 25
_BAND: Final = (0.10, 0.90)


def rank_stability(
    ranked: pd.DataFrame,
    chances: pd.DataFrame,
    volume_gal: Floats,
    *,
    top: int,
    seed: int,
    settings: RankingSettings,
) -> pd.DataFrame:
    """Return, row by row as the ranking, how often each order stays where it is.

    Parameters
    ----------
    ranked
        Table ``rankings``, best first.
    chances
        ``prob_dry``, ``prob_clear``, ``prob_light`` and ``prob_heavy`` of each row, blank where
        nothing is known.
    volume_gal
        Joint draws of the water in each row's vault, (draws, rows); blank where nothing is known.
    top
        How many orders make the top.
    seed
        Seed of the draws of look and weights.
    settings
        The weights, ``volume_gal_half``, ``weight_trust`` and ``tie_share``.

    Returns
    -------
    pandas.DataFrame
        ``top_share``: share of runs in which the order is among the first ``top``; ``rank_low`` and
        ``rank_high``: between which its rank lies in 80 % of the runs; ``tie_band``: a number from
        1 on that neighbours share who change places too often to be told apart.

    Notes
    -----
    A run takes one draw of the water, draws the look of each vault's water from its chances (dry
    water has none), and weights from a Dirichlet distribution about the ones set, the tighter the
    greater ``weight_trust``. Sensitivity and urgency are known and stay. An order opens a new tie
    band if the one that leads its band comes before it in at least ``tie_share`` of the runs.
    """
    runs, count = volume_gal.shape
    rng = np.random.default_rng([seed, 0x52])
    votes = np.maximum(weights_of(settings).array, 1e-6) * settings.weight_trust
    weights = rng.dirichlet(votes, runs)
    look = _cumulated(chances)
    known = {aim: ranked[f"value_{aim}"].to_numpy(float) for aim in AIMS}
    places = np.empty((runs, count), dtype=np.int32)
    tie = np.arange(count) * 1e-9
    for begin in range(0, runs, _CHUNK):
        part = slice(begin, min(begin + _CHUNK, runs))
        volume = order_values(volume_gal[part], settings.volume_gal_half)
        volume = np.where(np.isnan(volume_gal[part]), known["volume"], volume)
        drawn = rng.random(volume.shape)
        grade = (drawn[:, :, None] > look[None, :, :]).sum(axis=2)
        dirt = np.asarray([0.0, *SEVERITY.values()])[grade]
        dirt = np.where(np.isnan(look[:, 0]), known["contamination"], dirt)
        share = weights[part]
        score = (
            share[:, 0, None] * volume
            + share[:, 1, None] * dirt
            + share[:, 2, None] * known["sensitivity"]
            + share[:, 3, None] * known["urgency"]
        )
        order = np.argsort(tie - score, axis=1, kind="stable")
        rows = np.arange(len(order))[:, None]
        places[part][rows, order] = np.arange(1, count + 1, dtype=np.int32)
    low, high = np.quantile(places, _BAND, axis=0, method="inverted_cdf") if runs else ([], [])
    return pd.DataFrame(
        {
            "top_share": (places <= top).mean(axis=0),
            "rank_low": np.asarray(low, dtype=np.int64),
            "rank_high": np.asarray(high, dtype=np.int64),
            "tie_band": _tie_bands(places, settings.tie_share),
        },
        index=ranked.index,
    )


def _cumulated(chances: pd.DataFrame) -> Floats:
    """Return the chance of dry, of no worse than clear, and of no worse than light: (rows, 3)."""
    dry = chances["prob_dry"].to_numpy(float)
    parts = [dry]
    for grade in ("clear", "light"):
        wet = (1.0 - dry) * chances[f"prob_{grade}"].to_numpy(float)
        parts.append(parts[-1] + wet)
    return np.column_stack(parts)


def _tie_bands(places: npt.NDArray[np.int32], share: float) -> npt.NDArray[np.int64]:
    bands = np.ones(places.shape[1], dtype=np.int64)
    leader = 0
    for row in range(1, places.shape[1]):
        is_apart = (places[:, leader] < places[:, row]).mean() >= share
        bands[row] = bands[row - 1] + int(is_apart)
        leader = row if is_apart else leader
    return bands
