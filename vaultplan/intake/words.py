"""The words that people write for the schema's words, from a list that a utility may edit."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import pandas as pd
from pydantic import BaseModel, ConfigDict

from vaultplan.columns import Column
from vaultplan.errors import SettingsError
from vaultplan.schema import TABLES
from vaultplan.settings import load_toml

DEFAULT: Final = Path(__file__).with_name("words.toml")

#: In these columns a text that names several steps means the gravest of them.
_LADDERS: Final = frozenset({"grade", "disposal"})
_NOT: Final = r"(?:no|not|non|without|never|nor)"
_CLAUSES: Final = re.compile(r"[,;.:/+&()]|\band\b|\bbut\b|\bwith\b")
_APART: Final = re.compile(r"[^0-9a-z?]+")


class _WordFile(BaseModel):
    model_config = ConfigDict(frozen=True, extra="allow")

    blank: tuple[str, ...] = ()
    dry: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class WordList:
    """Words for ``blank`` and ``dry``, and by table and column each word's allowed word."""

    blank: frozenset[str] = frozenset()
    dry: frozenset[str] = frozenset()
    meanings: Mapping[tuple[str, str], Mapping[str, str]] = field(default_factory=dict)

    def proposals(self, table: str, column: Column, written: pd.Series[Any]) -> pd.Series[Any]:
        """Return the allowed word for each text, blank where the list gives none or several.

        Examples
        --------
        >>> from vaultplan.schema import table
        >>> grade = table("visits").column("grade")
        >>> seen = pd.Series(["Very dirty, oily", "not clear", "CLR", "cloudy and muddy"])
        >>> word_list().proposals("visits", grade, seen).fillna("?").tolist()
        ['heavy', '?', 'clear', 'heavy']
        """
        meanings = self.meanings.get((table, column.name), {})
        distinct = {text: self._meaning(text, column, meanings) for text in written.unique()}
        return written.map(distinct).astype("str")

    def _meaning(self, text: object, column: Column, meanings: Mapping[str, str]) -> str | None:
        plain = simple(text)
        by_own_name = {simple(word): word for word in column.allowed}
        for known in (by_own_name, meanings):
            if plain in known:
                return known[plain]
        words = {**meanings, **by_own_name}
        clauses = _CLAUSES.split(str(text).lower())
        named = set().union(*(_named_in(simple(clause), words) for clause in clauses))
        if len(named) == 1:
            return next(iter(named))
        if named and column.name in _LADDERS:
            return max(named, key=column.allowed.index)
        return None


def simple(text: object) -> str:
    """Return text in small letters with single blanks for all signs between words.

    >>> simple("  Slightly-CLOUDY. ")
    'slightly cloudy'
    """
    small = str(text).strip().lower()
    return _APART.sub(" ", small).strip() or small


def _named_in(plain: str, meanings: Mapping[str, str]) -> set[str]:
    """Return the allowed words whose words stand in a text, none of them denied.

    A short word such as "l" or "in" counts only where it is the whole text.
    """
    left = plain
    found = set()
    for word in sorted((word for word in meanings if len(word) > 2), key=len, reverse=True):
        pattern = rf"\b(?:({_NOT}) (?:\w+ )?)?{re.escape(word)}\b"
        for match in re.finditer(pattern, left):
            if match.group(1) is None:
                found.add(meanings[word])
        left = re.sub(pattern, " | ", left)
    return found


def word_list(path: Path | None = None) -> WordList:
    """Return the program's own word list, or the one in a file.

    Raises
    ------
    SettingsError
        If the file is missing or is not TOML, or names a column or a word the schema lacks, or
        one word for two meanings.
    """
    return _read(path or DEFAULT)


@lru_cache(maxsize=8)
def _read(path: Path) -> WordList:
    found = load_toml(path, _WordFile, "word list")
    meanings: dict[tuple[str, str], dict[str, str]] = {}
    for name, columns in (found.model_extra or {}).items():
        if name not in TABLES or not isinstance(columns, dict):
            raise SettingsError(f"{path}: [{name}] is no table; write [visits.grade] or the like")
        for column_name, words in columns.items():
            column = next((c for c in TABLES[name].columns if c.name == column_name), None)
            if column is None or not column.allowed:
                raise SettingsError(
                    f"{path}: {name}.{column_name} is no column with a list of allowed words"
                )
            meanings[name, column_name] = _meanings(path, name, column, words)
    return WordList(
        frozenset(simple(word) for word in found.blank),
        frozenset(simple(word) for word in found.dry),
        meanings,
    )


def _meanings(
    path: Path, table: str, column: Column, words: Mapping[str, Sequence[str]]
) -> dict[str, str]:
    known: dict[str, str] = {}
    for allowed, written in words.items():
        if allowed not in column.allowed:
            raise SettingsError(
                f"{path}: [{table}.{column.name}] {allowed} is not allowed there; use "
                f"{', '.join(column.allowed)}"
            )
        for word in written:
            other = known.setdefault(simple(word), allowed)
            if other != allowed:
                raise SettingsError(
                    f"{path}: [{table}.{column.name}] gives {word!r} two meanings, {other} and "
                    f"{allowed}; keep one"
                )
    return known
