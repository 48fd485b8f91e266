"""Where the rows of a chunk lie: the file's own shapes, well-known text, or x and y."""

from __future__ import annotations

from typing import Any, NamedTuple

import geopandas as gpd
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyproj
import shapely

from vaultplan.intake.files.chunk import Chunk
from vaultplan.intake.findings import FindingBook
from vaultplan.intake.reading import Reading
from vaultplan.intake.values import plain_digits, tidy

Mask = npt.NDArray[np.bool_]


class Places(NamedTuple):
    """Shapes in the file's CRS; ``blamed`` are rows whose place is already in the book."""

    shapes: gpd.GeoSeries
    blamed: Mask


def places_of(
    chunk: Chunk,
    places: tuple[str, ...],
    crs: pyproj.CRS | None,
    reading: Reading,
    book: FindingBook,
) -> Places:
    """Return where each row lies, from the file's shapes or else from the columns in ``places``.

    ``places`` holds one column of well-known text, or x and y, or nothing. Then no row has a place,
    and all count as blamed: that is a fault of the file, not of each row.
    """
    rows = chunk.frame.index
    if chunk.geometry is not None and chunk.unreadable is not None:
        shapes, blamed = chunk.geometry, chunk.unreadable
        _blame_unreadable(pd.Series("", index=rows[blamed], dtype="str"), book)
    elif len(places) == 2:
        shapes, blamed = _points(chunk.frame, places, reading, book)
    elif places:
        text = tidy(chunk.frame[places[0]])
        written = list(text.astype(object).where(text.notna(), None))
        shapes = np.asarray(shapely.from_wkt(written, on_invalid="ignore"), dtype=object)
        blamed = shapely.is_missing(shapes) & text.notna().to_numpy(dtype=bool)
        _blame_unreadable(text[blamed], book)
    else:
        shapes, blamed = np.full(len(rows), None, dtype=object), np.ones(len(rows), dtype=bool)
    return Places(gpd.GeoSeries(shapes, index=rows, crs=crs), blamed)


def _points(
    frame: pd.DataFrame, places: tuple[str, ...], reading: Reading, book: FindingBook
) -> tuple[npt.NDArray[Any], Mask]:
    text = pd.DataFrame({name: tidy(frame[name]) for name in places})
    digits = text.apply(lambda written: plain_digits(written, reading))
    numbers = digits.apply(pd.to_numeric, errors="coerce")
    given = text.notna().to_numpy(dtype=bool)
    finite: Mask = np.isfinite(numbers.to_numpy(dtype=np.float64))
    for at, name in enumerate(places):
        book.add(
            "not_a_coordinate",
            name,
            text[name][given[:, at] & ~finite[:, at]],
            "is not a coordinate",
            "write a plain decimal number, west and south negative",
        )
    count = given.sum(axis=1)
    half = count == 1
    x, y = places
    book.add(
        "half_a_place",
        ", ".join(places),
        text[x][half].fillna("-").str.cat(text[y][half].fillna("-"), sep=", "),
        "only one of the two is given",
        "give both",
    )
    whole = finite.all(axis=1)
    points = np.full(len(frame), None, dtype=object)
    points[whole] = shapely.points(numbers.to_numpy(dtype=np.float64)[whole])
    return points, (count > 0) & ~whole


def _blame_unreadable(values: pd.Series[Any], book: FindingBook) -> None:
    book.add(
        "shape_unreadable",
        "geometry",
        values,
        "holds a shape that cannot be understood",
        "redraw it with straight segments",
    )
