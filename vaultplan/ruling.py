"""The discharge rules looked into: their cases tried, one vault explained, two tables compared."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from vaultplan import week
from vaultplan.discharge.decide import decide
from vaultplan.discharge.fact_columns import FACTS
from vaultplan.discharge.facts import discharge_facts
from vaultplan.discharge.rules import Rule, Rules, fires, load_rules, run_cases
from vaultplan.errors import SchemaError
from vaultplan.loading import OnStep, read_frames, silent
from vaultplan.settings import Settings
from vaultplan.store.database import open_database


@dataclass(frozen=True, slots=True)
class Explained:
    """Why a vault is decided so on a day: its facts, every rule with its answer, the decision."""

    facts: pd.DataFrame
    rules: pd.DataFrame
    decision: pd.DataFrame


def tried(path: Path | None) -> pd.DataFrame:
    """Return every case of a table of rules, and whether it came out as expected.

    Returns
    -------
    pandas.DataFrame
        rule, case, expected, fired, is_right; a rule without a case that it catches or one that it
        spares has a row that says so and is not right.
    """
    rules = load_rules(path)
    cases = run_cases(rules)
    cases["is_right"] = cases["fired"] == cases["expected"]
    missing = [
        (rule.id, f"no case that it {word}", word == "catches", word != "catches", False)
        for rule in rules.rules
        for word, own in (("catches", rule.fires), ("spares", rule.spares))
        if not own
    ]
    return pd.concat([cases, pd.DataFrame(missing, columns=cases.columns)], ignore_index=True)


def explained(
    location: str,
    vault_id: str,
    *,
    on: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> Explained:
    """Return every fact of a vault on a day, what each rule makes of it, and the decision.

    Parameters
    ----------
    on
        Day decided for; the day after ``as_of`` if none.

    Returns
    -------
    Explained
        ``facts``: fact, value, unit, meaning. ``rules``: rule, applies (yes, no, or "blank": only
        because a fact is not known), condition, method, gate, words. ``decision``: table
        ``decisions``.

    Raises
    ------
    SchemaError
        If there is no such vault.
    """
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        frames = read_frames(database, week.JUDGED_TABLES, on_step)
    as_of = as_of or week.data_end(frames, settings.time_zone)
    day = on or as_of + pd.Timedelta(days=1)
    if not frames["vaults"]["vault_id"].eq(vault_id).any():
        raise SchemaError(f"no such vault: {vault_id}")
    rules = load_rules(settings.discharge.rules_file)
    points = week.cross([vault_id], [day])
    frames["forecasts"] = week.forecast_points(frames, points, as_of, settings, on_step)
    mine = frames["vaults"][frames["vaults"]["vault_id"] == vault_id]
    own = {**frames, "vaults": mine}
    own["traces"] = week.trace_paths(own, settings, on_step, with_geometry=False)
    facts = discharge_facts(own, as_of=as_of.date(), settings=settings)
    decision = decide(
        facts,
        rules,
        frames["overrides"],
        as_of=as_of.date(),
        specialists=settings.discharge.specialists,
    )
    told = facts.assign(method=decision["method"].to_numpy())
    listed = [
        (name, _shown(told[name].iloc[0]), fact.unit, fact.meaning) for name, fact in FACTS.items()
    ]
    answers = [
        (rule.id, _answer(rule, told), shown.condition, rule.method, rule.gate, rule.words)
        for rule, shown in zip(rules.rules, rules.table().itertuples(), strict=True)
    ]
    return Explained(
        facts=pd.DataFrame(listed, columns=["fact", "value", "unit", "meaning"]),
        rules=pd.DataFrame(
            answers, columns=["rule", "applies", "condition", "method", "gate", "words"]
        ),
        decision=decision,
    )


def compared(before: Path | None, after: Path | None) -> pd.DataFrame:
    """Return what sets two tables of rules apart: rule, change, before, after.

    ``change`` is came, went, or the column of ``Rules.table`` that differs. ``None`` stands for
    the rules that come with the program.
    """
    old, new = (_by_id(load_rules(path)) for path in (before, after))
    rows: list[tuple[str, str, str, str]] = []
    for name in [*old.index, *new.index.difference(old.index, sort=False)]:
        if name not in new.index:
            rows.append((name, "went", str(old.loc[name, "condition"]), ""))
        elif name not in old.index:
            rows.append((name, "came", "", str(new.loc[name, "condition"])))
        else:
            rows += [
                (name, str(column), str(old.loc[name, column]), str(new.loc[name, column]))
                for column in old.columns
                if old.loc[name, column] != new.loc[name, column]
            ]
    return pd.DataFrame(rows, columns=["rule", "change", "before", "after"])


def decided_by_both(
    location: str,
    before: Path | None,
    after: Path | None,
    *,
    on: pd.Timestamp | None = None,
    as_of: pd.Timestamp | None = None,
    settings: Settings,
    on_step: OnStep = silent,
) -> pd.DataFrame:
    """Return the vaults that two tables of rules decide differently on a day.

    Returns
    -------
    pandas.DataFrame
        vault_id, on, method_before, method_after, gate_before, gate_after, and the rules fired by
        each; vaults decided alike are left out.
    """
    with open_database(location) as database:
        settings = week.in_zone(settings, database.time_zone)
        frames = read_frames(database, week.JUDGED_TABLES, on_step)
    as_of = as_of or week.data_end(frames, settings.time_zone)
    points = week.cross(list(frames["vaults"]["vault_id"]), [on or as_of + pd.Timedelta(days=1)])
    frames["forecasts"] = week.forecast_points(frames, points, as_of, settings, on_step)
    frames["traces"] = week.trace_paths(frames, settings, on_step, with_geometry=False)
    facts = discharge_facts(frames, as_of=as_of.date(), settings=settings)
    part = settings.discharge
    decided = [
        decide(facts, load_rules(path), frames["overrides"], as_of=as_of.date(),
               specialists=part.specialists)
        for path in (before, after)
    ]  # fmt: skip
    columns = ["method", "gate", "rules_fired"]
    both = decided[0][["vault_id", "on"]].copy()
    for column in columns:
        for word, one in zip(("before", "after"), decided, strict=True):
            both[f"{column}_{word}"] = one[column]
    differs = (both["method_before"] != both["method_after"]) | (
        both["gate_before"] != both["gate_after"]
    )
    return both[differs].reset_index(drop=True)


def _by_id(rules: Rules) -> pd.DataFrame:
    return rules.table().set_index("rule")


def _answer(rule: Rule, facts: pd.DataFrame) -> str:
    if not fires(rule, facts)[0]:
        return "no"
    strict = [clause.model_copy(update={"blank_counts": False}) for clause in rule.when]
    return "yes" if fires(rule.model_copy(update={"when": tuple(strict)}), facts)[0] else "blank"


def _shown(value: Any) -> str:
    if pd.isna(value):
        return ""
    return f"{value:.3g}" if isinstance(value, float) else str(value)
