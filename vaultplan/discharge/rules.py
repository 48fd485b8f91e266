"""The discharge rules as a table that people can read, check and replace."""

from __future__ import annotations

import hashlib
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from vaultplan.discharge.fact_columns import FACTS
from vaultplan.errors import SettingsError
from vaultplan.schema import METHODS

Op = Literal[
    "is", "is_not", "in", "at_least", "more_than", "less_than", "blank", "not_blank", "true"
]
_NUMERIC: Final = ("at_least", "more_than", "less_than")
_BARE: Final = ("blank", "not_blank", "true")
Case = dict[str, str | bool | float]


class _Entry(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class Clause(_Entry):
    """One condition on one fact."""

    column: str
    op: Op
    value: str | float | tuple[str, ...] | None = None
    blank_counts: bool | None = None


class Rule(_Entry):
    """One rule: if all its clauses hold, at least this method and this gate."""

    id: Annotated[str, Field(pattern="^[a-z0-9_]+$")]
    when: Annotated[tuple[Clause, ...], Field(min_length=1)]
    blank_counts: bool
    method: Literal["storm_drain", "filter_sock", "vacuum_truck"] = "storm_drain"
    gate: Literal["go", "hold", "refer"] = "go"
    words: Annotated[str, Field(min_length=1)]
    source: Annotated[str, Field(min_length=1)]
    reviewed_on: date
    fires: tuple[Case, ...] = ()
    spares: tuple[Case, ...] = ()

    @property
    def reads_method(self) -> bool:
        """Whether the rule waits for the method to be known."""
        return any(clause.column == "method" for clause in self.when)


class _RuleFile(_Entry):
    rule: Annotated[tuple[Rule, ...], Field(min_length=1)]


@dataclass(frozen=True, slots=True)
class Rules:
    """A checked table of rules in the order they are listed, and the hash of its text."""

    rules: tuple[Rule, ...]
    version: str

    def table(self) -> pd.DataFrame:
        """Return the rules as a table to read: what raises what, why, and since when."""
        return pd.DataFrame(
            {
                "rule": [rule.id for rule in self.rules],
                "condition": [_condition(rule) for rule in self.rules],
                "method": [rule.method for rule in self.rules],
                "gate": [rule.gate for rule in self.rules],
                "words": [rule.words for rule in self.rules],
                "source": [rule.source for rule in self.rules],
                "reviewed_on": pd.to_datetime([rule.reviewed_on for rule in self.rules]),
            }
        )


def load_rules(path: Path | None) -> Rules:
    """Return the rules in a TOML file, or the cautious ones that come with the program.

    Raises
    ------
    SettingsError
        If the file is missing or not TOML, or a rule names an unknown fact, op, word or step; the
        message names the rule.
    """
    name = "the rules that come with vaultplan" if path is None else str(path)
    try:
        source = files("vaultplan.discharge").joinpath("rules.toml") if path is None else path
        return parse_rules(source.read_text(encoding="utf-8"), name)
    except FileNotFoundError as error:
        raise SettingsError(f"there is no rules file {path}") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{name} is not text: {error}") from error


def parse_rules(text: str, name: str = "rules") -> Rules:
    """Return the rules written in TOML text; ``name`` stands for it in messages.

    Raises
    ------
    SettingsError
        As :func:`load_rules`.
    """
    try:
        content = tomllib.loads(text)
        rules = _RuleFile.model_validate(content).rule
    except tomllib.TOMLDecodeError as error:
        raise SettingsError(f"{name} is not a TOML file: {error}") from error
    except ValidationError as error:
        said = "; ".join(_fault(content, fault["loc"], fault["msg"]) for fault in error.errors())
        raise SettingsError(f"{name}: {said}") from error
    ids = [rule.id for rule in rules]
    faults = [f"rule {i} stands twice" for i in sorted({i for i in ids if ids.count(i) > 1})]
    for rule in rules:
        faults += [f"rule {rule.id}: {what}" for what in _rule_faults(rule)]
    if faults:
        raise SettingsError(f"{name}: {'; '.join(faults)}")
    return Rules(rules, hashlib.sha256(text.encode()).hexdigest()[:12])


def fires(rule: Rule, facts: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Return for which rows of the facts a rule applies.

    Raises
    ------
    SettingsError
        If the facts lack a column that the rule asks about.
    """
    applies = np.ones(len(facts), dtype=bool)
    for clause in rule.when:
        if clause.column not in facts:
            raise SettingsError(
                f"rule {rule.id} asks about {clause.column!r}, which the facts do not hold; "
                f"they hold {', '.join(facts.columns)}"
            )
        counts = rule.blank_counts if clause.blank_counts is None else clause.blank_counts
        applies &= _holds(clause, facts[clause.column], blank_counts=counts)
    return applies


def run_cases(rules: Rules) -> pd.DataFrame:
    """Return every rule's own cases, what was expected and what came out.

    Returns
    -------
    pandas.DataFrame
        rule, case (its facts in words; all others blank), expected, fired.
    """
    rows = []
    for rule in rules.rules:
        for cases, expected in ((rule.fires, True), (rule.spares, False)):
            for case in cases:
                said = ", ".join(f"{name} {value}" for name, value in case.items())
                fired = bool(fires(rule, facts_of_case(case))[0])
                rows.append((rule.id, said or "all blank", expected, fired))
    return pd.DataFrame(rows, columns=["rule", "case", "expected", "fired"])


def facts_of_case(case: Mapping[str, object]) -> pd.DataFrame:
    """Return a row of facts with the given values, and all others blank."""
    return pd.DataFrame(
        {name: fact.cast(pd.Series([case.get(name)], dtype=object)) for name, fact in FACTS.items()}
    )


def _holds(clause: Clause, fact: pd.Series[Any], *, blank_counts: bool) -> npt.NDArray[np.bool_]:
    blank = fact.isna().to_numpy(dtype=bool)
    if clause.op == "blank":
        return blank
    if clause.op == "not_blank":
        return ~blank
    value: Any = clause.value
    match clause.op:
        case "is":
            met = fact == value
        case "is_not":
            met = fact != value
        case "in":
            met = fact.isin(list(value))
        case "at_least":
            met = fact >= value
        case "more_than":
            met = fact > value
        case "less_than":
            met = fact < value
        case "true":
            met = fact.astype("boolean")
    plain = met.astype("boolean").fillna(False).to_numpy(dtype=bool)
    return np.where(blank, blank_counts, plain)


def _rule_faults(rule: Rule) -> list[str]:
    faults = [what for clause in rule.when for what in _clause_faults(clause)]
    if rule.reads_method and rule.method != METHODS[0]:
        faults.append("it asks about the method and so may raise the gate only")
    for case in (*rule.fires, *rule.spares):
        faults += [f"a case names the unknown fact {name!r}" for name in case if name not in FACTS]
    return faults


def _clause_faults(clause: Clause) -> list[str]:
    column, op, value = clause.column, clause.op, clause.value
    if column not in FACTS:
        return [f"there is no fact {column!r}; choose one of {', '.join(FACTS)}"]
    fact = FACTS[column]
    if op in _BARE:
        if value is not None:
            return [f"{column} {op} takes no value"]
        if op == "true" and fact.type != "boolean":
            return [f"{column} is {fact.type}, not yes or no"]
        return []
    if op in _NUMERIC:
        if fact.type not in ("real", "integer") or not isinstance(value, float):
            return [f"{column} {op} needs a number, and a fact that is one"]
        return []
    words = value if isinstance(value, tuple) else (value,)
    if fact.type != "text" or isinstance(value, tuple) != (op == "in"):
        return [f"{column} {op} needs {'a list of words' if op == 'in' else 'a word'}"]
    return [
        f"{column} is never {word!r}; it is one of {', '.join(fact.allowed)}"
        for word in words
        if word not in fact.allowed
    ]


def _fault(content: dict[str, Any], place: tuple[int | str, ...], message: str) -> str:
    """Return one fault of the file with the id of the rule it stands in."""
    path = ".".join(str(part) for part in place)
    if len(place) > 1 and place[0] == "rule" and isinstance(place[1], int):
        entry = content["rule"][place[1]]
        label = entry.get("id", f"number {place[1] + 1}") if isinstance(entry, dict) else place[1]
        path = f"rule {label}: {'.'.join(str(part) for part in place[2:])}"
    return f"{path}: {message}"


def _condition(rule: Rule) -> str:
    said = []
    for clause in rule.when:
        value = clause.value
        words = ", ".join(value) if isinstance(value, tuple) else value
        counts = rule.blank_counts if clause.blank_counts is None else clause.blank_counts
        end = "" if words is None else f" {words:g}" if isinstance(words, float) else f" {words}"
        blank = " or blank" if counts and clause.op not in ("blank", "not_blank") else ""
        said.append(f"{clause.column} {clause.op.replace('_', ' ')}{end}{blank}")
    return " and ".join(said)
