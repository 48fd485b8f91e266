"""Conversions: exact definitions, round trips, and refusal of what cannot be converted."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from vaultplan import units
from vaultplan.errors import SettingsError

finite = st.floats(min_value=-1e9, max_value=1e9)
unit_pairs = st.sampled_from(
    [
        (a, b)
        for a, (what_a, _) in units.UNITS.items()
        for b, (what_b, _) in units.UNITS.items()
        if what_a == what_b
    ]
)


@given(finite)
@pytest.mark.parametrize(
    ("there", "back"),
    [
        (units.gal_from_cuft, units.cuft_from_gal),
        (units.ft_from_m, units.m_from_ft),
        (units.ft_from_in, units.in_from_ft),
    ],
)
def test_pairs_of_functions_undo_each_other(there, back, value):
    assert back(there(value)) == pytest.approx(value, rel=1e-12)


@given(finite, unit_pairs)
def test_convert_there_and_back(value, pair):
    one, other = pair
    assert units.convert(units.convert(value, one, other), other, one) == pytest.approx(
        value, rel=1e-12
    )


@pytest.mark.parametrize(
    ("value", "from_unit", "to_unit", "expected"),
    [
        (60.0, "in", "ft", 5.0),
        (1.0, "gal", "l", 3.785411784),
        (2.0, "h", "min", 120.0),
        (1.0, "cuft/s", "gal/min", 1728 / 231 * 60),
        (3.0, "short_ton", "lb", 6000.0),
        (1.0, "km", "mi", 1000 / 1609.344),
    ],
)
def test_convert_by_hand(value, from_unit, to_unit, expected):
    assert units.convert(value, from_unit, to_unit) == pytest.approx(expected, rel=1e-14)


def test_convert_whole_columns_and_blanks():
    depths = units.convert(np.array([12.0, np.nan, 18.0]), "in", "ft")
    np.testing.assert_array_equal(depths, [1.0, np.nan, 1.5])


def test_same_unit_changes_nothing():
    assert units.convert(0.1, "us_ft", "us_ft") == 0.1
    assert units.factor_between("us_ft", "ft") == Fraction(1_200, 3_937) / Fraction(3048, 10_000)


def test_functions_and_table_agree():
    assert units.convert(7.0, "cuft", "gal") == pytest.approx(units.gal_from_cuft(7.0), rel=1e-14)
    assert units.convert(7.0, "m", "ft") == pytest.approx(units.ft_from_m(7.0), rel=1e-14)
    assert units.convert(7.0, "mm", "in") == pytest.approx(units.in_from_mm(7.0), rel=1e-14)
    assert units.convert(7.0, "ft", "mi") == pytest.approx(units.mi_from_ft(7.0), rel=1e-14)


def test_what_cannot_be_converted_is_named():
    with pytest.raises(SettingsError, match="'fathom'"):
        units.convert(1.0, "fathom", "ft")
    with pytest.raises(SettingsError, match="'gal' is a volume, 'ft' a length"):
        units.convert(1.0, "gal", "ft")
