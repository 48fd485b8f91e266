"""How the water of each vault last looked."""

from __future__ import annotations

import numpy as np
import pandas as pd


def water_history(visits: pd.DataFrame, *, known_until: pd.Timestamp) -> pd.DataFrame:
    """Return what the latest visits say about the look of each vault's water.

    Parameters
    ----------
    visits
        visit_id, vault_id, visited_at, grade, has_sheen; in any order.
    known_until
        Visits at or after this moment are not looked at.

    Returns
    -------
    pandas.DataFrame
        A row per vault whose water was ever looked at: vault_id, last_grade, last_graded_at,
        heavy_in_a_row (latest grades in a row that were heavy), last_has_sheen (at the latest visit
        that noted a grade or a sheen; blank if that visit did not note the sheen).
    """
    noted = visits["grade"].notna() | visits["has_sheen"].notna()
    seen = visits.loc[
        noted & (visits["visited_at"] < known_until),
        ["visit_id", "vault_id", "visited_at", "grade", "has_sheen"],
    ]
    seen = seen.sort_values(["vault_id", "visited_at", "visit_id"], ignore_index=True)
    latest = seen.drop_duplicates("vault_id", keep="last")
    history = pd.DataFrame({"vault_id": latest["vault_id"], "last_has_sheen": latest["has_sheen"]})
    graded = seen[seen["grade"].notna()].reset_index(drop=True)
    back = graded.groupby("vault_id", sort=False).cumcount(ascending=False)
    newest = graded[back == 0]
    count = graded.groupby("vault_id", sort=False).size()
    since = back[graded["grade"] != "heavy"].groupby(graded["vault_id"], sort=False).min()
    in_a_row = since.reindex(count.index).fillna(count)
    of_grades = pd.DataFrame(
        {
            "vault_id": newest["vault_id"],
            "last_grade": newest["grade"],
            "last_graded_at": newest["visited_at"],
            "heavy_in_a_row": newest["vault_id"].map(in_a_row).astype(np.float64),
        }
    )
    return history.merge(of_grades, "left", "vault_id")
