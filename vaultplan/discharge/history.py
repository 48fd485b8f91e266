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
        last_graded_at, heavy_in_a_row and bad_in_a_row (latest grades in a row that were heavy, and
        that were light or heavy), last_has_sheen (at
        the latest visit that noted a grade or a sheen; blank if that visit did not note the sheen).
    """
    asked, place = _places(visits, vault_ids)
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
    grade = visits["grade"].array[graded]

    def in_a_row(*grades: str) -> npt.NDArray[np.float64]:
        """Return how many of each vault's latest gradings in a row gave one of these grades."""
        latest_other = np.where(pd.Series(grade).isin(grades), -1, np.arange(len(graded)))
        if len(first):
            latest_other = np.maximum.reduceat(latest_other, first)
        return (last - np.maximum(latest_other, first - 1)).astype(np.float64)

    of_grades = pd.DataFrame(
        {
            "vault_id": asked[place[newest]],
            "last_grade": visits["grade"].array[newest],
            "last_graded_at": visits["visited_at"].array[newest],
            "heavy_in_a_row": in_a_row("heavy"),
            "bad_in_a_row": in_a_row("light", "heavy"),
        }
    )
    return history.merge(of_grades, "left", "vault_id")


def odd_water(
    visits: pd.DataFrame, vault_ids: pd.Series[Any], *, known_until: pd.Timestamp
) -> pd.DataFrame:
    """Return what the latest look at each vault's water noted of odd signs.

    Parameters
    ----------
    visits
        visit_id, vault_id, visited_at, grade, has_sheen, odor, color, has_foam, ph; the last four
        may be missing.
    vault_ids, known_until
        As in :func:`water_history`.

    Returns
    -------
    pandas.DataFrame
        A row per vault asked about whose water was ever looked at: vault_id; last_odd_odor and
        last_odd_color (true unless the word noted is "none"), last_has_foam: at the latest visit
        that noted a grade or any of them, blank if that visit did not note it; and last_ph, the
        last one measured, blank if none ever was.
    """
    asked, place = _places(visits, vault_ids)
    known = (visits["visited_at"] < known_until).to_numpy() & (place >= 0)
    told = visits.reindex(columns=[*visits.columns.union(["odor", "color", "has_foam", "ph"])])
    noted = told[["grade", "has_sheen", "odor", "color", "has_foam"]].notna().any(axis=1)
    rows = np.flatnonzero(noted.to_numpy() & known)
    rows = rows[_in_order(visits, rows, place[rows])]
    last = rows[_runs(place[rows])[1]]
    found = pd.DataFrame({"vault_id": asked[place[last]]})
    for column in ("odor", "color"):
        words = told[column].iloc[last].astype("str").reset_index(drop=True)
        odd = (words.str.strip().str.lower() != "none").astype("boolean")
        found[f"last_odd_{column}"] = odd.mask(words.isna())
    found["last_has_foam"] = told["has_foam"].iloc[last].astype("boolean").array
    rows = np.flatnonzero(told["ph"].notna().to_numpy() & known)
    rows = rows[_in_order(visits, rows, place[rows])]
    last = rows[_runs(place[rows])[1]]
    measured = pd.Series(told["ph"].iloc[last].to_numpy(dtype=float), asked[place[last]])
    found["last_ph"] = found["vault_id"].map(measured)
    return found


def _places(visits: pd.DataFrame, vault_ids: pd.Series[Any]) -> tuple[pd.Index[Any], IntArray]:
    """Return the vaults asked about, and each visit's place among them, -1 for others."""
    asked = pd.Index(vault_ids.dropna().unique())
    codes, named = pd.factorize(visits["vault_id"])
    place = np.append(asked.get_indexer(pd.Index(named)), -1)[codes].astype(np.int64)
    return asked, place


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
