"""Laboratory results as they can be reckoned with: one unit each, below a limit or not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Final

import numpy as np
import pandas as pd

from vaultplan.analysis.nondetects import Floats, summarized
from vaultplan.analysis.removal import removals, typical_removal
from vaultplan.schema import Frames

#: Milligrams per litre that one of each unit is, as laboratories write them; water weighs 1 kg/L.
MG_PER_L: Final[Mapping[str, float]] = {
    **{"mg/l": 1.0, "ppm": 1.0, "mg/kg": 1.0, "ug/ml": 1.0},
    **{"ug/l": 1e-3, "ppb": 1e-3, "ug/kg": 1e-3, "mcg/l": 1e-3},
    **{"ng/l": 1e-6, "ppt": 1e-6, "g/l": 1e3},
}
#: WQX result detection conditions that say the result lies below a limit.
BELOW: Final = (
    "Not Detected",
    "Not Detected at Detection Limit",
    "Not Detected at Reporting Limit",
    "Below Reporting Limit",
    "Below Method Detection Limit",
    "Below Detection Limit",
    "Below System Detection Limit",
    "Present Below Quantification Limit",
    "Detected Not Quantified",
)
_TRIMMED: Final = {name.casefold(): name for name in BELOW}


def results_of(
    frames: Frames, holding_days: Mapping[str, float], time_zone: str = "UTC"
) -> pd.DataFrame:
    """Return every laboratory result with what it can be used for.

    Parameters
    ----------
    frames
        ``samples`` and ``visits``.
    holding_days
        Days within which each characteristic must be analyzed, by name.
    time_zone
        Zone of the local day on which a sample was taken.

    Returns
    -------
    pandas.DataFrame
        A row per sample: ``sample_id``, ``visit_id``, ``vault_id``, ``taken_at``, ``stage``,
        ``characteristic``, ``value`` (the limit where ``is_below``), ``is_below``, ``unit``,
        ``method_id``, ``analyzed_on``, ``held_too_long`` (blank where nobody says when it was
        analyzed or how long it may be held) and ``trouble``: why it is left out of every figure,
        blank if it is not.

    Notes
    -----
    All results of a characteristic are brought to the unit that most of them have. A unit that is
    not one of mass in water stays as it is, and results in another one are left out.
    """
    samples = frames["samples"]
    told = samples.merge(
        frames["visits"][["visit_id", "vault_id", "visited_at"]], on="visit_id", how="left"
    ).rename(columns={"visited_at": "taken_at"})
    stated = told["detection_condition"].str.strip().str.casefold()
    is_below = stated.isin(list(_TRIMMED)).fillna(False).to_numpy(bool)
    value = told["result_value"].to_numpy(float)
    limit = told["reporting_limit"].to_numpy(float)
    has_value, has_condition = ~np.isnan(value), stated.notna().to_numpy()
    number = np.where(is_below, limit, value)
    unit = told["result_unit"].str.strip()
    wanted = told["characteristic"].map(_usual(unit, told["characteristic"])).astype("str")
    factor = _factor(unit) / _factor(wanted)
    factor[(unit == wanted).fillna(False).to_numpy(bool)] = 1.0
    trouble = np.select(
        [
            has_value & has_condition,
            ~has_value & ~has_condition,
            has_condition & ~is_below,
            is_below & np.isnan(limit),
            is_below & ~(limit > 0),
            ~is_below & (value < 0),
            unit.isna().to_numpy(bool),
            np.isnan(factor),
        ],
        [
            "a value and a detection condition",
            "neither a value nor a detection condition",
            "its detection condition tells no limit that it is below",
            "below a limit that is not given",
            "below a limit that is not above 0",
            "a value below 0",
            "no unit",
            "its unit cannot be brought to that of the others",
        ],
        default="",
    )
    most = told["characteristic"].map(dict(holding_days)).astype("float64")
    taken_on = told["taken_at"].dt.tz_convert(time_zone).dt.tz_localize(None).dt.normalize()
    held = (told["analyzed_on"] - taken_on).dt.days
    too_long = (held > most).where(held.notna() & most.notna()).astype("boolean")
    return pd.DataFrame(
        {
            "sample_id": told["sample_id"],
            "visit_id": told["visit_id"],
            "vault_id": told["vault_id"],
            "taken_at": told["taken_at"],
            "stage": told["stage"],
            "characteristic": told["characteristic"],
            "value": number * factor,
            "is_below": is_below,
            "unit": wanted,
            "method_id": told["method_id"],
            "analyzed_on": told["analyzed_on"],
            "held_too_long": too_long,
            "trouble": pd.Series(trouble, index=told.index, dtype="str"),
        }
    )


def _usual(unit: pd.Series[str], kind: pd.Series[str]) -> dict[str, str]:
    """Return the unit that most results of each kind have."""
    counts = pd.DataFrame({"kind": kind, "unit": unit}).value_counts().reset_index()
    counts = counts.sort_values(["count", "unit"], ascending=[False, True])
    return dict(counts.drop_duplicates("kind")[["kind", "unit"]].itertuples(index=False))


def _factor(unit: pd.Series[str]) -> Floats:
    plain = unit.str.casefold().replace({"\u00b5": "u", "\u03bc": "u"}, regex=True)
    return np.asarray(plain.map(dict(MG_PER_L)), dtype=np.float64)


def usable(results: pd.DataFrame, *, with_held_too_long: bool = True) -> pd.DataFrame:
    """Return the results without trouble, and if asked without those that were held too long."""
    is_usable = results["trouble"].eq("")
    if not with_held_too_long:
        is_usable &= ~results["held_too_long"].fillna(False).astype(bool)
    return results[is_usable].reset_index(drop=True)


def characteristics(results: pd.DataFrame) -> pd.DataFrame:
    """Return what the usable results of each characteristic and stage come to.

    Columns: ``characteristic``, ``stage`` (blank where it is not stated), ``unit``, and those of
    :class:`vaultplan.analysis.nondetects.Summary`.
    """
    rows = []
    groups = results.groupby(["characteristic", "stage", "unit"], dropna=False, sort=True)
    for (name, stage, unit), mine in groups:
        found = summarized(mine["value"].to_numpy(float), mine["is_below"].to_numpy(bool))
        rows.append({"characteristic": name, "stage": stage, "unit": unit, **asdict(found)})
    columns = ["characteristic", "stage", "unit", *_SUMMARY]
    return pd.DataFrame(rows, columns=columns)


def pairs_of(results: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the share removed of every pair of results, and what it comes to.

    Of several results of one kind at one visit and stage the first by id counts. The second table
    has ``characteristic``, ``unit`` and what
    :func:`vaultplan.analysis.removal.typical_removal` returns.
    """
    key = ["visit_id", "characteristic", "unit", "stage"]
    first = results.sort_values("sample_id").drop_duplicates(key)
    pairs = removals(first[first["unit"].notna()])
    rows = [
        {"characteristic": name, "unit": unit, **typical_removal(mine)}
        for (name, unit), mine in pairs.groupby(["characteristic", "unit"], sort=True)
    ]
    return pairs, pd.DataFrame(rows, columns=["characteristic", "unit", *_REMOVAL])


_SUMMARY: Final = tuple(asdict(summarized(np.empty(0), np.empty(0, dtype=bool))))
_REMOVAL: Final = tuple(
    typical_removal(
        pd.DataFrame(
            {
                name: pd.Series(dtype=float)
                for name in (
                    *("raw", "filtered", "raw_is_below", "filtered_is_below"),
                    *("tells", "least_frac", "most_frac"),
                )
            }
        )
    )
)
