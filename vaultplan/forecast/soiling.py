"""How much solids and oil a vault's water carries, for the size of filter socks.

Solids, not oil, blind a sock: a sock takes up to about 3 gal of oil (common practice, no source),
more than most vaults hold.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schema import GRADES
from vaultplan.settings import Settings
from vaultplan.units import LB_PER_GAL_MG_L

Floats = npt.NDArray[np.float64]

PERCENTS: Final = (10, 50, 90)
CHUNK: Final = 50_000


def soiling(forecasts: pd.DataFrame, *, settings: Settings) -> pd.DataFrame:
    """Return the solids and oil in the water of each forecast, and what a sock holds back of them.

    Parameters
    ----------
    forecasts
        ``volume_gal_p10/p50/p90`` and ``prob_clear/light/heavy``, as in schema table
        ``forecasts``.
    settings
        ``forecast``: ``solids_mg_l``, ``oil_mg_l``, ``oil_lb_per_gal``, ``sock_held_frac``.

    Returns
    -------
    pandas.DataFrame
        ``solids_lb_p10/p50/p90``, ``oil_gal_p10/p50/p90``: in the water of a vault emptied to the
        floor, blank where a forecast is. ``solids_held_lb_...``, ``oil_held_gal_...``: what a sock
        holds back of those at least.

    Notes
    -----
    Nobody has published what a bailer grade holds: the ranges are assumed and in the settings.
    Within the range of its grade every factor is as likely as any other (log-uniform); the grade
    is taken not to depend on the volume. The volume is one of five equally likely ones, at its
    p10, p50, p90 and halfway between, so what lies beyond the volume's p90 is left out. Sludge on
    the floor is not in the water and not in here.

    Examples
    --------
    >>> one = pd.DataFrame({"volume_gal_p10": [1000.0], "volume_gal_p50": 1000.0,
    ...     "volume_gal_p90": 1000.0, "prob_clear": 0.0, "prob_light": 1.0, "prob_heavy": 0.0})
    >>> soiling(one, settings=Settings())["solids_lb_p50"].round(3).tolist()
    [1.32]
    """
    told = settings.forecast
    volume = forecasts[[f"volume_gal_p{percent}" for percent in PERCENTS]].to_numpy(float)
    chance = forecasts[[f"prob_{grade}" for grade in GRADES]].to_numpy(float)
    solids = np.asarray(told.solids_mg_l) * LB_PER_GAL_MG_L
    oil = np.asarray(told.oil_mg_l) * LB_PER_GAL_MG_L / told.oil_lb_per_gal
    columns: dict[str, Floats] = {}
    for name, per_gal in (("solids{}_lb_p{}", solids), ("oil{}_gal_p{}", oil)):
        amounts = np.empty((len(forecasts), len(PERCENTS)))
        for begin in range(0, len(forecasts), CHUNK):
            part = slice(begin, begin + CHUNK)
            amounts[part] = _quantiles(volume[part], chance[part], per_gal)
        for held, share in (("", 1.0), ("_held", told.sock_held_frac)):
            for place, percent in enumerate(PERCENTS):
                columns[name.format(held, percent)] = share * amounts[:, place]
    return pd.DataFrame(columns, index=forecasts.index)


def draw_solids(chances: pd.DataFrame, *, count: int, seed: int, settings: Settings) -> Floats:
    """Return solids in mg/L of water that a crew would pump, in draws: (draws, rows).

    Heavy water is not pumped through a sock, so a draw is clear or light, as likely as
    ``prob_clear`` and ``prob_light`` say of each other; light where both are blank. Within its
    grade's range the solids are log-uniform, as in :func:`soiling`.
    """
    edges = np.log(np.asarray(settings.forecast.solids_mg_l))
    clear, light = (chances[f"prob_{grade}"].to_numpy(float) for grade in ("clear", "light"))
    with np.errstate(divide="ignore", invalid="ignore"):
        is_light = np.nan_to_num(light / (clear + light), nan=1.0)
    rng = np.random.default_rng([seed, 0x50])
    grade = (rng.random((count, len(chances))) < is_light).astype(np.int64)
    low, high = edges[grade], edges[grade + 1]
    drawn: Floats = np.exp(low + rng.random(grade.shape) * (high - low))
    return drawn


def _quantiles(volume: Floats, chance: Floats, per_gal: Floats) -> Floats:
    """Return p10, p50 and p90 of the amount: volume times what a gallon holds, by grade.

    The chance of no more than an amount is piecewise linear in its logarithm, so the quantiles
    are exact.
    """
    p10, p50, p90 = volume.T
    volumes = np.stack([p10, (p10 + p50) / 2.0, p50, (p50 + p90) / 2.0, p90])
    is_some = volumes > 0.0
    log_volume = np.log(np.where(is_some, volumes, 1.0))
    edge = np.log(per_gal)
    share = np.where(is_some, 1.0 / len(volumes), 0.0)
    none = 1.0 - share.sum(axis=0)
    knots = np.sort(np.concatenate([log_volume + at for at in edge]), axis=0)
    reached = np.tile(none, (len(knots), 1))
    for low, high, grade in zip(edge[:-1], edge[1:], chance.T, strict=True):
        for logs, part in zip(log_volume, share, strict=True):
            within = np.clip((knots - logs - low) / (high - low), 0.0, 1.0)
            reached += grade * part * within
    found = np.empty(volume.shape)
    row = np.arange(len(volume))
    for place, percent in enumerate(PERCENTS):
        level = percent / 100.0
        at = np.clip((reached < level).sum(axis=0), 1, len(knots) - 1)
        below, above = reached[at - 1, row], reached[at, row]
        rise = np.where(above > below, above - below, 1.0)
        part = np.clip((level - below) / rise, 0.0, 1.0)
        log = knots[at - 1, row] + part * (knots[at, row] - knots[at - 1, row])
        found[:, place] = np.where(none >= level - 1e-12, 0.0, np.exp(log))
    blank = np.isnan(volume).any(axis=1) | np.isnan(chance).any(axis=1)
    found[blank] = np.nan
    return found
