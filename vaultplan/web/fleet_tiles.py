"""The fleet as tiles of short binary arrays, so that a map of 400,000 vaults pans smoothly."""

from __future__ import annotations

import struct
import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schema import GRADES
from vaultplan.store.database import Database
from vaultplan.store.read import read_table

#: A tile with more vaults than this is told as cells, so many on a side.
MOST_POINTS: Final = 3_000
CELLS: Final = 32
MOST_LEVEL: Final = 14
#: Places in a tile are told in so many steps on a side.
STEPS: Final = 65_535
_KEPT_TILES: Final = 4_000
_HEAD: Final = struct.Struct("<BxxxI")
POINTS, SUMS = 1, 2
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Fleet:
    """All placed vaults: ids, places, and the grade last seen (0 not graded, then as ``GRADES``).

    The square of level 0 begins at ``west`` and ``south`` and has a side of ``side``, all in units
    of the database's CRS.
    """

    vault_ids: npt.NDArray[np.object_]
    x: Floats
    y: Floats
    grade: npt.NDArray[np.uint8]
    west: float
    south: float
    side: float


class FleetTiles:
    """Tiles of a database's fleet, read once and kept; what is recorded is noted in place."""

    def __init__(self, database: Database) -> None:
        self._database = database
        self._lock = threading.Lock()
        self._fleet: Fleet | None = None
        self._tiles: OrderedDict[tuple[int, int, int], bytes] = OrderedDict()

    def fleet(self) -> Fleet:
        """Return the fleet, read when it is first asked for."""
        with self._lock:
            if self._fleet is None:
                self._fleet = _read(self._database)
            return self._fleet

    def note_grade(self, vault_id: str, grade: str) -> None:
        """Take in that a grade was seen."""
        with self._lock:
            if self._fleet is not None and grade in GRADES:
                self._fleet.grade[self._fleet.vault_ids == vault_id] = 1 + GRADES.index(grade)
                self._tiles.clear()

    def tile(self, level: int, column: int, row: int) -> bytes:
        """Return a tile, column and row counted from west and south.

        Returns
        -------
        bytes
            Little endian: what it holds (``POINTS`` or ``SUMS``), how many, then for points their
            places (uint16 pairs of x, y in ``STEPS``), grades (uint8) and numbers (uint32); for
            sums the cells' places (uint8 pairs), vaults (uint32), graded ones and dirty ones
            (uint32 each). Empty if the tile lies beside the fleet.
        """
        fleet = self.fleet()
        key = (level, column, row)
        with self._lock:
            if key in self._tiles:
                self._tiles.move_to_end(key)
                return self._tiles[key]
        made = _tile(fleet, level, column, row)
        with self._lock:
            self._tiles[key] = made
            while len(self._tiles) > _KEPT_TILES:
                self._tiles.popitem(last=False)
        return made

    def ids(self, numbers: list[int]) -> list[str]:
        """Return the ids of vaults by their numbers in tiles; numbers of none are passed over."""
        known = self.fleet().vault_ids
        return [str(known[number]) for number in numbers if 0 <= number < len(known)]


def _tile(fleet: Fleet, level: int, column: int, row: int) -> bytes:
    side = fleet.side / 2**level
    x, y = fleet.x - (fleet.west + column * side), fleet.y - (fleet.south + row * side)
    at = np.flatnonzero((x >= 0) & (x < side) & (y >= 0) & (y < side))
    if not len(at):
        return b""
    x, y, grade = x[at] / side, y[at] / side, fleet.grade[at]
    if len(at) <= MOST_POINTS or level >= MOST_LEVEL:
        places = np.round(np.column_stack([x, y]) * STEPS).astype("<u2")
        return _packed(POINTS, at.astype("<u4"), places, grade)
    cell = (y * CELLS).astype(np.int64) * CELLS + (x * CELLS).astype(np.int64)
    filled = np.unique(cell)
    count, graded, dirty = (
        np.bincount(cell[which], minlength=CELLS * CELLS)[filled].astype("<u4")
        for which in (slice(None), grade > 0, grade > 1)
    )
    places8 = np.column_stack([filled % CELLS, filled // CELLS]).astype(np.uint8)
    return _packed(SUMS, count, graded, dirty, places8)


def _packed(kind: int, *arrays: npt.NDArray[Any]) -> bytes:
    return _HEAD.pack(kind, len(arrays[0])) + b"".join(array.tobytes() for array in arrays)


def _read(database: Database) -> Fleet:
    vaults: Any = read_table(database, "vaults", columns=["vault_id", "geometry"])
    vaults = vaults[vaults.geometry.notna() & ~vaults.geometry.is_empty]
    ids = vaults["vault_id"].to_numpy(dtype=object)
    x, y = vaults.geometry.x.to_numpy(float), vaults.geometry.y.to_numpy(float)
    seen = _last_grades(database).reindex(ids).fillna(0).to_numpy(dtype=np.uint8)
    if not len(ids):
        return Fleet(ids, x, y, seen, 0.0, 0.0, 1.0)
    # A few vaults lost at sea may not make the map of all others small.
    west, east = np.quantile(x, [0.001, 0.999])
    south, north = np.quantile(y, [0.001, 0.999])
    side = 1.05 * max(east - west, north - south, 1.0)
    middle_x, middle_y = (west + east) / 2, (south + north) / 2
    return Fleet(ids, x, y, seen, middle_x - side / 2, middle_y - side / 2, float(side))


def _last_grades(database: Database) -> pd.Series[Any]:
    """Return the grade that each vault was last seen with, as 1 and up, by id."""
    # Sorted here: a window function over five million visits takes an embedded database minutes.
    names = ["vault_id", "visited_at", "grade"]
    seen = read_table(database, "visits", where={"grade": list(GRADES)}, columns=names)
    last = seen.sort_values("visited_at", kind="stable").drop_duplicates("vault_id", keep="last")
    code = {grade: 1.0 + number for number, grade in enumerate(GRADES)}
    codes: pd.Series[Any] = last.set_index("vault_id")["grade"].map(code)
    return codes
