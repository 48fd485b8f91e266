"""Decisions that the environmental specialist lowers, with who, why and until when."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.errors import SchemaError
from vaultplan.schema import GATES, METHODS

_LADDERS = {"method": METHODS, "gate": GATES}


def apply_overrides(
    decisions: pd.DataFrame,
    overrides: pd.DataFrame,
    *,
    as_of: date,
    ladder: Literal["method", "gate"],
    specialists: Collection[str] = (),
) -> pd.DataFrame:
    """Return the decisions with one ladder lowered where an override holds, and said so.

    Parameters
    ----------
    decisions
        vault_id, on, reason and the ladder's column.
    overrides
        Table ``overrides``. One holds from ``made_on`` to ``expires_on``, both days included, if it
        was made by ``as_of``. Of several, the one made last holds, then the last id.
    as_of
        Last day whose overrides are known.
    ladder
        Which ladder to lower; an override that would raise it changes nothing.
    specialists
        Whose overrides count; anyone's if none is named. What others signed changes nothing, not
        even an earlier override by a specialist, and the reason says so.

    Raises
    ------
    SchemaError
        If an override lacks who or why, or its step is not one of its ladder.
    """
    _check(overrides)
    known = pd.Timestamp(as_of).normalize()
    ours = overrides[(overrides["ladder"] == ladder) & (overrides["made_on"] <= known)]
    if len(ours) == 0 or len(decisions) == 0:
        return decisions
    place = np.flatnonzero(decisions["vault_id"].isin(ours["vault_id"].unique()))
    all_pairs = (
        decisions[["vault_id", "on"]]
        .iloc[place]
        .assign(row=place)
        .merge(ours, on="vault_id")
        .query("made_on <= on <= expires_on")
        .sort_values(["row", "made_on", "override_id"])
    )
    may = all_pairs["who"].isin(list(specialists)) | (not specialists)
    lowered = decisions[ladder].to_numpy(dtype=object).copy()
    pairs = _that_lower(all_pairs[may], lowered, ladder)
    row = pairs["row"].to_numpy()
    reason = decisions["reason"].to_numpy(dtype=object).copy()
    said = (
        f" {ladder.capitalize()} lowered from "
        + pd.Series(lowered[row], index=pairs.index, dtype="str")
        + " to "
        + pairs["step"]
        + " by "
        + pairs["who"]
        + " until "
        + pairs["expires_on"].dt.strftime("%Y-%m-%d")
        + ": "
        + pairs["why"]
        + "."
    )
    reason[row] = reason[row] + said.to_numpy(dtype=object)
    lowered[row] = pairs["step"].to_numpy(dtype=object)
    barred = _that_lower(all_pairs[~may], lowered, ladder)
    barred_row = barred["row"].to_numpy()
    refused = f" {ladder.capitalize()} not lowered: " + barred["who"]
    refused += " is no specialist on the list."
    reason[barred_row] = reason[barred_row] + refused.to_numpy(dtype=object)
    return decisions.assign(**{ladder: lowered, "reason": reason})


def _that_lower(pairs: pd.DataFrame, steps_now: npt.NDArray[Any], ladder: str) -> pd.DataFrame:
    """Return the last of each row's overrides, where its step is below the one that stands."""
    last = pairs.drop_duplicates("row", keep="last")
    steps = _LADDERS[ladder]
    now = pd.Series(steps_now[last["row"].to_numpy()], last.index).map(steps.index)
    return last[(last["step"].map(steps.index) < now).to_numpy(bool)]


def _check(overrides: pd.DataFrame) -> None:
    step_fits = pd.Series(False, index=overrides.index)
    for ladder, steps in _LADDERS.items():
        step_fits |= (overrides["ladder"] == ladder) & overrides["step"].isin(steps)
    signed = overrides["who"].fillna("").str.strip() != ""
    signed &= overrides["why"].fillna("").str.strip() != ""
    bad = overrides.loc[~(step_fits & signed), "override_id"]
    if len(bad):
        ids = ", ".join(bad.astype(str).head(20))
        raise SchemaError(
            f"overrides {ids} lack who or why, or name a step that is not on their ladder; "
            "mend them in the table overrides"
        )
