"""What single columns of a file mean, drafted entry by entry, each with its reason in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import pandas as pd

from vaultplan import units
from vaultplan.columns import Column, Table
from vaultplan.intake.recipes.column_map import ColumnMap
from vaultplan.intake.recipes.guess_columns import Certainty, Choice
from vaultplan.intake.recipes.guess_forms import day_form, has_offsets, marks_of, numbers_of
from vaultplan.intake.recipes.guess_values import foreign_words, unit_by_size

_NUMBERS: Final = ("real", "integer")


@dataclass(frozen=True, slots=True)
class GuessLine:
    """One decision: for which column or entry of the map, from which column of the file, and why.

    ``certainty`` is ``sure``, ``likely`` or ``unsure``.
    """

    column: str
    source: str
    why: str
    certainty: Certainty


@dataclass(slots=True)
class Draft:
    """A map on its way: what is stated, what has been guessed beside it, and the reasons."""

    stated: ColumnMap
    entries: dict[str, Any] = field(default_factory=dict)
    lines: list[GuessLine] = field(default_factory=list)

    def is_open(self, *names: str) -> bool:
        """Return whether none of these entries is stated."""
        return not self.stated.model_fields_set.intersection(names)

    def words_stated(self, column: str) -> tuple[str, ...]:
        """Return the words of a column whose meaning is stated."""
        known: Mapping[str, Mapping[str, str]] = self.stated.model_dump()["values"]
        return tuple(known.get(column, ()))

    def say(self, column: str, source: str, why: str, certainty: Certainty = "sure") -> None:
        """Add the reason for a decision."""
        self.lines.append(GuessLine(column, source, why, certainty))


def draft_meaning(
    draft: Draft, declared: Table, column: Column, choice: Choice, frame: pd.DataFrame
) -> None:
    """Draft the unit and the words of one column."""
    said, name, source = draft.stated, column.name, choice.source
    if source not in frame:
        return
    values = frame[source].dropna()
    why, unit = choice.why, choice.unit
    convertible = column.type in _NUMBERS and column.unit in units.UNITS
    sized = None
    if convertible and name not in said.units and choice.unit in (None, column.unit):
        sized = unit_by_size(declared, column, numbers_of(values))
        if unit is None and sized is None and not choice.is_own_name and choice.why != "is stated":
            why += f"; its name has no unit, so it is taken to be in {column.unit}"
    draft.say(name, source, why, choice.certainty)
    if sized is not None and (choice.is_own_name or choice.unit is not None):
        doubt = f"{sized[1]}, yet its name says {column.unit}; state its unit if that is wrong"
        draft.say(name, source, doubt, "unsure")
    elif sized is not None:
        draft.entries.setdefault("units", {})[name] = sized[0]
        draft.say(
            name, source, f"its numbers become {column.unit} from {sized[0]}: {sized[1]}", "likely"
        )
    elif convertible and unit not in (None, column.unit) and name not in said.units:
        draft.entries.setdefault("units", {})[name] = unit
        draft.say(
            name, source, f"its numbers become {column.unit} from {unit}, which its name states"
        )
    words = foreign_words(declared, column, values[~values.isin(draft.words_stated(name))])
    if words:
        draft.entries.setdefault("values", {})[name] = words
        shown = ", ".join(f"{word} = {meaning}" for word, meaning in words.items())
        draft.say(name, source, f"its words are taken so: {shown}", "likely")


def draft_forms(
    draft: Draft,
    declared: Table,
    frame: pd.DataFrame,
    sources: dict[str, str],
    places: tuple[str, ...],
) -> None:
    """Draft the marks in numbers and the form of days and times."""
    of_type = {
        kind: {n: frame[s].dropna() for n, s in sources.items()
               if declared.column(n).type in kinds and s in frame}
        for kind, kinds in (("number", _NUMBERS), ("date", ("date",)), ("time", ("time",)))
    }  # fmt: skip
    if draft.is_open("thousands", "decimal"):
        placing = [frame[name] for name in places if len(places) == 2 and name in frame]
        marks = marks_of([*of_type["number"].values(), *placing])
        certainty: Certainty = "sure" if marks.is_sure else "unsure"
        if marks.thousands is not None:
            draft.entries["thousands"] = marks.thousands
            why = f"{marks.thousands!r} stands between the thousands of its numbers"
            draft.say("thousands", "", why, certainty)
        if marks.decimal != ".":
            draft.entries["decimal"] = marks.decimal
            draft.say("decimal", "", "its numbers have a decimal comma", certainty)
    for kind in ("date", "time"):
        samples = of_type[kind]
        if samples and draft.is_open(f"{kind}_format", "excel_days"):
            _say_form(draft, kind, samples, sources)
        for name, values in samples.items():
            if kind == "time" and len(values) and draft.is_open("time_zone"):
                form = draft.entries.get("time_format") or draft.stated.time_format or ""
                if not has_offsets(values) and "%z" not in form:
                    why = (
                        "its times name no zone, and none is guessed: state time_zone in the map "
                        "if it is not the database's"
                    )
                    draft.say("time_zone", sources[name], why, "unsure")


def _say_form(
    draft: Draft, kind: str, samples: dict[str, pd.Series[Any]], sources: dict[str, str]
) -> None:
    found = day_form(list(samples.values()), with_times=kind == "time")
    listed = ", ".join(sources[name] for name in samples)
    if found.is_serial:
        if "excel_days" not in draft.entries:
            draft.entries["excel_days"] = True
            why = "its days are numbers as a spreadsheet counts days since 1900"
            draft.say("excel_days", listed, why, "likely")
    elif found.form is not None:
        draft.entries[f"{kind}_format"] = found.form
        why = f"{found.share:.0%} of its {kind}s read as {found.form}"
        if not found.is_sure:
            why += "; no day is above 12, so day and month may be the other way round"
        certainty: Certainty = "sure" if found.share == 1.0 else "likely"
        draft.say(f"{kind}_format", listed, why, certainty if found.is_sure else "unsure")
