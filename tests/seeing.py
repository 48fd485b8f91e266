"""What eyes get from a picture: contrast of letters, lightness in grey, outlines of marks."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def luminance(colours: npt.ArrayLike) -> Floats:
    """Return WCAG's relative luminance of sRGB colours, red, green and blue from 0 to 255.

    W3C (2018), WCAG 2.1, definition of relative luminance, with the erratum of the threshold.
    """
    parts = np.asarray(colours, dtype=float) / 255
    linear = np.where(parts <= 0.04045, parts / 12.92, ((parts + 0.055) / 1.055) ** 2.4)
    return np.asarray(linear @ np.array([0.2126, 0.7152, 0.0722]))


def contrast(letters: npt.ArrayLike, ground: npt.ArrayLike) -> Floats:
    """Return WCAG's contrast ratio, 1 to 21; either may be many colours."""
    a, b = luminance(letters), luminance(ground)
    return np.asarray((np.maximum(a, b) + 0.05) / (np.minimum(a, b) + 0.05))


def lightness(colours: npt.ArrayLike) -> Floats:
    """Return CIE L*, 0 to 100, of sRGB colours: CIE 15:2004, from the luminance."""
    y = luminance(colours)
    return np.where(y > (6 / 29) ** 3, 116 * np.cbrt(y) - 16, y * (29 / 3) ** 3)


def rgb(colour: str) -> Floats:
    """Return the parts of ``#RRGGBB``, 0 to 255."""
    return np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)], dtype=float)


def overlap(first: npt.NDArray[np.bool_], second: npt.NDArray[np.bool_]) -> float:
    """Return which share of two shapes they have in common, laid over each other at one size."""
    a, b = _framed(first), _framed(second)
    return float((a & b).sum() / (a | b).sum())


def _framed(shape: npt.NDArray[np.bool_], size: int = 60) -> npt.NDArray[np.bool_]:
    rows, columns = np.nonzero(shape)
    down = np.linspace(rows.min(), rows.max(), size).round().astype(int)
    across = np.linspace(columns.min(), columns.max(), size).round().astype(int)
    return shape[np.ix_(down, across)]
