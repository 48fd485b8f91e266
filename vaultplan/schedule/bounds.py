"""What bounds a job besides days and hours: waste, outfall caps, and what a planner asked for."""

from __future__ import annotations

from typing import Any, Final

import pandas as pd

from vaultplan.schema import Frames, table

#: Rules that tell of a waste profile, the most careful first; the names are those of the defaults.
_WASTE_OF_RULES: Final = {
    "pcb": ("oil_and_pcb",),
    "oily": ("sheen_last_time",),
    "unknown": (
        "pcb_possible",
        "grade_unknown",
        "odd_not_noted",
        "odd_color",
        "odd_odor",
        "ph_low",
        "ph_high",
    ),
}


def what_bounds(
    orders: pd.DataFrame, rules_fired: pd.Series[Any], frames: Frames
) -> dict[str, pd.Series[Any]]:
    """Return columns of ``plan_jobs`` for orders, row by row.

    Parameters
    ----------
    orders
        ``order_id`` and ``vault_id`` of the jobs.
    rules_fired
        The discharge rules that apply to each.
    frames
        ``traces``, ``outfalls``, ``plan_edits``; each may be missing.

    Returns
    -------
    dict
        ``waste_profile``, ``outfall_id``, ``daily_cap_gal``, ``kept_to``, ``barred_from`` and
        ``place``, each indexed as ``orders``.

    Notes
    -----
    What the rules say decides how a load is kept apart: oil seen where PCB is not ruled out is
    ``pcb``; a sheen seen last time ``oily``; PCB not ruled out, water nobody graded or of an odd
    look ``unknown``; all else ``sediment``. It is for planning loads, not a waste determination.
    """
    found = {"waste_profile": _waste(rules_fired)}
    traces, outfalls = _frame(frames, "traces"), _frame(frames, "outfalls")
    outfall = orders["vault_id"].map(_once(traces, "vault_id", "outfall_id"))
    found["outfall_id"] = outfall.astype("str")
    found["daily_cap_gal"] = outfall.map(_once(outfalls, "outfall_id", "daily_cap_gal"))
    return found | what_was_asked(orders["order_id"], _frame(frames, "plan_edits"))


def _waste(rules_fired: pd.Series[Any]) -> pd.Series[Any]:
    told = ";" + rules_fired.fillna("").astype("str") + ";"
    waste = pd.Series("sediment", rules_fired.index, dtype="str")
    for profile, rules in reversed(_WASTE_OF_RULES.items()):
        for rule in rules:
            waste = waste.mask(told.str.contains(f";{rule};", regex=False), profile)
    return waste


def what_was_asked(order_id: pd.Series[Any], edits: pd.DataFrame) -> dict[str, pd.Series[Any]]:
    """Return ``kept_to``, ``barred_from`` and ``place`` of orders, from table ``plan_edits``."""
    truck = edits["truck_id"].fillna("*").astype("str")
    day = edits["on"].dt.strftime("%Y-%m-%d").fillna("*").astype("str")
    slots = edits.assign(slot=truck + "@" + day).sort_values("edit_id")
    found: dict[str, pd.Series[Any]] = {}
    for column, asks in (("kept_to", "keep"), ("barred_from", "bar")):
        asked = slots[slots["asks"] == asks]
        joined = asked.groupby("order_id")["slot"].agg(";".join)
        found[column] = order_id.map(joined).astype("str")
    placed = slots.dropna(subset=["place"]).drop_duplicates("order_id", keep="last")
    found["place"] = order_id.map(placed.set_index("order_id")["place"]).astype("Int64")
    return found


def _once(frame: pd.DataFrame, key: str, value: str) -> pd.Series[Any]:
    known: pd.Series[Any] = frame.drop_duplicates(key).set_index(key)[value]
    return known


def _frame(frames: Frames, name: str) -> pd.DataFrame:
    return frames[name] if name in frames else table(name).empty()
