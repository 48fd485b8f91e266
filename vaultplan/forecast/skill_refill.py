"""Whether water was back in vaults that had been pumped dry: forecast beside what was seen.

Nobody sees the hour at which water comes back. What a later look tells is whether working depth
stood on that day, so that is what can be scored.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.forecast.looks import Looks, dates_of
from vaultplan.forecast.refill import HOURS_PER_DAY, LONGEST_DAYS, prob_workable
from vaultplan.forecast.volume import WaterModel

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Days from pump-out to look by which past looks are counted, to forecast refill simply.
STEPS_DAYS: Final = (7, 14, 30, 60, int(LONGEST_DAYS))


def refill_cases(model: WaterModel, looks: Looks, rows: Ints) -> pd.DataFrame:
    """Return vaults pumped dry and looked into again, with the chance that water came back.

    Parameters
    ----------
    model
        Fitted on the origin day.
    looks, rows
        All looks, and those to take: from :meth:`Looks.after_pumping`, pumped after the origin.

    Returns
    -------
    pandas.DataFrame
        ``origin_on``, ``vault_id``, ``pumped_on``, ``seen_on``, ``days`` between, ``visit_count``,
        ``depth_in`` found, ``is_standing`` (working depth or more on that day), ``prob_back``
        (chance that working depth was reached at any time up to it) and ``usual_standing``.

    Notes
    -----
    Water that came back may have drained again before the look, so ``is_standing`` happens less
    often than ``prob_back`` even if that is exactly right: only more often would be an error.
    """
    vault, pumped = looks.vault[rows], looks.since[rows]
    days = looks.day[rows] - pumped
    working = model.settings.forecast.working_depth_in
    asked = pd.DataFrame(
        {
            "vault_id": model.vault_ids[vault],
            "on": dates_of(pumped),
            "hours": days * HOURS_PER_DAY,
        }
    )
    known = looks.known_after_pumping(model.drivers.source.as_of_day)
    return pd.DataFrame(
        {
            "origin_on": model.as_of,
            "vault_id": asked["vault_id"],
            "pumped_on": asked["on"],
            "seen_on": dates_of(looks.day[rows]),
            "days": days,
            "visit_count": model.readings.visit_count[vault],
            "depth_in": looks.depth_in[rows],
            "is_standing": looks.depth_in[rows] >= working,
            "prob_back": 1.0 - prob_workable(model, asked).to_numpy(float),
            "usual_standing": usual_standing(looks, known, days, working),
        }
    )


def usual_standing(looks: Looks, known: Ints, days: Ints, working_in: float) -> Floats:
    """Return how often working depth stood about as many days after a pump-out, in the past.

    ``known`` are rows of past looks after pump-outs. One case of each kind is counted before any
    was seen, so that nothing is impossible.
    """
    step = np.searchsorted(STEPS_DAYS, looks.day[known] - looks.since[known])
    use = step < len(STEPS_DAYS)
    stood = (looks.depth_in[known] >= working_in)[use].astype(float)
    count = np.bincount(step[use], minlength=len(STEPS_DAYS))
    share = (np.bincount(step[use], stood, minlength=len(STEPS_DAYS)) + 1.0) / (count + 2.0)
    usual: Floats = share[np.minimum(np.searchsorted(STEPS_DAYS, days), len(STEPS_DAYS) - 1)]
    return usual
