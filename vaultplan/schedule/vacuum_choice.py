"""Whether to book a vacuum truck beforehand where the water may turn out heavy, in money."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import ScheduleError
from vaultplan.settings import ScheduleSettings

Floats = npt.NDArray[np.float64]

_ANSWERED: Final = (
    "order_id",
    "prob_vacuum",
    "waste_usd",
    "repeat_usd",
    "break_even_prob",
    "prebook",
    "saving_usd",
    "reason",
)
_NEEDED: Final = (
    "prob_dry",
    "prob_heavy",
    "volume_gal_p50",
    "vacuum_minutes",
    "pump_minutes",
    "setup_minutes",
    "drive_minutes",
)


def break_even(waste_usd: npt.ArrayLike, repeat_usd: npt.ArrayLike) -> Floats:
    """Return the chance of needing the truck above which it pays to book it beforehand.

    Parameters
    ----------
    waste_usd
        Cost of a truck that was booked and not needed, 0 or more.
    repeat_usd
        Cost of a truck that was needed and not booked, 0 or more.

    Returns
    -------
    numpy.ndarray
        Between 0 and 1; 1 where both cost nothing, as then nothing is gained by booking.

    Raises
    ------
    ScheduleError
        If a cost is negative or missing.

    Notes
    -----
    Let p be the chance that the water needs the truck, B what a visit of the truck costs, P what
    it costs to pump light water without one. In expectation ::

        booked:      p B + (1 - p) B
        not booked:  p (B + repeat) + (1 - p) P

    With ``waste = B - P`` booking is cheaper if ``(1 - p) waste < p repeat``, that is if ``p >
    waste / (waste + repeat)``. It is the critical ratio of an inventory with a demand of 0 or 1:
    order one if the chance of no demand is below shortage / (shortage + surplus).

    References
    ----------
    Arrow, K. J., Harris, T., Marschak, J. (1951): Optimal inventory policy. Econometrica 19(3),
    250-272, doi:10.2307/1906813.

    Examples
    --------
    >>> float(break_even(300.0, 450.0))
    0.4
    """
    waste, repeat = np.asarray(waste_usd, float), np.asarray(repeat_usd, float)
    if not (np.all(waste >= 0.0) and np.all(repeat >= 0.0)):
        raise ScheduleError("costs of waste and repeat must be 0 or more; correct the prices")
    both = waste + repeat
    chance: Floats = np.where(both > 0.0, waste / np.where(both > 0.0, both, 1.0), 1.0)
    return chance


def vacuum_choice(jobs: pd.DataFrame, *, settings: ScheduleSettings) -> pd.DataFrame:
    """Return for each job below a vacuum truck whether booking one beforehand pays.

    Parameters
    ----------
    jobs
        ``order_id``, ``method``; ``prob_dry`` and ``prob_heavy`` (of the water, if there is any) as
        in schema table ``forecasts``; ``volume_gal_p50``; ``vacuum_minutes``: the truck's time at
        the vault with its share of the dump; ``pump_minutes``: the crew's pumping that it would
        spare; ``setup_minutes``; ``drive_minutes``: driving that one more stop adds to a truck's
        day. Where there are such columns, ``vacuum_usd_per_hour``, ``crew_usd_per_hour`` and
        ``disposal_usd_per_gal`` are the job's own prices; blanks are taken from the settings.
    settings
        ``vacuum_usd_per_hour``, ``crew_usd_per_hour``, ``disposal_usd_per_gal``,
        ``repeat_minutes``.

    Returns
    -------
    pandas.DataFrame
        A row for each job whose method is below vacuum_truck, in the order given: ``order_id``;
        ``prob_vacuum``; ``waste_usd``; ``repeat_usd``; ``break_even_prob``; ``prebook``;
        ``saving_usd``: what booking saves in expectation, below 0 where it costs; ``reason``.

    Raises
    ------
    ScheduleError
        If a chance or a quantity of a job is blank, or a cost negative.

    Notes
    -----
    ``waste`` = (vacuum + drive minutes) at the truck's price + gallons at the price of disposal -
    pump minutes at the crew's price, at least 0. ``repeat`` = (setup + drive minutes of the lost
    visit + ``repeat_minutes``) at the crew's price. See :func:`break_even`. A dry vault is
    counted as one with light water.

    This is a reckoning of money alone. Jobs for which a rule demands a vacuum truck are not in the
    answer, so money never lowers them; a job that is not booked still gets the truck if the bailer
    says heavy.
    """
    below = jobs[jobs["method"] != "vacuum_truck"].reset_index(drop=True)
    known = below[list(_NEEDED)].astype(float)
    blank = known.isna().any(axis=1)
    if blank.any():
        named = ", ".join(below.loc[blank, "order_id"].astype(str).head(5))
        lacking = ", ".join(known.columns[known.isna().any()])
        raise ScheduleError(
            f"{int(blank.sum())} job(s) lack {lacking} for the choice of a vacuum truck: {named}"
        )
    vacuum_usd = _price(below, "vacuum_usd_per_hour", settings.vacuum_usd_per_hour) / 60.0
    crew_usd = _price(below, "crew_usd_per_hour", settings.crew_usd_per_hour) / 60.0
    per_gal = _price(below, "disposal_usd_per_gal", settings.disposal_usd_per_gal)
    visit = (known["vacuum_minutes"] + known["drive_minutes"]) * vacuum_usd
    spared = known["pump_minutes"] * crew_usd
    waste = (visit + known["volume_gal_p50"] * per_gal - spared).clip(lower=0.0)
    lost = known["setup_minutes"] + known["drive_minutes"] + settings.repeat_minutes
    repeat = lost * crew_usd
    chance = (1.0 - known["prob_dry"]) * known["prob_heavy"]
    found = pd.DataFrame(
        {
            "order_id": below["order_id"],
            "prob_vacuum": chance,
            "waste_usd": waste,
            "repeat_usd": repeat,
            "break_even_prob": break_even(waste, repeat),
            "saving_usd": chance * repeat - (1.0 - chance) * waste,
        }
    )
    found["prebook"] = found["prob_vacuum"] > found["break_even_prob"]
    found["reason"] = pd.Series(
        [_words(row) for row in found.itertuples(index=False)], found.index, dtype="str"
    )
    return found[list(_ANSWERED)]


def _price(jobs: pd.DataFrame, name: str, otherwise: float) -> pd.Series[Any]:
    if name not in jobs:
        return pd.Series(otherwise, jobs.index)
    return jobs[name].astype(float).fillna(otherwise)


def _words(row: Any) -> str:
    """Return the choice in a sentence.

    Shares are told to a tenth of a percent, so that the two do not look equal where they are not.
    """
    sides = (
        f"needs a vacuum truck with {row.prob_vacuum:.1%}, booking pays above "
        f"{row.break_even_prob:.1%}"
    )
    if row.prebook:
        return f"{sides}: book it, {row.saving_usd:,.0f} USD saved on average"
    return f"{sides}: do not book it, that would cost {-row.saving_usd:,.0f} USD on average"
