"""Some rows of a user's file, as they stand in it."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import pyproj


@dataclass(frozen=True, slots=True)
class Chunk:
    """Rows of one file.

    ``frame`` holds text only and is indexed by the row as the user sees it. ``geometry``, of the
    same length, holds shapes in ``crs`` (``None``: not stated), or is ``None`` if the file has
    none. ``unreadable`` marks shapes that are there but cannot be understood. ``misfits`` are rows
    with more or fewer values than the header, told by row; they are not in ``frame``. ``blank``
    counts wholly blank rows, which are left out. ``size`` counts all rows gone through: it is
    ``len(frame) + len(misfits) + blank``. ``inner`` is the ending of the file in an archive.
    """

    file: Path
    frame: pd.DataFrame
    geometry: np.ndarray | None = None
    unreadable: np.ndarray | None = None
    crs: pyproj.CRS | None = None
    size: int = 0
    misfits: tuple[tuple[int, str, str], ...] = ()
    blank: int = 0
    inner: str = ""

    @property
    def ending(self) -> str:
        """The ending of the file the rows stand in, such as ``.csv``, also inside an archive."""
        return self.inner or self.file.suffix.lower()

    @property
    def first_row(self) -> int:
        """The first row, as the user sees it; 0 if the chunk is empty."""
        return int(self.frame.index[0]) if len(self.frame) else 0
