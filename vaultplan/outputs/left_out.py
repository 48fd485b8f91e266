"""Why orders are not in the week: each reason said once, with the orders it holds for."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any, Final

import pandas as pd

from vaultplan import schema
from vaultplan.outputs.plan_view import part

_SENTENCE_END: Final = re.compile(r"(?<=[.!?])\s+(?=[A-Z])")
_NUMBER: Final = re.compile(r"\d[\d,.]*\d|\d")
_CLAUSE_END: Final = re.compile(r"[;:(]|[,.](?!\d)")
_CLAUSE_LENGTH: Final = 60
_GATE_OF: Final = {"referred": "refer", "held": "hold"}


@dataclass(frozen=True, slots=True)
class Why:
    """One reason: a name in few words, all of it, and the name with the order's own numbers."""

    name: str
    words: str
    own_name: str = field(default="", compare=False)


def reasons_of(frames: schema.Frames, unserved: pd.DataFrame) -> list[tuple[Why, ...]]:
    """Return the reasons of each order left out, in the order of the rows.

    A referred or held order has the discharge rules that decided its gate; every other order has
    its own reason, one that differs from another's by its numbers alone being the same reason.
    Columns required: vault_id, outcome, reason.
    """
    decisions = part(frames, "decisions")
    overridden = set(part(frames, "overrides")["vault_id"])
    words = rule_words(decisions)
    plain = decisions[~decisions["vault_id"].isin(overridden)]
    by_gate = {gate: deciding_rules(plain, gate) for gate in _GATE_OF.values()}
    known: dict[tuple[str, str], list[Any]] = {}
    for row in decisions[["vault_id", "gate", "rules_fired", "reason"]].itertuples(index=False):
        known.setdefault((str(row.vault_id), str(row.gate)), []).append(row)
    told = []
    for row in unserved[["vault_id", "outcome", "reason"]].itertuples(index=False):
        gate = _GATE_OF.get(str(row.outcome), "")
        ruled = [
            each
            for each in known.get((str(row.vault_id), gate), [])
            if str(row.reason).startswith(str(each.reason))
        ]
        fired = dict.fromkeys(rule for each in ruled for rule in _ids(each.rules_fired))
        deciding = [rule for rule in fired if rule in by_gate.get(gate, ())]
        if deciding:
            told.append(
                tuple(Why(_short(rule), words.get(rule, _short(rule))) for rule in deciding)
            )
        else:
            told.append((_own_reason(str(row.reason)),))
    return _alike(told)


def rule_words(decisions: pd.DataFrame) -> dict[str, str]:
    """Return the words of each rule, read off decisions that put every rule in one sentence.

    Columns required: rules_fired, reason. A rule whose sentence cannot be told apart is left out.
    """
    words: dict[str, str] = {}
    pairs = decisions[["rules_fired", "reason"]].drop_duplicates()
    for row in pairs.itertuples(index=False):
        ids, sentences = _ids(row.rules_fired), _SENTENCE_END.split(str(row.reason))
        if len(ids) == len(sentences):
            for rule, sentence in zip(ids, sentences, strict=True):
                words.setdefault(rule, sentence)
    return words


def deciding_rules(decisions: pd.DataFrame, gate: str) -> set[str]:
    """Return the rules that raise a decision to ``gate``.

    Parameters
    ----------
    decisions
        gate and rules_fired; leave out vaults that the specialist lowered, for there a rule may
        stand beside a lower gate than it asks for.
    gate
        Step of the gate ladder, above the lowest.

    Notes
    -----
    Rules only raise. So a rule that is also seen at a lower gate does not ask for this one; one
    that is the only candidate of some decision surely does. Where no sure rule explains a
    decision, all its candidates are returned.
    """
    steps = schema.GATES
    below = steps[: steps.index(gate)]
    lower = {
        i for ids in decisions["rules_fired"][decisions["gate"].isin(below)] for i in _ids(ids)
    }
    at = decisions["rules_fired"][decisions["gate"] == gate].drop_duplicates()
    candidates = [frozenset(_ids(ids)) - lower for ids in at]
    sure = {rule for found in candidates if len(found) == 1 for rule in found}
    return sure | {rule for found in candidates if not found & sure for rule in found}


def _ids(listed: Any) -> list[str]:
    return [part for part in str(listed).split(";") if part]


def _short(rule: str) -> str:
    return rule.replace("_", " ")


def _own_reason(reason: str) -> Why:
    clause = _CLAUSE_END.split(reason, maxsplit=1)[0].strip()
    if len(clause) > _CLAUSE_LENGTH:
        clause = clause[:_CLAUSE_LENGTH].rsplit(" ", 1)[0] + " ..."
    return Why(clause or reason, reason)


def _alike(told: list[tuple[Why, ...]]) -> list[tuple[Why, ...]]:
    """Return the reasons with numbers blanked out of those that differ by nothing else."""
    variants: dict[str, set[str]] = {}
    for why in _all(told):
        variants.setdefault(_NUMBER.sub("...", why.words), set()).add(why.words)

    def shared(why: Why) -> Why:
        blanked = _NUMBER.sub("...", why.words)
        if len(variants[blanked]) == 1:
            return why
        return Why(_NUMBER.sub("...", why.name), blanked, why.name)

    return [tuple(shared(why) for why in whys) for whys in told]


def _all(told: Iterable[tuple[Why, ...]]) -> list[Why]:
    return [why for whys in told for why in whys]
