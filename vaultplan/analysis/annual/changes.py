"""What changed between two runs of a year's report, visit by visit and line by line."""

from __future__ import annotations

from typing import Final

import pandas as pd

from vaultplan.analysis.annual.lines import SUMS

#: So many visits that moved a line are named.
_NAMED: Final = 12


def changed_visits(before: pd.DataFrame, after: pd.DataFrame) -> pd.DataFrame:
    """Return every cell of the drill-down file that changed.

    Parameters
    ----------
    before, after
        Both files as text, a row per visit; columns that one of them lacks are passed over.

    Returns
    -------
    pandas.DataFrame
        visit_id, vault_id, column, before, after; a visit that came or went has one row, with
        column ``visit`` and the words came in, or went out.
    """
    names = ["visit_id", "vault_id", "column", "before", "after"]
    old, new = before.set_index("visit_id"), after.set_index("visit_id")
    parts = []
    for ids, frame, column in (
        (new.index.difference(old.index), new, "after"),
        (old.index.difference(new.index), old, "before"),
    ):
        told = pd.DataFrame({"visit_id": ids, "vault_id": frame.loc[ids, "vault_id"].to_numpy()})
        other = "before" if column == "after" else "after"
        words = "came in" if column == "after" else "went out"
        parts.append(told.assign(column="visit", **{column: words, other: ""}))
    both = new.index.intersection(old.index)
    old, new = old.loc[both], new.loc[both]
    for column in (name for name in new.columns if name in old.columns):
        differs = (old[column] != new[column]).to_numpy()
        if differs.any():
            parts.append(
                pd.DataFrame(
                    {
                        "visit_id": both[differs],
                        "vault_id": new["vault_id"].to_numpy()[differs],
                        "column": column,
                        "before": old[column].to_numpy()[differs],
                        "after": new[column].to_numpy()[differs],
                    }
                )
            )
    told = pd.concat([part[names] for part in parts], ignore_index=True)
    return told.sort_values(["visit_id", "column"], kind="stable", ignore_index=True)


def changed_lines(
    before: pd.DataFrame,
    after: pd.DataFrame,
    visits: pd.DataFrame,
    keys_before: pd.DataFrame,
    keys_after: pd.DataFrame,
) -> pd.DataFrame:
    """Return every line of the report that changed, with the visits that moved it.

    Parameters
    ----------
    before, after
        Lines of both runs: breakdown, key and every sum.
    visits
        From :func:`changed_visits`.
    keys_before, keys_after
        From :func:`vaultplan.analysis.annual.rows.line_keys`, of both runs.

    Returns
    -------
    pandas.DataFrame
        breakdown, key, then each sum that changed in a row of its own: sum, before, after, and
        ``visits``, ids of changed visits that are in the line now or were before, the first few.
    """
    index = ["breakdown", "key"]
    old, new = before.set_index(index), after.set_index(index)
    every = new.index.union(old.index, sort=False)
    old, new = old.reindex(every, fill_value=0), new.reindex(every, fill_value=0)
    ids = visits["visit_id"].unique()
    mine = [keys[keys["visit_id"].isin(ids)] for keys in (keys_before, keys_after)]
    rows = []
    for column in SUMS:
        for breakdown, key in every[(old[column] != new[column]).to_numpy()]:
            at = (breakdown, key)
            movers = sorted(
                {visit for keys in mine for visit in keys.loc[keys[breakdown].eq(key), "visit_id"]}
            )
            named = ", ".join(movers[:_NAMED])
            more = f" and {len(movers) - _NAMED:,} more" if len(movers) > _NAMED else ""
            rows.append(
                (breakdown, key, column, int(old.loc[at, column]), int(new.loc[at, column]),
                 named + more)
            )  # fmt: skip
    order = {breakdown: place for place, breakdown in enumerate(dict.fromkeys(after["breakdown"]))}
    names = ["breakdown", "key", "sum", "before", "after", "visits"]
    told = pd.DataFrame(rows, columns=names)
    return told.sort_values(
        ["breakdown", "key", "sum"],
        key=lambda part: part.map(order) if part.name == "breakdown" else part,
        ignore_index=True,
    )
