"""Why a stop is treated as it is: the rules in words, short enough for a card."""

from __future__ import annotations

import re
from collections.abc import Iterable

from vaultplan.outputs.sheets.week import Row, Week


def why(week: Week, job: Row, decision: Row) -> list[str]:
    """Return the rules that apply in words, and what was raised beyond them for the plan.

    The first text tells them all; each next one leaves out the last rule and counts what is left
    out, for a card that has no room.
    """
    method = str(decision.get("method") or job.get("method") or "").replace("_", " ")
    rules = sentences(str(decision.get("reason") or job.get("reason") or ""), method)
    raised = ""
    if decision.get("method") and job.get("method") not in (None, decision["method"]):
        last = str(job.get("reason") or "").split("; ")[-1]
        raised = f" {last[:1].upper()}{last[1:]}."
    told = []
    for kept in range(len(rules), 0, -1):
        left = len(rules) - kept
        more = week.labels["why_more"].format(count=left) if left else ""
        told.append(f"{in_short(rules[:kept])}{raised} {more}".strip())
    return told or [raised.strip()]


def sentences(reason: str, first: str = "") -> list[str]:
    """Return the sentences of a reason, those that end in ``first`` leading.

    A card has room for so much: what decides must not be what is cut off.

    >>> sentences("It reaches a beach: filter sock. It is heavy: vacuum truck.", "vacuum truck")
    ['It is heavy: vacuum truck.', 'It reaches a beach: filter sock.']
    """
    said = [s for s in re.split(r"(?<=[.])\s+(?=[A-Z])", reason.strip()) if s]
    return sorted(said, key=lambda sentence: first not in sentence.rpartition(": ")[2])


def in_short(rules: Iterable[str]) -> str:
    """Return sentences of one consequence as one sentence.

    >>> in_short(["It reaches a beach: filter sock.", "Rain is likely.", "It is old: filter sock."])
    'It reaches a beach; it is old: filter sock. Rain is likely.'
    """
    heads: dict[str, list[str]] = {}
    for sentence in rules:
        head, colon, tail = sentence.rpartition(": ")
        heads.setdefault(tail if colon else sentence, []).extend([head] if colon else [])
    told = []
    for tail, causes in heads.items():
        one, *more = causes or [""]
        joined = "; ".join([one, *(cause[:1].lower() + cause[1:] for cause in more)])
        told.append(f"{joined}: {tail}" if causes else tail)
    return " ".join(told)
