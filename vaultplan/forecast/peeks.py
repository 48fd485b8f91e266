"""Where a look under the lid beforehand is worth the drive: it would change what is sent."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schema import GRADES, METHODS
from vaultplan.settings import ForecastSettings

Floats = npt.NDArray[np.float64]

#: What may be sent, and what may be needed: nothing, or one of the methods, each able to do what
#: those before it can.
SENT: Final = ("nothing", *METHODS)


def worth_of_a_look(forecasts: pd.DataFrame, settings: ForecastSettings) -> pd.DataFrame:
    """Return what knowing beforehand would save at each vault and day, the most first.

    Parameters
    ----------
    forecasts
        ``vault_id``, ``on``, ``prob_dry``, ``prob_clear``, ``prob_light``, ``prob_heavy``.
    settings
        ``second_trip_usd``, ``wasted_vacuum_usd``, ``wasted_crew_usd``, ``look_usd``.

    Returns
    -------
    pandas.DataFrame
        ``vault_id``, ``on``; ``prob_nothing`` and ``prob_storm_drain/filter_sock/vacuum_truck``
        needed; ``send``: what is cheapest to send as things stand; ``expected_loss_usd`` of that;
        ``look_worth_usd``: the loss less the price of a look, what a look would save; ``reason``.

    Notes
    -----
    The expected value of perfect information (H. Raiffa and R. Schlaifer (1961), Applied
    Statistical Decision Theory, ch. 4, from memory) of a choice with two ways to be wrong: sending
    less than is needed costs a second trip, sending a vacuum truck for nothing costs that truck,
    sending a crew to pump a dry vault costs its time. For the vacuum truck alone it is the rule to
    book it when ``P(vacuum) > waste / (waste + second trip)``. This is a reckoning of money only:
    the discharge rules decide what is allowed.
    """
    wet = 1.0 - forecasts["prob_dry"].to_numpy(float)
    needed = np.stack(
        [
            1.0 - wet,
            *(wet * forecasts[f"prob_{grade}"].to_numpy(float) for grade in GRADES),
        ]
    )
    loss = _losses(settings)
    expected = np.stack([(loss[sent][:, None] * needed).sum(axis=0) for sent in range(len(SENT))])
    best = expected.argmin(axis=0)
    least = expected[best, np.arange(len(best))]
    frame = pd.DataFrame(
        {"vault_id": forecasts["vault_id"].to_numpy(), "on": forecasts["on"].to_numpy()}
    )
    for place, name in enumerate(SENT):
        frame[f"prob_{name}"] = needed[place]
    frame["send"] = np.array(SENT, object)[best]
    frame["send"] = frame["send"].astype("str")
    frame["expected_loss_usd"] = least
    frame["look_worth_usd"] = least - settings.look_usd
    frame["reason"] = [
        f"{name.replace('_', ' ')} is right with {chance:.0%}"
        for name, chance in zip(
            frame["send"].tolist(), needed[best, np.arange(len(best))].tolist(), strict=True
        )
    ]
    order = ["look_worth_usd", "vault_id", "on"]
    return frame.sort_values(order, ascending=[False, True, True], ignore_index=True)


def _losses(settings: ForecastSettings) -> Floats:
    """Return what sending one thing costs too much when another is needed: (sent, needed)."""
    count = len(SENT)
    loss = np.zeros((count, count))
    for sent in range(count):
        for needed in range(count):
            if sent < needed:
                loss[sent, needed] = settings.second_trip_usd
            elif sent == count - 1 and needed < sent:
                loss[sent, needed] = settings.wasted_vacuum_usd
            elif sent > 0 and needed == 0:
                loss[sent, needed] = settings.wasted_crew_usd
    return loss
