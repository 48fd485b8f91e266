"""Rules of the trade that loaded rows should keep, each with its words and its remedy."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, Final, NamedTuple, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc

from vaultplan.intake import rules
from vaultplan.schema import Frames

Mask: TypeAlias = npt.NDArray[np.bool_]
Positions: TypeAlias = npt.NDArray[np.int64]

# fmt: off
#: Rules that only a whole database can break; files are held to those of ``rules``.
_WHOLE: Final = (
    rules.Rule("no_rows", "warning", "a table without rows"),
    rules.Rule("no_visit", "note", "a vault that was never visited"),
    rules.Rule("no_grade", "warning", "water was found, but its grade is not given"),
    rules.Rule("no_rainfall", "warning", "a rain gauge without rainfall"),
    rules.Rule("no_such_skill", "warning", "an order asks for a skill that no truck's crew has"),
    rules.Rule("window_reversed", "warning", "a window that ends before it begins"),
    rules.Rule("shift_reversed", "warning", "a shift that ends before it begins"),
    rules.Rule("hours_reversed", "warning", "a site that closes before it opens"),
    rules.Rule("no_tank", "warning", "a vacuum truck without the size of its tank"),
    rules.Rule("no_days", "warning", "a truck without days of work"),
    rules.Rule("inlet_no_outfall", "warning", "an inlet whose water never reaches an outfall"),
)
# fmt: on
WHOLE_RULES: Final[Mapping[str, rules.Rule]] = {rule.name: rule for rule in _WHOLE}


def severity_of(rule: str) -> rules.Severity:
    """Return how grave it is to break a rule of a file or of the whole database."""
    return (WHOLE_RULES.get(rule) or rules.RULES[rule]).severity


class Broken(NamedTuple):
    """Rows of one table that break one rule.

    ``column`` names the columns blamed, with commas between; ``where`` the rows; ``doubts`` says
    whether their values are in doubt, rather than something missing elsewhere. ``tell`` returns
    the fault of some rows in words that differ from row to row, ``weight`` puts the rows that
    matter most first.
    """

    rule: str
    table: str
    column: str
    finding: str
    remedy: str
    where: Mask
    doubts: bool = True
    tell: Callable[[Positions], list[str]] | None = None
    weight: npt.NDArray[np.int64] | None = None

    @property
    def severity(self) -> rules.Severity:
        """How grave it is."""
        return severity_of(self.rule)


@dataclass(slots=True)
class Linked:
    """Tables whose ids are numbered once and compared as numbers, as millions of texts are slow."""

    frames: Frames
    _numbers: dict[tuple[str, str], tuple[Positions, pd.Index[Any]]] = field(default_factory=dict)
    _rows: dict[tuple[str, str, str], Positions] = field(default_factory=dict)

    def has(self, *names: str) -> bool:
        """Return whether all these tables have rows."""
        return all(name in self.frames and not self.frames[name].empty for name in names)

    def numbered(self, name: str, column: str) -> tuple[Positions, pd.Index[Any]]:
        """Return a number for each row's value (-1 where blank), and the values by number."""
        if (name, column) not in self._numbers:
            codes, values = pd.factorize(self.frames[name][column])
            self._numbers[name, column] = codes, pd.Index(values)
        return self._numbers[name, column]

    def rows_of(self, name: str, column: str, target: str, key: str) -> Positions:
        """Return the row of ``target`` that each row refers to: -1 if blank, -2 if not known."""
        asked = (name, column, target)
        if asked not in self._rows:
            codes, values = self.numbered(name, column)
            ids = self.frames[target][key]
            held = np.flatnonzero(is_among(ids, values))
            known = pd.Index(ids.iloc[held])
            first = ~known.duplicated()
            at = known[first].get_indexer(values)
            rows = np.append(held[first], -2)
            self._rows[asked] = np.append(rows[at], -1)[codes]
        return self._rows[asked]

    def taken(self, target: str, column: str, at: Positions) -> npt.NDArray[np.float64]:
        """Return numbers of the rows of ``target`` at these positions; blank where negative."""
        values = np.append(self.frames[target][column].to_numpy(np.float64), np.nan)
        return values[np.where(at < 0, len(values) - 1, at)]


class Rule(NamedTuple):
    """One rule of the trade: ``find`` returns which rows of ``table`` break it."""

    name: str
    table: str
    column: str
    finding: str
    remedy: str
    find: Callable[[Linked], Mask]
    doubts: bool = True


def broken_rules(linked: Linked, name: str) -> Iterator[Broken]:
    """Yield, for one table that has rows, each rule of the trade and the rows that break it."""
    for rule in RULES:
        if rule.table == name:
            where = rule.find(linked)
            yield Broken(rule.name, name, *rule[2:5], where, rule.doubts)


def is_among(values: pd.Series[Any], known: pd.Index[Any]) -> Mask:
    """Return which texts are among the known ones, however many there are of both."""
    if not len(known):
        return np.zeros(len(values), dtype=bool)
    texts, among = (pa.array(each, type=pa.large_string()) for each in (values, known))
    found: Mask = np.asarray(pc.is_in(texts, value_set=among), dtype=bool)
    return found


def true_in(values: pd.Series[Any]) -> Mask:
    """Return where a condition holds; where it is not known it does not."""
    holds: Mask = values.fillna(value=False).to_numpy(dtype=bool)
    return holds


def _nowhere(linked: Linked, name: str) -> Mask:
    return np.zeros(len(linked.frames[name]), dtype=bool)


def _unmeasured(linked: Linked) -> Mask:
    vaults = linked.frames["vaults"]
    narrow = vaults["width_ft"].isna() & (vaults["shape"] != "round").fillna(value=True)
    return true_in(vaults["depth_ft"].isna() | vaults["length_ft"].isna() | narrow)


def _never_visited(linked: Linked) -> Mask:
    if not linked.has("visits"):
        return ~_nowhere(linked, "vaults")
    visited = linked.numbered("visits", "vault_id")[1]
    return ~is_among(linked.frames["vaults"]["vault_id"], visited)


def _dry_with_water(linked: Linked) -> Mask:
    visits = linked.frames["visits"]
    wet = (visits["volume_gal"] > 0) | (visits["depth_in"] > 0)
    return true_in(visits["finding"].eq("dry")) & true_in(wet)


def _left_more(linked: Linked) -> Mask:
    visits = linked.frames["visits"]
    return true_in(visits["left_depth_in"] > visits["depth_in"])


def _ungraded(linked: Linked) -> Mask:
    visits = linked.frames["visits"]
    pumped = true_in(visits["volume_gal"] > 0) | true_in(visits["finding"].isin(["wet", "full"]))
    return pumped & visits["grade"].isna().to_numpy(dtype=bool)


def _deeper_than_vault(linked: Linked) -> Mask:
    if not linked.has("vaults"):
        return _nowhere(linked, "visits")
    at = linked.rows_of("visits", "vault_id", "vaults", "vault_id")
    depth_in = linked.taken("vaults", "depth_ft", at) * 12.0
    deeper: Mask = linked.frames["visits"]["depth_in"].to_numpy(np.float64) > depth_in + 1.0
    return deeper


def _same_moment(linked: Linked) -> Mask:
    codes, _ = linked.numbered("visits", "vault_id")
    # Without their zone, moments stay numbers.
    at = linked.frames["visits"]["visited_at"].dt.tz_localize(None).to_numpy()
    moments = pd.DataFrame({"vault": codes, "at": at})
    known = (codes >= 0) & ~np.isnat(at)
    double: Mask = moments.duplicated(keep=False).to_numpy() & known
    return double


def _result_or_condition(linked: Linked) -> Mask:
    samples = linked.frames["samples"]
    return true_in(samples["result_value"].isna() == samples["detection_condition"].isna())


def _gauge_without_rain(linked: Linked) -> Mask:
    if not linked.has("rainfall"):
        return ~_nowhere(linked, "gauges")
    rained = linked.numbered("rainfall", "gauge_id")[1]
    return ~is_among(linked.frames["gauges"]["gauge_id"], rained)


def _order_of_idle_vault(linked: Linked) -> Mask:
    orders = linked.frames["work_orders"]
    if not linked.has("vaults"):
        return _nowhere(linked, "work_orders")
    vaults = linked.frames["vaults"]
    idle = vaults.loc[vaults["status"].isin(["retired", "other_owner"]), "vault_id"]
    is_open = orders["status"].fillna("open").eq("open").to_numpy(dtype=bool)
    return is_among(orders["vault_id"], pd.Index(idle)) & is_open


def _skill_nobody_has(linked: Linked) -> Mask:
    orders = linked.frames["work_orders"]
    if not linked.has("trucks"):
        return _nowhere(linked, "work_orders")
    skills = linked.frames["trucks"]["skills"].dropna().str.split(";").explode().unique()
    return true_in(orders["skill"].notna() & ~orders["skill"].isin(skills))


def _after(name: str, first: str, last: str) -> Callable[[Linked], Mask]:
    def find(linked: Linked) -> Mask:
        frame = linked.frames[name]
        return true_in(frame[first] > frame[last])

    return find


def _without_tank(linked: Linked) -> Mask:
    trucks = linked.frames["trucks"]
    return true_in(trucks["kind"].eq("vacuum") & trucks["tank_gal"].isna())


RULES: Final = (
    Rule("size_missing", "vaults", "depth_ft", "no full set of inside dimensions",
         "measure them: the forecast falls back on the class's usual size", _unmeasured,
         doubts=False),
    Rule("no_visit", "vaults", "vault_id", "never visited",
         "nothing to mend; its forecast rests on vaults like it", _never_visited, doubts=False),
    Rule("dry_with_water", "visits", "finding", "found dry, yet depth or volume is given",
         "correct the finding or the number", _dry_with_water),
    Rule("left_more", "visits", "left_depth_in", "more water left than found",
         "swap or correct the two", _left_more),
    Rule("too_deep", "visits", "depth_in", "deeper than the vault",
         "check the unit of the depth and the vault's own depth", _deeper_than_vault),
    Rule("no_grade", "visits", "grade", "water, but no grade",
         "enter the bailer's grade if it was seen; blank counts as unknown", _ungraded,
         doubts=False),
    Rule("visit_twice", "visits", "visited_at", "another visit to the vault at the same moment",
         "delete the double entry, or correct its time", _same_moment),
    Rule("value_and_condition", "samples", "result_value",
         "a result and a detection condition, or neither", "give exactly one of the two",
         _result_or_condition),
    Rule("no_rainfall", "gauges", "gauge_id", "no rainfall", "load its rainfall",
         _gauge_without_rain, doubts=False),
    Rule("order_at_idle", "work_orders", "vault_id",
         "open order at a vault retired or of another owner",
         "cancel the order, or correct the vault's status", _order_of_idle_vault),
    Rule("no_such_skill", "work_orders", "skill", "no truck's crew has the skill",
         "correct the skill, or add it to a truck", _skill_nobody_has),
    Rule("due_before_start", "work_orders", "due_on", "due before it may begin",
         "correct one of the two days", _after("work_orders", "earliest_on", "due_on")),
    Rule("window_reversed", "work_orders", "window_to", "window ends before it begins",
         "correct one of the two", _after("work_orders", "window_from", "window_to")),
    Rule("shift_reversed", "trucks", "shift_to", "shift ends before it begins",
         "correct it; a shift over midnight is not known here",
         _after("trucks", "shift_from", "shift_to")),
    Rule("no_tank", "trucks", "tank_gal", "vacuum truck without the size of its tank",
         "fill it in", _without_tank, doubts=False),
    Rule("no_days", "trucks", "days", "no days of work",
         "fill them in, e.g. mon;tue;wed;thu;fri",
         lambda linked: true_in(linked.frames["trucks"]["days"].isna()), doubts=False),
    Rule("hours_reversed", "disposal_sites", "open_to", "closes before it opens",
         "correct one of the two", _after("disposal_sites", "open_from", "open_to")),
)  # fmt: skip
