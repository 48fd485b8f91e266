"""How water is to be removed from each vault on each day, and whether that may go ahead."""

from __future__ import annotations

from collections.abc import Collection
from datetime import date
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.discharge.overrides import apply_overrides
from vaultplan.discharge.rules import Rule, Rules, fires
from vaultplan.schema import GATES, METHODS, table

NO_RULE: Final = "none"
_BITS: Final = 30


def decide(
    facts: pd.DataFrame,
    rules: Rules,
    overrides: pd.DataFrame | None = None,
    *,
    as_of: date,
    specialists: Collection[str] = (),
) -> pd.DataFrame:
    """Return the least method and gate that the rules allow, with every rule that applied.

    Parameters
    ----------
    facts
        vault_id, on, and the facts the rules ask about (``fact_columns.FACTS``).
    rules
        From :func:`load_rules`.
    overrides
        Table ``overrides``: what the specialist lowered.
    as_of
        Overrides made after this day do not count.
    specialists
        Who may lower; anyone who signs if none is named.

    Returns
    -------
    pandas.DataFrame
        Table ``decisions``, a row per row of the facts.

    Raises
    ------
    SettingsError
        If a rule asks about a column that the facts lack.
    SchemaError
        If an override lacks who, why or a step of its ladder.

    Notes
    -----
    The method is settled first, overrides included; then the rules that ask about the method, so
    that a vault lowered to the drain is still held on a wet day; then the gate. Rules only raise.
    Raising a method to the vacuum truck may end a hold that concerns the drain alone.
    """
    first = [rule for rule in rules.rules if not rule.reads_method]
    applied: dict[str, npt.NDArray[np.bool_]] = {rule.id: fires(rule, facts) for rule in first}
    lists = table("overrides").empty() if overrides is None else overrides
    decided = facts[["vault_id", "on"]].copy()
    decided["method"] = _highest(first, applied, "method", METHODS, len(facts))
    decided["reason"] = ""
    decided = apply_overrides(decided, lists, as_of=as_of, ladder="method", specialists=specialists)
    with_method = facts.assign(method=decided["method"])
    applied |= {rule.id: fires(rule, with_method) for rule in rules.rules if rule.reads_method}
    decided["gate"] = _highest(list(rules.rules), applied, "gate", GATES, len(facts))
    decided = apply_overrides(decided, lists, as_of=as_of, ladder="gate", specialists=specialists)
    ids, words = _listed(rules, applied, len(facts))
    decided["rules_fired"] = ids
    decided["reason"] = words + decided["reason"].to_numpy(dtype=object)
    for column in ("sensitivity", "grade_reckoned"):
        if column in facts:
            decided[column] = facts[column]
    return table("decisions").conform(decided)


def _highest(
    rules: list[Rule],
    applied: dict[str, npt.NDArray[np.bool_]],
    ladder: str,
    steps: tuple[str, ...],
    count: int,
) -> npt.NDArray[Any]:
    level = np.zeros(count, dtype=np.int64)
    for rule in rules:
        step = steps.index(getattr(rule, ladder))
        if step:
            np.maximum(level, np.where(applied[rule.id], step, 0), out=level)
    highest: npt.NDArray[Any] = np.asarray(steps, dtype=object)[level]
    return highest


def _listed(
    rules: Rules, applied: dict[str, npt.NDArray[np.bool_]], count: int
) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Return ids and words of the rules that applied; each distinct set is put in words once."""
    sets = np.zeros(count, dtype=np.int64)
    for at in range(0, len(rules.rules), _BITS):
        bits = np.zeros(count, dtype=np.int64)
        for place, rule in enumerate(rules.rules[at : at + _BITS]):
            bits |= applied[rule.id].astype(np.int64) << place
        sets = pd.factorize((sets << _BITS) | bits)[0].astype(np.int64)
    _, example = np.unique(sets, return_index=True)
    ids, words = [], []
    for row in example:
        held = [rule for rule in rules.rules if applied[rule.id][row]]
        ids.append(";".join(rule.id for rule in held) or NO_RULE)
        words.append(" ".join(rule.words for rule in held) or "No rule asks for anything.")
    return np.asarray(ids, dtype=object)[sets], np.asarray(words, dtype=object)[sets]
