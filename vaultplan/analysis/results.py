"""Results beside the plan they came from: what was done and found otherwise than expected."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schema import GRADES, METHODS

Flags = npt.NDArray[np.bool_]

#: The dirtiest water that each method is meant for; common practice, no source.
MEANT_FOR: Final = dict(zip(METHODS, GRADES, strict=True))
_COLUMNS: Final = (
    *("visit_id", "vault_id", "order_id", "plan_id", "planned_method", "method", "grade"),
    *("volume_gal_p10", "volume_gal_p90", "volume_gal", "in_band", "differs"),
)


def against_plan(visits: pd.DataFrame, jobs: pd.DataFrame) -> pd.DataFrame:
    """Return how visits that name an order compare with what was planned for it.

    Parameters
    ----------
    visits
        visit_id, vault_id, order_id, finding, grade, disposal, volume_gal.
    jobs
        ``plan_jobs`` of one plan per order.

    Returns
    -------
    pandas.DataFrame
        A row per visit whose order was planned: ``visit_id``, ``vault_id``, ``order_id``,
        ``plan_id``, ``planned_method``, ``method`` (what was done; blank if nothing), ``grade``,
        the band of ``volume_gal`` expected and the gallons removed, ``in_band`` (blank where no
        gallons are known) and ``differs``: in words what is otherwise, blank if nothing.
    """
    planned = jobs[
        ["order_id", "plan_id", "vault_id", "method", "gate", "volume_gal_p10", "volume_gal_p90"]
    ].rename(columns={"method": "planned_method", "vault_id": "planned_vault"})
    told = visits.merge(planned, on="order_id")
    gallons, dry = told["volume_gal"], told["finding"].eq("dry").fillna(False)
    # Where nothing was removed there is nothing to hold a forecast to, unless it was dry. A dry
    # vault that gave water holds nothing up.
    gallons = gallons.mask(dry & gallons.isna(), 0.0).mask(dry & gallons.gt(0).fillna(False))
    told["volume_gal"] = gallons
    told["method"] = told["disposal"].where(told["disposal"].isin(METHODS))
    inside = gallons.between(told["volume_gal_p10"], told["volume_gal_p90"])
    told["in_band"] = inside.astype("boolean").mask(gallons.isna())
    told["differs"] = _in_words(told)
    return told[list(_COLUMNS)].reset_index(drop=True)


def _in_words(told: pd.DataFrame) -> pd.Series[str]:
    def yes(flags: pd.Series[Any]) -> Flags:
        return flags.fillna(False).to_numpy(bool)

    done = told["method"].notna()
    step = {grade: place for place, grade in enumerate(GRADES)}
    seen = told["grade"].map(step)
    meant = told["planned_method"].map(MEANT_FOR).map(step)
    discharged = told["method"].isin(["storm_drain", "filter_sock"])
    method_words = told["method"].str.replace("_", " ")
    which: list[tuple[Flags, pd.Series[str] | str]] = [
        (yes(told["vault_id"] != told["planned_vault"]), "another vault than the order's"),
        (yes(discharged & told["gate"].ne("go")), "discharged though it was held or referred"),
        (yes(told["finding"].eq("dry")), "dry"),
        (yes(done & (told["method"] != told["planned_method"])), "done: " + method_words),
        (yes(seen > meant), "dirtier than planned for: " + told["grade"]),
        (yes(seen < meant), "cleaner than planned for: " + told["grade"]),
        (yes(told["volume_gal"] > told["volume_gal_p90"]), "more water than expected"),
        (
            yes((told["volume_gal"] < told["volume_gal_p10"]) & told["finding"].ne("dry")),
            "less water than expected",
        ),
    ]
    words = np.full(len(told), "", dtype=object)
    for flags, said in which:
        own = np.asarray(said if isinstance(said, pd.Series) else [said] * len(told), dtype=object)
        for at in np.flatnonzero(flags):
            words[at] = f"{words[at]}; {own[at]}" if words[at] else own[at]
    return pd.Series(words, index=told.index, dtype="str")
