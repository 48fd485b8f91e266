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


#: By its path, by a part that splits off it, or by the second inlet.
WAYS: Final = ("main", "split", "second")


def ways_out(traces: pd.DataFrame) -> pd.DataFrame:
    """Return every outfall that a vault's water may reach, and how.

    Parameters
    ----------
    traces
        Table ``traces``, or its columns vault_id and outfall_id and those of main_share,
        part_outfalls, second_outfall_id and second_parts that there are.

    Returns
    -------
    pandas.DataFrame
        row (place in the traces), vault_id, outfall_id, way (main, split or second) and share: a
        blank share counts as the whole, and so does a second inlet, which takes all of it or
        nothing; what splits off behind a second inlet has its share.

    >>> paths = {"vault_id": ["v"], "outfall_id": ["A"], "main_share": [0.7]}
    >>> paths |= {"part_outfalls": ["B=0.2;C=0.1"], "second_outfall_id": ["A"]}
    >>> ways_out(pd.DataFrame(paths))[["outfall_id", "way", "share"]].values.tolist()
    [['A', 'main', 0.7], ['B', 'split', 0.2], ['C', 'split', 0.1]]
    """
    lists = [
        _one(traces["outfall_id"], _column(traces, "main_share"), "main"),
        _several(_column(traces, "part_outfalls"), "split"),
        _one(_column(traces, "second_outfall_id"), None, "second"),
        _several(_column(traces, "second_parts"), "second"),
    ]
    found = pd.concat([part for part in lists if len(part)] or lists[:1], ignore_index=True)
    # What the main way reaches is not told again for a second inlet.
    first = traces["outfall_id"].to_numpy(dtype=object)[found["row"].to_numpy()]
    again = (found["way"] == "second") & (found["outfall_id"].to_numpy(dtype=object) == first)
    found = found[~again].reset_index(drop=True)
    vault = traces["vault_id"].to_numpy(dtype=object)[found["row"].to_numpy()]
    listed: pd.DataFrame = found.assign(vault_id=pd.Series(vault, dtype="str"))
    return listed[["row", "vault_id", "outfall_id", "way", "share"]]


def _one(outfall: pd.Series[Any], share: pd.Series[Any] | None, way: str) -> pd.DataFrame:
    known = np.flatnonzero(outfall.notna().to_numpy(bool))
    part = 1.0 if share is None else pd.to_numeric(share).to_numpy(float)[known]
    return _listed(known, outfall.to_numpy(dtype=object)[known], part, way)


def _several(words: pd.Series[Any], way: str) -> pd.DataFrame:
    pieces = words.reset_index(drop=True).dropna().str.split(";").explode().str.rsplit("=", n=1)
    pieces = pieces[pieces.str[0].fillna("") != ""]
    share = pd.to_numeric(pieces.str[1], errors="coerce").to_numpy(float)
    return _listed(pieces.index.to_numpy(np.int64), pieces.str[0].to_numpy(object), share, way)


def _listed(row: Any, outfall: Any, share: Any, way: str) -> pd.DataFrame:
    found = pd.DataFrame({"row": row, "outfall_id": pd.Series(outfall, dtype="str"), "way": way})
    found["share"] = np.clip(np.nan_to_num(np.broadcast_to(share, len(row)), nan=1.0), 0.0, 1.0)
    return found


def ways_of(
    traces: pd.DataFrame, outfall_grades: pd.DataFrame, reached: pd.DataFrame | None
) -> pd.DataFrame:
    """Return the strictest of what any way of a vault's water may come to.

    Parameters
    ----------
    traces
        ``vault_id``, ``trace_status``, ``outfall_id`` and, where the second inlet or a split of
        the drain leads elsewhere, ``second_status``, ``second_outfall_id``, ``second_parts``,
        ``second_part_ends``, ``part_outfalls`` and ``part_ends``.
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
    second = _column(traces, "second_status")
    parts = [_column(traces, name).fillna("") for name in ("part_ends", "second_part_ends")]
    listed = ";" + parts[0] + ";" + parts[1] + ";"
    for name, words in ENDS.items():
        hit = main.isin(words) | second.isin(words)
        for word in words:
            hit |= listed.str.contains(f";{word};", regex=False)
        found[name] = pd.Series(hit.to_numpy(bool), dtype="boolean").mask(
            main.isna().to_numpy(bool)
        )
    outfalls = ways_out(traces)
    first = traces["outfall_id"].to_numpy(dtype=object)[outfalls["row"].to_numpy()]
    other = outfalls["row"][(outfalls["outfall_id"].to_numpy(dtype=object) != first)]
    elsewhere = np.zeros(len(traces), dtype=bool)
    elsewhere[other.to_numpy()] = True
    found["parts_elsewhere"] = pd.Series(elsewhere, dtype="boolean")
    level = outfall_grades.set_index("outfall_id")["sensitivity"].map(STRICTNESS.index)
    strictest = outfalls["outfall_id"].map(level).astype("float64").groupby(outfalls["row"]).max()
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


def feet_to_sensitive(
    traces: pd.DataFrame, careful: frozenset[str], ways: pd.DataFrame
) -> pd.Series[float]:
    """Return the feet of flow from each lid to the first water that asks for care.

    Parameters
    ----------
    traces
        ``length_ft`` and ``waters_ft`` of table ``traces``.
    careful
        Waters that are high or protected by themselves.
    ways
        From :func:`ways_of`, row by row as ``traces``: an outfall near a sensitive area counts as
        in it, and where the water may take another way the feet are not known.

    Returns
    -------
    pandas.Series
        Feet; blank where they are not known or no such water is passed.
    """
    told = traces["waters_ft"].reset_index(drop=True)
    pieces = pd.Series(told.dropna().unique()).str.split(";").explode().str.rsplit("=", n=1)
    hit = pieces[pieces.str[0].isin(careful)]
    least = hit.str[1].astype("float64").groupby(level=0).min()
    words = pd.Series(told.dropna().unique())
    beyond = told.map(dict(zip(words[least.index], least, strict=True))).astype("float64")
    beyond = beyond.mask(ways["near_sensitive"].fillna(False).to_numpy(bool), 0.0)
    feet: pd.Series[float] = beyond + traces["length_ft"].to_numpy(dtype=float, na_value=np.nan)
    return feet.mask(ways["parts_elsewhere"].fillna(True).to_numpy(bool))


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
