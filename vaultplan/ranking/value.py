"""A value model over four aims: water, dirt, what lies downstream, and urgency.

References
----------
Keeney, R. L. and Raiffa, H. (1976), Decisions with Multiple Objectives, Wiley: the additive value
model and its single-aim value functions between 0 and 1.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan import schema
from vaultplan.ranking.weights import AIMS, weights_of
from vaultplan.settings import RankingSettings

Floats = npt.NDArray[np.float64]

#: How bad each grade is against the worst; assumed.
SEVERITY: Final = {"clear": 0.0, "light": 0.4, "heavy": 1.0}

#: Worth of each sensitivity; unknown counts as high, never as ordinary. Assumed.
SENSITIVITY_VALUE: Final = {
    "ordinary": 0.0,
    "elevated": 0.4,
    "high": 0.7,
    "protected": 1.0,
    "unknown": 0.7,
}
_DOWNSTREAM: Final = {
    "ordinary": "ordinary water downstream",
    "elevated": "somewhat sensitive water downstream",
    "high": "highly sensitive water downstream",
    "protected": "protected water downstream",
    "unknown": "not known how sensitive the water downstream is",
}
_MIDDLE_PRIORITY: Final = 3
_STRONGEST: Final = dict(
    zip(
        AIMS,
        ("much water", "dirty water likely", "sensitive water downstream", "urgency"),
        strict=True,
    )
)


def volume_value(volume_gal: pd.Series[float], half_gal: float) -> pd.Series[float]:
    """Return the value of expected gallons: 0 for none, 0.5 at ``half_gal``, towards 1 beyond.

    Notes
    -----
    ``1 - 2 ** (-volume / half)``: the exponential value function, steep where a crew notices the
    difference and flat where one more hundred gallons changes nothing.

    >>> volume_value(pd.Series([0.0, 500.0, 1000.0]), 500.0).tolist()
    [0.0, 0.5, 0.75]
    """
    return 1.0 - 2.0 ** (-volume_gal / half_gal)


def order_values(volume_gal: Floats, half_gal: float) -> Floats:
    """Return :func:`volume_value` of an array of any shape."""
    values: Floats = 1.0 - 2.0 ** (-volume_gal / half_gal)
    return values


def contamination_value(
    prob_dry: pd.Series[float], prob_light: pd.Series[float], prob_heavy: pd.Series[float]
) -> pd.Series[float]:
    """Return the chance that there is water, times the expected severity of its grade."""
    severity = SEVERITY["light"] * prob_light + SEVERITY["heavy"] * prob_heavy
    return ((1.0 - prob_dry) * severity).clip(0.0, 1.0)


def urgency_value(
    priority: pd.Series[Any], days_to_due: pd.Series[float], halving_days: float
) -> pd.Series[float]:
    """Return the mean of the order's priority (1 is 1, 5 is 0) and of how near its due day is.

    The due day counts 1 when it has come and half as much for each further ``halving_days``. An
    order without a due day counts 0 for it; one without a priority counts as the middle one.
    """
    place = (5.0 - priority.astype("float64").fillna(_MIDDLE_PRIORITY)) / 4.0
    nearness = 2.0 ** (-days_to_due.clip(lower=0.0) / halving_days)
    value: pd.Series[float] = 0.5 * place + 0.5 * nearness.fillna(0.0)
    return value


def rank_orders(
    work_orders: pd.DataFrame,
    forecasts: pd.DataFrame,
    decisions: pd.DataFrame,
    *,
    as_of: pd.Timestamp,
    settings: RankingSettings,
) -> pd.DataFrame:
    """Return the open orders in order of worth, with the four values and the reason.

    Parameters
    ----------
    work_orders
        Table ``work_orders``; only rows with status open (or blank) are ranked.
    forecasts
        Table ``forecasts``; several days of one vault are averaged.
    decisions
        Table ``decisions``; the strictest sensitivity of a vault counts.
    as_of
        Day from which the time to the due day is counted.
    settings
        Weights, which need not sum to 1, and the gallons that are worth half.

    Returns
    -------
    pandas.DataFrame
        Table ``rankings``, best first; how sure the ranks are is left blank, see
        :func:`vaultplan.ranking.stability.rank_stability`. A vault without a forecast or a decision
        is ranked as unknown: middling in water and grade, high in sensitivity.

    Raises
    ------
    SettingsError
        If all weights are zero, or judgements of them cannot be read.

    Notes
    -----
    ``score = 100 * sum(w_i v_i) / sum(w_i)``. Ties go to the earlier due day, then the order id.
    """
    weights = weights_of(settings).array
    status = work_orders["status"]
    orders = work_orders[status.isna() | status.eq("open")].reset_index(drop=True)
    water = forecasts.groupby("vault_id")[
        ["volume_gal_mean", "volume_gal_p10", "volume_gal_p90", *_CHANCES]
    ].mean()
    facts = orders.join(water, on="vault_id").join(_strictest(decisions), on="vault_id")
    known = facts["volume_gal_mean"].notna()
    facts["sensitivity"] = facts["sensitivity"].fillna("unknown")
    days_to_due = (facts["due_on"] - as_of).dt.total_seconds() / 86400.0
    values = pd.DataFrame(
        {
            "value_volume": volume_value(facts["volume_gal_mean"], settings.volume_gal_half),
            "value_contamination": contamination_value(
                facts["prob_dry"], facts["prob_light"], facts["prob_heavy"]
            ),
            "value_sensitivity": facts["sensitivity"].map(SENSITIVITY_VALUE).astype("float64"),
            "value_urgency": urgency_value(
                facts["priority"], days_to_due, settings.urgency_halving_days
            ),
        }
    )
    values[["value_volume", "value_contamination"]] = values[
        ["value_volume", "value_contamination"]
    ].where(known, 0.5)
    shares = values.to_numpy() * weights
    for place, aim in enumerate(AIMS):
        values[f"points_{aim}"] = (100.0 * shares[:, place]).round(6)
    values["score"] = (100.0 * shares.sum(axis=1)).round(6)
    values["mainly"] = np.asarray(AIMS, dtype=object)[shares.argmax(axis=1)]
    values["reason"] = _reasons(facts, days_to_due, known, shares)
    ranked = pd.concat([orders[["order_id", "vault_id", "due_on"]], values], axis=1)
    ranked = ranked.sort_values(
        ["score", "due_on", "order_id"], ascending=[False, True, True], kind="stable"
    ).reset_index(drop=True)
    ranked["rank"] = np.arange(1, len(ranked) + 1)
    return schema.table("rankings").conform(ranked)


_CHANCES: Final = ("prob_dry", "prob_clear", "prob_light", "prob_heavy")


def _strictest(decisions: pd.DataFrame) -> pd.Series[str]:
    """Return each vault's sensitivity; the one worth most where its days differ."""
    order = decisions["sensitivity"].map(SENSITIVITY_VALUE).fillna(SENSITIVITY_VALUE["unknown"])
    by_worth = decisions.assign(worth=order).sort_values(["vault_id", "worth"], kind="stable")
    strictest: pd.Series[str] = by_worth.groupby("vault_id")["sensitivity"].last()
    return strictest


def _reasons(
    facts: pd.DataFrame, days_to_due: pd.Series[float], known: pd.Series[bool], shares: Any
) -> list[str]:
    strongest = np.array(list(_STRONGEST.values()))[shares.argmax(axis=1)]
    columns = zip(
        strongest,
        known,
        facts["volume_gal_mean"],
        facts["volume_gal_p10"],
        facts["volume_gal_p90"],
        (1.0 - facts["prob_dry"]) * facts["prob_heavy"],
        (1.0 - facts["prob_dry"]) * facts["prob_light"],
        facts["sensitivity"],
        days_to_due,
        facts["priority"].astype(object).where(facts["priority"].notna(), None),
        strict=True,
    )
    return [_reason(*row) for row in columns]


def _reason(
    strongest: str,
    is_known: bool,
    mean: float,
    low: float,
    high: float,
    heavy: float,
    light: float,
    sensitivity: str,
    days: float,
    priority: int | None,
) -> str:
    if is_known:
        water = (
            f"expect {mean:,.0f} gal ({low:,.0f} to {high:,.0f}, mean of the week's days), "
            f"{heavy:.0%} heavy, {light:.0%} light"
        )
    else:
        water = "water unknown"
    below = _DOWNSTREAM[sensitivity]
    if math.isnan(days):
        due = "no due day"
    elif days < 0:
        due = f"{-days:.0f} d overdue"
    else:
        due = f"due in {days:.0f} d"
    rank = "no priority given" if priority is None else f"priority {priority}"
    return f"mainly {strongest}: {water}; {below}; {due}, {rank}"
