"""Rules of the trade that loaded rows should keep, each with its words and its remedy."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, TypeAlias

import pandas as pd

from vaultplan.schema import Frames

Mask: TypeAlias = "pd.Series[Any]"


class Rule(NamedTuple):
    """One rule: ``find`` returns which rows of ``table`` break it."""

    table: str
    column: str
    finding: str
    remedy: str
    find: Callable[[Frames], Mask]


def _nowhere(frame: pd.DataFrame) -> Mask:
    return pd.Series(data=False, index=frame.index)


def _column(frames: Frames, name: str, column: str) -> Mask:
    """Return a column of a table, or an empty one if there is no such table."""
    frame = frames.get(name)
    return pd.Series([], dtype="str") if frame is None else frame[column]


def _has(frames: Frames, *names: str) -> bool:
    return all(name in frames and not frames[name].empty for name in names)


def _unmeasured(frames: Frames) -> Mask:
    vaults = frames["vaults"]
    narrow = vaults["width_ft"].isna() & (vaults["shape"] != "round").fillna(value=True)
    return vaults["depth_ft"].isna() | vaults["length_ft"].isna() | narrow


def _never_visited(frames: Frames) -> Mask:
    vaults = frames["vaults"]
    return ~vaults["vault_id"].isin(_column(frames, "visits", "vault_id"))


def _dry_with_water(frames: Frames) -> Mask:
    visits = frames["visits"]
    wet = (visits["volume_gal"] > 0) | (visits["depth_in"] > 0)
    return (visits["finding"] == "dry").fillna(value=False) & wet


def _left_more(frames: Frames) -> Mask:
    visits = frames["visits"]
    return visits["left_depth_in"] > visits["depth_in"]


def _ungraded(frames: Frames) -> Mask:
    visits = frames["visits"]
    pumped = (visits["volume_gal"] > 0) | visits["finding"].isin(["wet", "full"])
    return pumped & visits["grade"].isna()


def _deeper_than_vault(frames: Frames) -> Mask:
    visits = frames["visits"]
    if not _has(frames, "vaults"):
        return _nowhere(visits)
    vaults = frames["vaults"].drop_duplicates("vault_id").set_index("vault_id")
    depth_in = visits["vault_id"].map(vaults["depth_ft"]) * 12.0
    return visits["depth_in"] > depth_in + 1.0


def _same_moment(frames: Frames) -> Mask:
    return frames["visits"].duplicated(["vault_id", "visited_at"], keep=False)


def _result_or_condition(frames: Frames) -> Mask:
    samples = frames["samples"]
    return samples["result_value"].isna() == samples["detection_condition"].isna()


def _gauge_without_rain(frames: Frames) -> Mask:
    gauges = frames["gauges"]
    return ~gauges["gauge_id"].isin(_column(frames, "rainfall", "gauge_id"))


def _node_off_network(frames: Frames, name: str) -> Mask:
    nodes = frames[name]["node_id"]
    if not _has(frames, "drain_pipes"):
        return _nowhere(frames[name])
    pipes = frames["drain_pipes"]
    ends = _column(frames, "outfalls", "node_id")
    known = nodes.isin(pipes["from_node"]) | nodes.isin(pipes["to_node"])
    return ~(known | nodes.isin(ends)) if name == "inlets" else ~known


def _pipe_to_nowhere(frames: Frames) -> Mask:
    pipes = frames["drain_pipes"]
    goes_on = pipes["to_node"].isin(pipes["from_node"])
    return ~goes_on & ~pipes["to_node"].isin(_column(frames, "outfalls", "node_id"))


def _pipe_in_ring(frames: Frames) -> Mask:
    pipes = frames["drain_pipes"]
    return pipes["from_node"] == pipes["to_node"]


def _order_of_idle_vault(frames: Frames) -> Mask:
    orders = frames["work_orders"]
    if not _has(frames, "vaults"):
        return _nowhere(orders)
    vaults = frames["vaults"]
    idle = vaults.loc[vaults["status"].isin(["retired", "other_owner"]), "vault_id"]
    return orders["vault_id"].isin(idle) & (orders["status"] == "open").fillna(value=False)


def _skill_nobody_has(frames: Frames) -> Mask:
    orders = frames["work_orders"]
    if not _has(frames, "trucks"):
        return _nowhere(orders)
    skills = frames["trucks"]["skills"].dropna().str.split(";").explode().unique()
    return orders["skill"].notna() & ~orders["skill"].isin(skills)


def _after(name: str, first: str, last: str) -> Callable[[Frames], Mask]:
    def find(frames: Frames) -> Mask:
        frame = frames[name]
        return (frame[first] > frame[last]).fillna(value=False)

    return find


def _of_kind(frames: Frames, kind: str, column: str) -> Mask:
    trucks = frames["trucks"]
    return (trucks["kind"] == kind).fillna(value=False) & trucks[column].isna()


RULES = (
    Rule("vaults", "depth_ft", "no full set of inside dimensions",
         "measure them: the forecast falls back on the class's usual size", _unmeasured),
    Rule("vaults", "vault_id", "never visited",
         "nothing to mend; its forecast rests on vaults like it", _never_visited),
    Rule("visits", "finding", "found dry, yet depth or volume is given",
         "correct the finding or the number", _dry_with_water),
    Rule("visits", "left_depth_in", "more water left than found", "swap or correct the two",
         _left_more),
    Rule("visits", "depth_in", "deeper than the vault",
         "check the unit of the depth and the vault's own depth", _deeper_than_vault),
    Rule("visits", "grade", "water, but no grade",
         "enter the bailer's grade if it was seen; blank counts as unknown", _ungraded),
    Rule("visits", "visited_at", "another visit to the vault at the same moment",
         "delete the double entry, or correct its time", _same_moment),
    Rule("samples", "result_value", "a result and a detection condition, or neither",
         "give exactly one of the two", _result_or_condition),
    Rule("gauges", "gauge_id", "no rainfall", "load its rainfall", _gauge_without_rain),
    Rule("inlets", "node_id", "on no pipe and at no outfall",
         "correct the node, or load the missing pipe", lambda f: _node_off_network(f, "inlets")),
    Rule("outfalls", "node_id", "no pipe leads there",
         "correct the node, or load the missing pipe", lambda f: _node_off_network(f, "outfalls")),
    Rule("drain_pipes", "to_node", "ends where no pipe goes on and no outfall is",
         "correct its direction, or load what follows", _pipe_to_nowhere),
    Rule("drain_pipes", "to_node", "ends where it begins", "correct one of its nodes",
         _pipe_in_ring),
    Rule("work_orders", "vault_id", "open order at a vault retired or of another owner",
         "cancel the order, or correct the vault's status", _order_of_idle_vault),
    Rule("work_orders", "skill", "no truck's crew has the skill",
         "correct the skill, or add it to a truck", _skill_nobody_has),
    Rule("work_orders", "due_on", "due before it may begin", "correct one of the two days",
         _after("work_orders", "earliest_on", "due_on")),
    Rule("work_orders", "window_to", "window ends before it begins", "correct one of the two",
         _after("work_orders", "window_from", "window_to")),
    Rule("trucks", "shift_to", "shift ends before it begins",
         "correct it; a shift over midnight is not known here",
         _after("trucks", "shift_from", "shift_to")),
    Rule("trucks", "tank_gal", "vacuum truck without the size of its tank", "fill it in",
         lambda f: _of_kind(f, "vacuum", "tank_gal")),
    Rule("trucks", "days", "no days of work",
         "fill them in, e.g. mon;tue;wed;thu;fri", lambda f: f["trucks"]["days"].isna()),
    Rule("disposal_sites", "open_to", "closes before it opens", "correct one of the two",
         _after("disposal_sites", "open_from", "open_to")),
)  # fmt: skip
