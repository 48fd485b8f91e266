"""Conversions between the units of the trade, each in one place.

References
----------
NIST Handbook 44, Appendix C, "General Tables of Units of Measurement": the US gallon is 231 cubic
inches exactly, the international foot 0.3048 m exactly, the US survey foot 1200/3937 m exactly.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction
from typing import Final, TypeVar

import numpy as np
import numpy.typing as npt

from vaultplan.errors import SettingsError

Number = TypeVar("Number", float, npt.NDArray[np.float64])

CUBIC_INCHES_PER_GAL: Final = 231.0
GAL_PER_CUFT: Final = 12.0**3 / CUBIC_INCHES_PER_GAL
M_PER_FT: Final = 0.3048
M_PER_US_SURVEY_FT: Final = 1200.0 / 3937.0
FT_PER_MI: Final = 5280.0
IN_PER_FT: Final = 12.0
MM_PER_IN: Final = 25.4
LB_PER_GAL_WATER: Final = 8.34  # fresh water near 60 F; common practice, no source

_INCH: Final = Fraction(254, 10_000)
_FOOT: Final = 12 * _INCH
_GALLON: Final = 231 * _INCH**3
_POUND: Final = Fraction(45_359_237, 100_000_000)

#: What is measured and how much of the base unit (m, m3, s, kg, m3/s) one unit is, exactly.
UNITS: Final[Mapping[str, tuple[str, Fraction]]] = {
    "mm": ("length", Fraction(1, 1000)),
    "cm": ("length", Fraction(1, 100)),
    "m": ("length", Fraction(1)),
    "km": ("length", Fraction(1000)),
    "in": ("length", _INCH),
    "ft": ("length", _FOOT),
    "us_ft": ("length", Fraction(1200, 3937)),
    "mi": ("length", 5280 * _FOOT),
    "l": ("volume", Fraction(1, 1000)),
    "m3": ("volume", Fraction(1)),
    "gal": ("volume", _GALLON),
    "cuft": ("volume", _FOOT**3),
    "s": ("time", Fraction(1)),
    "min": ("time", Fraction(60)),
    "h": ("time", Fraction(3600)),
    "kg": ("weight", Fraction(1)),
    "t": ("weight", Fraction(1000)),
    "lb": ("weight", _POUND),
    "short_ton": ("weight", 2000 * _POUND),
    "gal/min": ("flow", _GALLON / 60),
    "l/min": ("flow", Fraction(1, 60_000)),
    "l/s": ("flow", Fraction(1, 1000)),
    "m3/h": ("flow", Fraction(1, 3600)),
    "cuft/s": ("flow", _FOOT**3),
}


def factor_between(from_unit: str, to_unit: str) -> Fraction:
    """Return the exact number that turns a value in one unit into another.

    Raises
    ------
    SettingsError
        If a unit is unknown or the two do not measure the same thing.

    Examples
    --------
    >>> factor_between("cuft", "gal")
    Fraction(576, 77)
    """
    for unit in (from_unit, to_unit):
        if unit not in UNITS:
            raise SettingsError(f"unknown unit {unit!r}; use one of {', '.join(UNITS)}")
    (what, size), (wanted, wanted_size) = UNITS[from_unit], UNITS[to_unit]
    if what != wanted:
        raise SettingsError(f"{from_unit!r} is a {what}, {to_unit!r} a {wanted}")
    return size / wanted_size


#: Pounds that a milligram per litre weighs in a gallon, 8.345e-6.
LB_PER_GAL_MG_L: Final = float(factor_between("gal", "l") * factor_between("kg", "lb")) * 1e-6


def convert(values: Number, from_unit: str, to_unit: str) -> Number:
    """Return values given in one unit in another; see ``UNITS`` for those known.

    >>> convert(60.0, "in", "ft")
    5.0
    """
    factor = factor_between(from_unit, to_unit)
    return values * float(factor.numerator) / float(factor.denominator)


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
