"""How the water of each vault last looked."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

IntArray = npt.NDArray[np.int64]


def water_history(
    visits: pd.DataFrame, vault_ids: pd.Series[Any], *, known_until: pd.Timestamp
) -> pd.DataFrame:
    """Return what the latest visits say about the look of each vault's water.

    Parameters
    ----------
    visits
        visit_id, vault_id, visited_at, grade, has_sheen; in any order.
    vault_ids
        Vaults asked about; visits to others are passed over.
    known_until
        Visits at or after this moment are not looked at.

    Returns
    -------
    pandas.DataFrame
        A row per vault asked about whose water was ever looked at: vault_id, last_grade,
        last_graded_at, heavy_in_a_row (latest grades in a row that were heavy), last_has_sheen (at
        the latest visit that noted a grade or a sheen; blank if that visit did not note the sheen).
    """
    asked = pd.Index(vault_ids.dropna().unique())
    codes, named = pd.factorize(visits["vault_id"])
    place = np.append(asked.get_indexer(pd.Index(named)), -1)[codes]
    noted = (visits["grade"].notna() | visits["has_sheen"].notna()).to_numpy()
    known = (visits["visited_at"] < known_until).to_numpy()
    rows = np.flatnonzero(noted & known & (place >= 0))
    rows = rows[_in_order(visits, rows, place[rows])]
    _, last = _runs(place[rows])
    history = pd.DataFrame(
        {
            "vault_id": asked[place[rows[last]]],
            "last_has_sheen": visits["has_sheen"].array[rows[last]],
        }
    )
    graded = rows[visits["grade"].notna().to_numpy()[rows]]
    first, last = _runs(place[graded])
    newest = graded[last]
    heavy = (visits["grade"] == "heavy").to_numpy(dtype=bool)[graded]
    latest_other = np.where(heavy, -1, np.arange(len(graded)))
    if len(first):
        latest_other = np.maximum.reduceat(latest_other, first)
    of_grades = pd.DataFrame(
        {
            "vault_id": asked[place[newest]],
            "last_grade": visits["grade"].array[newest],
            "last_graded_at": visits["visited_at"].array[newest],
            "heavy_in_a_row": (last - np.maximum(latest_other, first - 1)).astype(np.float64),
        }
    )
    return history.merge(of_grades, "left", "vault_id")


def _in_order(visits: pd.DataFrame, rows: IntArray, place: IntArray) -> IntArray:
    """Return the order of the rows by vault, then time, then visit id where those are equal."""
    moment = visits["visited_at"].array[rows].asi8
    order = np.lexsort((moment, place))
    same = (np.diff(place[order]) == 0) & (np.diff(moment[order]) == 0)
    if not same.any():
        return order
    tied = np.zeros(len(rows), dtype=bool)
    tied[order[:-1][same]] = True
    tied[order[1:][same]] = True
    rank = np.zeros(len(rows), dtype=np.int64)
    rank[tied] = pd.factorize(visits["visit_id"].iloc[rows[tied]], sort=True)[0]
    return np.lexsort((rank, moment, place))


def _runs(place: IntArray) -> tuple[IntArray, IntArray]:
    """Return the first and the last position of each run of equal values."""
    if len(place) == 0:
        return np.empty(0, dtype=np.int64), np.empty(0, dtype=np.int64)
    breaks = np.flatnonzero(np.diff(place) != 0)
    return np.append(0, breaks + 1), np.append(breaks, len(place) - 1)
