"""Words by which utilities' own files name columns, units and values, from ``names.toml``."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

Words = frozenset[str]


@dataclass(frozen=True, slots=True)
class Lexicon:
    """What ``names.toml`` says, ready for looking up."""

    short: dict[str, str]
    neutral: Words
    entities: dict[str, tuple[str, ...]]
    names: dict[str, dict[str, tuple[str, ...]]]
    units: dict[str, str]
    pairs: tuple[tuple[str, str], ...]
    wkt: tuple[str, ...]
    booleans: dict[str, str]
    words: dict[str, dict[str, dict[str, tuple[str, ...]]]]


@lru_cache(maxsize=1)
def lexicon() -> Lexicon:
    """Return the words of ``names.toml``."""
    path = Path(__file__).with_name("names.toml")
    said: dict[str, Any] = tomllib.loads(path.read_text(encoding="utf-8"))
    return Lexicon(
        short={w: full for full, forms in said["abbreviations"].items() for w in forms.split()},
        neutral=frozenset(said["neutral"]["words"].split()),
        entities={name: _listed(forms) for name, forms in said["entities"].items()},
        names={
            table: {column: _listed(forms) for column, forms in columns.items()}
            for table, columns in said["names"].items()
        },
        units={form: unit for unit, forms in said["units"].items() for form in _listed(forms)},
        pairs=tuple((x, y) for x, y in map(_listed, said["places"]["pairs"])),
        wkt=_listed(said["places"]["wkt"]),
        booleans={word: yes for yes, words in said["booleans"].items() for word in words},
        words=said["words"],
    )


def _listed(text: str) -> tuple[str, ...]:
    return tuple(part.strip() for part in text.split(";") if part.strip())
