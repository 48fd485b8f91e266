"""The bench that damage is done on: picks unspoiled rows, alters them, writes down what it did."""

from __future__ import annotations

import json
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import pandas as pd
import shapely

from spoiling.folder import Folder
from vaultplan import schema

ANSWERS = ("way", "rule", "table", "file", "row", "row_key", "column", "before", "after")
#: What a repair must come to: the clean value again; a range that holds it; the row kept once;
#: the written value as it stands; no repair offered, as nobody can know; nothing is asked.
Mends = Literal["value", "range", "once", "kept", "refused", ""]


@dataclass(frozen=True)
class Way:
    """One way in which people spoil rows, the rule that should tell it, and what a repair owes.

    ``within`` is how far a mended number (in its unit) or place (in feet) may be off; ``owed`` the
    only column whose clean value can be known, if there are others that cannot.
    """

    name: str
    rule: str
    table: str
    mends: Mends
    within: float
    owed: str
    spoil: Callable[[Bench], None]

    @property
    def told(self) -> str:
        """What it does to a row, and which rows it leaves out."""
        return " ".join((self.spoil.__doc__ or "").split())


WAYS: dict[str, Way] = {}


def way(
    rule: str, table: str, mends: Mends = "", *, within: float = 0.01, owed: str = ""
) -> Callable[[Callable[[Bench], None]], Callable[[Bench], None]]:
    """Enter a function as the way of its name."""

    def enter(spoil: Callable[[Bench], None]) -> Callable[[Bench], None]:
        name = spoil.__name__
        WAYS[name] = Way(name, rule, table, mends, within, owed, spoil)
        return spoil

    return enter


class Bench:
    """A folder that is being spoiled; a row is spoiled in one way only."""

    def __init__(self, folder: Folder, seed: int, per_way: int) -> None:
        self.folder, self.seed, self.per_way = folder, seed, per_way
        self.rng = np.random.default_rng(seed)
        self.answers: list[tuple[Any, ...]] = []
        self._used: dict[str, set[int]] = {}
        self._way: Way | None = None

    def run(self, way: Way) -> None:
        """Spoil rows in one way; what is drawn depends on the seed and the way's name."""
        if way.table not in self.folder:
            return
        self._way = way
        self.rng = np.random.default_rng([self.seed, zlib.crc32(way.name.encode())])
        way.spoil(self)

    def __getitem__(self, name: str) -> pd.DataFrame:
        return self.folder[name]

    @property
    def table(self) -> str:
        """Table of the way at work."""
        assert self._way is not None
        return self._way.table

    @property
    def rows(self) -> pd.DataFrame:
        """Rows of the way's table as they stand now."""
        return self[self.table]

    def number(self, column: str) -> pd.Series[Any]:
        """Return a column of the way's table as numbers; blank where it is blank."""
        return pd.to_numeric(self.rows[column], errors="coerce").astype("float64")

    def times(self, column: str) -> pd.Series[Any]:
        """Return a column of the way's table as moments; blank where it is none as it should be."""
        return pd.to_datetime(self.rows[column], errors="coerce", utc=True, format="ISO8601")

    def sound(self, table: str) -> pd.Series[Any]:
        """Return which rows of a table nothing was done to yet."""
        used = list(self._used.get(table, ()))
        return pd.Series(~self[table].index.isin(used), index=self[table].index)

    def whole(self, table: str) -> pd.Series[Any]:
        """Return which rows of a table are unspoiled and name a whole vault or visit, if any."""
        free = self.sound(table)
        for column, parent in (("vault_id", "vaults"), ("visit_id", "visits")):
            if column in self[table] and table != parent:
                named = self[parent].loc[self.whole(parent), column]
                free &= self[table][column].isin(named)
        return free

    def pick(self, fitting: pd.Series[Any] | None = None) -> pd.Index[Any]:
        """Draw unspoiled rows of the way's table that fit, in order, and keep other ways off."""
        free = self.whole(self.table)
        if fitting is not None:
            free &= fitting.fillna(value=False).astype(bool)
        rows = free.index[free]
        most = min(self.per_way, len(rows), max(1, len(self.rows) // 3))
        drawn = np.sort(self.rng.choice(rows.to_numpy(), most, replace=False))
        self.use(drawn)
        return pd.Index(drawn)

    def use(self, rows: Sequence[int]) -> None:
        """Keep other ways off rows."""
        self._used.setdefault(self.table, set()).update(int(row) for row in rows)

    def put(self, column: str, values: pd.Series[Any]) -> None:
        """Put values into rows, by row number, and write down what stood there."""
        table = self.rows
        keys = _keys(self.table, table.loc[values.index])
        before = table.loc[values.index, column]
        for row, old, new in zip(values.index, before, values, strict=True):
            self._answer(int(row), keys[row], column, _text(old), _text(new))
        if column == "geometry":
            shapes = table.geometry.to_numpy().copy()
            shapes[table.index.get_indexer(values.index)] = values.to_numpy()
            table.geometry = shapes
        else:
            table.loc[values.index, column] = values
        self.folder.touched.add(self.table)

    def append(self, rows: pd.DataFrame) -> pd.Index[Any]:
        """Put new rows at the end and write down that they should not be there."""
        new = self.folder.append(self.table, rows)
        self.use(new.to_numpy())
        keys = _keys(self.table, self.rows.loc[new])
        for row in new:
            self._answer(int(row), keys[row], "", "", keys[row])
        self.folder.touched.add(self.table)
        return new

    def tear(self, row: int, cells: list[str], column: str, before: str, after: str) -> None:
        """Write a row with other cells than its header has."""
        self.folder.torn[self.table, row] = cells
        key = _keys(self.table, self.rows.loc[[row]])[row]
        self._answer(row, key, column, before, after)
        self.folder.touched.add(self.table)

    def choose(self, rows: pd.Index[Any], choices: Sequence[str]) -> pd.Series[Any]:
        """Return one of the choices for each row, each about as often."""
        at = self.rng.permutation(len(rows)) % len(choices)
        return pd.Series([choices[i] for i in at], index=rows, dtype="str")

    def told(self) -> pd.DataFrame:
        """Return all that was done: ``ANSWERS``."""
        return pd.DataFrame(self.answers, columns=list(ANSWERS))

    def _answer(self, row: int, key: str, column: str, before: str, after: str) -> None:
        assert self._way is not None
        said = (self._way.name, self._way.rule, self.table, self.folder.file_of(self.table))
        self.answers.append((*said, row, key, column, before, after))


def _keys(table: str, rows: pd.DataFrame) -> pd.Series[Any]:
    """Return each row's key: the id itself, or a JSON list where a key has parts."""
    key = schema.table(table).key
    if len(key) == 1:
        return rows[key[0]].astype("str")
    listed = [json.dumps([str(v) for v in row]) for row in rows[list(key)].to_numpy(dtype=object)]
    return pd.Series(listed, index=rows.index, dtype="str")


def _text(value: object) -> str:
    if isinstance(value, shapely.Geometry):
        return str(shapely.to_wkt(value, rounding_precision=-1, trim=True))
    return "" if value is None or value is pd.NA or value != value else str(value)
