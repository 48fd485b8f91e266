"""Conversions between the units of the trade, each in one place.

References
----------
NIST Handbook 44, Appendix C, "General Tables of Units of Measurement": the US gallon is 231 cubic
inches exactly, the international foot 0.3048 m exactly, the US survey foot 1200/3937 m exactly.
"""

from __future__ import annotations

from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

Number = TypeVar("Number", float, npt.NDArray[np.float64])

CUBIC_INCHES_PER_GAL: Final = 231.0
GAL_PER_CUFT: Final = 12.0**3 / CUBIC_INCHES_PER_GAL
M_PER_FT: Final = 0.3048
M_PER_US_SURVEY_FT: Final = 1200.0 / 3937.0
FT_PER_MI: Final = 5280.0
IN_PER_FT: Final = 12.0
MM_PER_IN: Final = 25.4
LB_PER_GAL_WATER: Final = 8.34  # fresh water near 60 F; common practice, no source


def gal_from_cuft(volume_cuft: Number) -> Number:
    """Return US gallons from cubic feet.

    >>> round(gal_from_cuft(1.0), 6)
    7.480519
    """
    return volume_cuft * GAL_PER_CUFT


def cuft_from_gal(volume_gal: Number) -> Number:
    """Return cubic feet from US gallons."""
    return volume_gal / GAL_PER_CUFT


def ft_from_m(length_m: Number) -> Number:
    """Return international feet from metres."""
    return length_m / M_PER_FT


def m_from_ft(length_ft: Number) -> Number:
    """Return metres from international feet."""
    return length_ft * M_PER_FT


def ft_from_in(length_in: Number) -> Number:
    """Return feet from inches."""
    return length_in / IN_PER_FT


def in_from_ft(length_ft: Number) -> Number:
    """Return inches from feet."""
    return length_ft * IN_PER_FT


def in_from_mm(length_mm: Number) -> Number:
    """Return inches from millimetres, exact (1 in = 25.4 mm)."""
    return length_mm / MM_PER_IN


def mi_from_ft(length_ft: Number) -> Number:
    """Return statute miles from feet."""
    return length_ft / FT_PER_MI
