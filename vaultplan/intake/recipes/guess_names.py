"""What the name of a foreign column may mean: which column of the schema, in which unit."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Final

from vaultplan import units
from vaultplan.columns import Column, Table
from vaultplan.intake.recipes.guess_lexicon import Words, lexicon

#: How well a name fits, from the schema's own name down to one that only shares words; assumed.
OWN, SHORTENED, USUAL, QUALIFIED, WEAK, SHARED = 1.0, 0.97, 0.90, 0.84, 0.66, 0.58
_GUESSED_WORD: Final = 0.95
_SHAPEFILE_LETTERS: Final = 10
_CAMEL: Final = re.compile(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z])")
_UNIT_SIGN: Final = re.compile(r"(?<=[A-Za-z)\s])(\"|''|')$")
_SIGNS: Final = re.compile(r"[^0-9a-z#\"']+")
_VOWELS: Final = str.maketrans("", "", "aeiouy")


@dataclass(frozen=True, slots=True)
class Phrase:
    """A usual name of a column as a set of words."""

    said: str
    words: Words
    worth: float


@dataclass(frozen=True, slots=True)
class NameFit:
    """How well a name fits a column, why, and the unit that the name states."""

    score: float
    why: str
    unit: str | None = None


def split_name(name: str) -> list[str]:
    """Return the words of a column's name in small letters.

    >>> split_name("InsideDepth_FT"), split_name("Depth (in.)"), split_name("WO#")
    (['inside', 'depth', 'ft'], ['depth', 'in'], ['wo', '#'])
    """
    signed = _UNIT_SIGN.sub(r" \1", name.strip())
    apart = _CAMEL.sub(" ", signed).replace("#", " # ").lower()
    return [word.strip("'") or word for word in _SIGNS.split(apart) if word]


@dataclass(slots=True)
class NameReader:
    """Judges names of foreign columns against the columns of one table."""

    declared: Table
    is_shapefile: bool = False
    _phrases: dict[str, tuple[Phrase, ...]] = field(default_factory=dict)
    _known: Words = frozenset()
    _of_table: Words = frozenset()

    def __post_init__(self) -> None:
        own = [c.name[:-3] for c in self.declared.columns if c.name in self.declared.key[:1]]
        entities = lexicon().entities
        self._of_table = frozenset(
            word
            for entity in own
            for said in entities.get(entity, ())
            if not said.startswith("~")
            for word in _words(said)
        ) - {"id"}
        for column in self.declared.columns:
            if column.type != "geometry":
                self._phrases[column.name] = tuple(self._usual_names(column))
        places = [word for pair in lexicon().pairs for said in pair for word in _words(said)]
        self._known = frozenset(places).union(
            *(phrase.words for several in self._phrases.values() for phrase in several)
        )

    def _usual_names(self, column: Column) -> Iterable[Phrase]:
        own = split_name(column.name)
        bare, _ = _without_unit(own)
        yield Phrase(column.name, _words(" ".join(own)), USUAL)
        if bare:
            yield Phrase(column.name, _words(" ".join(bare)), USUAL)
        for said in lexicon().names.get(self.declared.name, {}).get(column.name, ()):
            yield _phrase(said)
        entity = column.refers_to.partition(".")[2] or column.name
        for said in lexicon().entities.get(entity.removesuffix("_id").removesuffix("_node"), ()):
            if column.name.endswith("_id") and not column.name.startswith("downstream"):
                phrase = _phrase(said)
                yield Phrase(f"{phrase.said} id", phrase.words | {"id"}, phrase.worth)
                yield Phrase(phrase.said, phrase.words, min(phrase.worth, QUALIFIED - 0.02))
        if column.name in self.declared.key[:1] and column.name.endswith("_id"):
            yield Phrase("id", frozenset({"id"}), WEAK)

    def judge(self, name: str, column: Column) -> NameFit | None:
        """Return how well a name fits a column, or nothing if it does not."""
        small = name.strip().lower()
        if small == column.name:
            return NameFit(OWN, "is the schema's own name")
        if self._is_shortened(small, column.name):
            return NameFit(SHORTENED, "is the schema's own name, cut to ten letters")
        said = split_name(name)
        words, guessed = self._resolve(said, small)
        best = self._best(words, column)
        unit = None
        bare, stated = _without_unit(self._apart(said))
        if stated is not None and _measures_alike(stated, column.unit):
            unit = stated
            if bare:
                bare_words, bare_guessed = self._resolve(bare, small)
                without = self._best(bare_words, column)
                if without is not None and (best is None or without[0] > best[0]):
                    best, guessed = without, bare_guessed
        if best is None:
            return None
        score, phrase = best
        why = f'reads as "{phrase}"' + (f', with the unit "{unit}" behind it' if unit else "")
        return NameFit(score * _GUESSED_WORD**guessed, why, unit)

    def is_about(self, name: str) -> bool:
        """Return whether a layer's name says that it holds the things of the table."""
        words = _words(name) - lexicon().neutral
        return bool(words) and words <= self._of_table

    def pairs(self, names: Sequence[str]) -> list[tuple[str, str]]:
        """Return pairs of columns named as easting and northing, the usual names first."""
        by_words: dict[Words, str] = {}
        for name in names:
            said = split_name(name)
            for part in (said, _without_unit(said)[0]):
                by_words.setdefault(self._resolve(part, name)[0] - lexicon().neutral, name)
        found: list[tuple[str, str]] = []
        for x, y in lexicon().pairs:
            east, north = _words(x), _words(y)
            for words, source in by_words.items():
                if east <= words and words - east <= self._of_table:
                    pair = (source, by_words.get((words - east) | north, source))
                    if pair[0] != pair[1] and pair not in found:
                        found.append(pair)
        return found

    def _is_shortened(self, small: str, name: str) -> bool:
        if not self.is_shapefile or len(name) <= _SHAPEFILE_LETTERS:
            return False
        start = name[:_SHAPEFILE_LETTERS]
        return small == start and [n[: len(start)] for n in self._phrases].count(start) == 1

    def _best(self, words: Words, column: Column) -> tuple[float, str] | None:
        idle = lexicon().neutral | self._of_table
        found = [(_likeness(words, phrase, idle), phrase) for phrase in self._phrases[column.name]]
        # Of equals the first, so that the same name is always told in the same words.
        score, best = max(found, key=lambda pair: pair[0])
        return None if score == 0 else (score, best.said)

    def _apart(self, said: Sequence[str]) -> list[str]:
        """Return the words with those run together taken apart: STRUCTNO, DEPTHFT."""
        return [piece for word in said for piece in self._pieces(word)]

    def _pieces(self, word: str) -> list[str]:
        known = self._is_known
        if known(word) or len(word) < 5 or not word.isalpha():
            return [word]
        for axis, rest in ((word[0], word[1:]), (word[-1], word[:-1])):
            if axis in "xy" and known(rest):
                return [axis, rest]
        ways: list[list[str] | None] = [[]] + [None] * len(word)
        for end in range(2, len(word) + 1):
            for start in range(0, end - 1):
                before = ways[start]
                if before is None or not known(word[start:end]):
                    continue
                way = [*before, word[start:end]]
                if (old := ways[end]) is None or _oddness(way) < _oddness(old):
                    ways[end] = way
        found = ways[-1]
        short = sum(len(piece) < 3 for piece in found or ())
        return [word] if not found or short > 1 or len(found) > 4 else found

    def _is_known(self, word: str) -> bool:
        return word in lexicon().short or word in lexicon().units or _stem(word) in self._known

    def _resolve(self, said: Sequence[str], whole: str) -> tuple[Words, int]:
        """Return the words written out, and how many of them had to be guessed."""
        found: set[str] = set()
        guessed = 0
        cut = self.is_shapefile and len(whole) == _SHAPEFILE_LETTERS
        for at, word in enumerate(apart := self._apart(said)):
            plain = lexicon().short.get(word) or lexicon().short.get(_stem(word)) or _stem(word)
            if plain not in self._known and plain not in lexicon().neutral:
                last = cut and at == len(apart) - 1
                meant = self._meant(word, 2 if last else 4)
                guessed += meant is not None
                plain = meant or plain
            found.add(plain)
        return frozenset(found), guessed

    def _meant(self, word: str, least: int) -> str | None:
        """Return the known word that an unknown one begins, is short for, or mistypes."""
        if not word.isalpha() or len(word) < least:
            return None
        begun = sorted((w for w in self._known if w.startswith(word)), key=lambda w: (len(w), w))
        if begun and (len(begun) == 1 or len(word) >= 4):
            return begun[0]
        if len(word) >= 4:
            bones = word[0] + word[1:].translate(_VOWELS)
            same = [w for w in self._known if w[0] + w[1:].translate(_VOWELS) == bones == word]
            if len(same) == 1:
                return same[0]
        if len(word) >= 6:
            close = difflib.get_close_matches(word, sorted(self._known), n=1, cutoff=0.82)
            return close[0] if close else None
        return None


def wkt_names(names: Sequence[str]) -> list[str]:
    """Return the columns whose names say that they hold shapes as text, the usual ones first."""
    usual = [_words(said) for said in lexicon().wkt]
    found = [(usual.index(words), name) for name in names if (words := _words(name)) in usual]
    return [name for _, name in sorted(found, key=lambda pair: pair[0])]


def _phrase(said: str) -> Phrase:
    worth = WEAK if said.startswith("~") else USUAL
    plain = said.lstrip("~")
    return Phrase(plain, _words(plain), worth)


def _words(said: str) -> Words:
    short = lexicon().short
    return frozenset(
        short.get(word) or short.get(_stem(word)) or _stem(word) for word in split_name(said)
    )


def _stem(word: str) -> str:
    if len(word) > 3 and word.endswith("s") and word[-2:] not in ("ss", "us", "is"):
        return word[:-1]
    return word


def _oddness(way: Sequence[str]) -> tuple[int, int]:
    return sum(len(piece) < 3 for piece in way), len(way)


def _without_unit(said: Sequence[str]) -> tuple[list[str], str | None]:
    """Return the words before the unit, and the unit, if the last words are one."""
    for count in (4, 3, 2, 1):
        tail = " ".join(said[-count:])
        if len(said) >= count and tail in lexicon().units:
            return list(said[:-count]), lexicon().units[tail]
    return list(said), None


def _measures_alike(unit: str, other: str) -> bool:
    return other in units.UNITS and units.UNITS[unit][0] == units.UNITS[other][0]


def _likeness(words: Words, phrase: Phrase, idle: Words) -> float:
    neutral = lexicon().neutral
    if words == phrase.words or (words - neutral and words - neutral == phrase.words - neutral):
        return phrase.worth
    core, wanted = words - idle, phrase.words - idle
    if core and core == wanted and (wanted != {"id"} or phrase.words == {"id"}):
        return min(phrase.worth, QUALIFIED)
    if phrase.worth < USUAL or not core or not wanted:
        return 0.0
    if len(wanted) >= 2 and wanted < core and len(core - wanted) == 1:
        return SHARED
    if core < wanted and len(wanted - core) == 1:
        return SHARED if len(core) >= 2 else SHARED - 0.08
    return 0.0
