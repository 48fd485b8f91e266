"""All the ways a vault's water may take: whoever decides must go by the strictest of them."""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd

from vaultplan.discharge.reached import FLAGS
from vaultplan.discharge.sensitivity import STRICTNESS

#: Facts about how a way ends, with the words of ``traces.trace_status`` that make them true.
ENDS: Final = {
    "end_unknown": ("no_inlet", "no_outfall", "no_water", "loop"),
    "ends_in_sewer": ("sewer", "sewer_plant"),
    "ends_private": ("private",),
    "ends_in_ground": ("dry_well",),
    "ends_at_pump": ("pump_station",),
}


def ways_of(
    traces: pd.DataFrame, outfall_grades: pd.DataFrame, reached: pd.DataFrame | None
) -> pd.DataFrame:
    """Return the strictest of what any way of a vault's water may come to.

    Parameters
    ----------
    traces
        ``vault_id``, ``trace_status``, ``outfall_id`` and, where the second inlet or a split of
        the drain leads elsewhere, ``second_status``, ``second_outfall_id``, ``part_outfalls``
        and ``part_ends``.
    outfall_grades
        ``outfall_id``, ``sensitivity``.
    reached
        From :func:`vaultplan.discharge.reached.places_reached`; all blank if not given.

    Returns
    -------
    pandas.DataFrame
        ``vault_id``; the flags of ``ENDS``, blank where no trace says; ``parts_elsewhere``;
        ``sensitivity``, the strictest, unknown where no way reaches an outfall; the flags of
        ``reached.FLAGS``: true if any outfall's is, blank if one of them is not known;
        ``daily_cap_gal``, the lowest.
    """
    vaults = traces["vault_id"].to_numpy()
    main = traces["trace_status"]
    found: dict[str, Any] = {"vault_id": vaults}
    second, parts = _column(traces, "second_status"), _column(traces, "part_ends")
    for name, words in ENDS.items():
        hit = main.isin(words) | second.isin(words)
        for word in words:
            hit |= (";" + parts.fillna("") + ";").str.contains(f";{word};", regex=False)
        found[name] = pd.Series(hit.to_numpy(bool), dtype="boolean").mask(
            main.isna().to_numpy(bool)
        )
    outfalls = _outfalls(traces)
    first = traces["outfall_id"].to_numpy(dtype=object)[outfalls["row"].to_numpy()]
    other = outfalls["row"][(outfalls["outfall_id"].to_numpy(dtype=object) != first)]
    elsewhere = np.zeros(len(traces), dtype=bool)
    elsewhere[other.to_numpy()] = True
    found["parts_elsewhere"] = pd.Series(elsewhere, dtype="boolean")
    level = outfall_grades.set_index("outfall_id")["sensitivity"].map(STRICTNESS.index)
    strictest = outfalls["outfall_id"].map(level).groupby(outfalls["row"]).max()
    unknown = STRICTNESS.index("unknown")
    level_of = strictest.reindex(range(len(traces))).fillna(unknown).to_numpy(np.int64)
    found["sensitivity"] = np.asarray(STRICTNESS, dtype=object)[level_of]
    for name in FLAGS:
        found[name] = pd.Series([pd.NA] * len(traces), dtype="boolean")
    found["daily_cap_gal"] = np.full(len(traces), np.nan)
    if reached is not None:
        by = reached.set_index("outfall_id")
        for name in FLAGS:
            found[name] = _any(outfalls, by[name], len(traces))
        cap = outfalls["outfall_id"].map(by["daily_cap_gal"]).groupby(outfalls["row"]).min()
        found["daily_cap_gal"] = cap.reindex(range(len(traces))).to_numpy(float)
    return pd.DataFrame(found)


def _outfalls(traces: pd.DataFrame) -> pd.DataFrame:
    """Return every outfall that any way of a row's water reaches: row, outfall_id."""
    parts = _column(traces, "part_outfalls").reset_index(drop=True).dropna()
    pieces = parts.str.split(";").explode().str.rsplit("=", n=1).str[0]
    lists = [
        traces["outfall_id"].reset_index(drop=True).dropna(),
        _column(traces, "second_outfall_id").reset_index(drop=True).dropna(),
        pieces,
    ]
    joined = pd.concat([one.astype("str") for one in lists])
    return pd.DataFrame({"row": joined.index.to_numpy(np.int64), "outfall_id": joined.to_numpy()})


def _any(outfalls: pd.DataFrame, flags: pd.Series[Any], count: int) -> pd.Series[Any]:
    """Return true if any is, else blank if any is or there is none, else false."""
    value = outfalls["outfall_id"].map(flags).astype("boolean")
    is_true = np.zeros(count, dtype=bool)
    is_blank = np.ones(count, dtype=bool)
    rows = outfalls["row"].to_numpy()
    is_blank[rows] = False
    is_true[rows[value.fillna(False).to_numpy(bool)]] = True
    is_blank[rows[value.isna().to_numpy(bool)]] = True
    return pd.Series(is_true, dtype="boolean").mask(is_blank & ~is_true)


def _column(traces: pd.DataFrame, name: str) -> pd.Series[Any]:
    if name in traces:
        return traces[name]
    return pd.Series([None] * len(traces), index=traces.index, dtype="str")
