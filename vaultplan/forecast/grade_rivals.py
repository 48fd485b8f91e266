"""Simpler forecasts of the grade, to measure the real one against.

Past gradings come sorted by vault and time: ``owner`` is the row of the vault of each, ``grade``
0 for clear, 1 for light, 2 for heavy.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from vaultplan.schema import GRADES

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

#: Each grade is counted once before anything was seen, so that none is impossible; assumed.
FIRST_COUNT: Final = 1.0


def class_grades(owner: Ints, grade: Ints, land_use: pd.Series[str], asked: Ints) -> Floats:
    """Return (points, grades): how vaults of the same land use were graded.

    ``land_use`` has one entry per vault, blank being a class of its own; ``asked`` is the row of
    the vault of each point.
    """
    code = pd.factorize(land_use.astype("str").fillna(""), sort=True)[0].astype(np.int64)
    shares = _shares(code[owner], grade, int(code.max(initial=0)) + 1)
    answer: Floats = shares[code[asked]]
    return answer


def last_grade(owner: Ints, grade: Ints, asked: Ints) -> Floats:
    """Return (points, grades): what followed, in all vaults, on the grade that was seen last.

    A vault never graded gets the shares of all gradings.
    """
    follows = owner[1:] == owner[:-1]
    never = len(GRADES)
    before = np.concatenate([grade[:-1][follows], np.full(len(grade), never)])
    after = np.concatenate([grade[1:][follows], grade])
    shares = _shares(before, after, never + 1)
    place = np.searchsorted(owner, asked, side="right") - 1
    graded = (place >= 0) & (np.append(owner, -1)[place] == asked)
    last = np.where(graded, np.append(grade, never)[place], never)
    answer: Floats = shares[last]
    return answer


def _shares(group: Ints, grade: Ints, groups: int) -> Floats:
    """Return (groups, grades): shares of the grades in each group."""
    cells = np.bincount(group * len(GRADES) + grade, minlength=groups * len(GRADES))
    counts = cells.reshape(groups, len(GRADES)) + FIRST_COUNT
    shares: Floats = counts / counts.sum(axis=1, keepdims=True)
    return shares
