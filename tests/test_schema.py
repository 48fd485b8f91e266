"""The declared tables hold together: keys, references, units, and the dictionary made of them."""

from __future__ import annotations

import re

import geopandas as gpd
import pytest

from vaultplan.errors import SchemaError
from vaultplan.schema import LOADABLE, STORED, TABLES, data_dictionary, table

UNIT_OF_ENDING = {
    "ft": "ft",
    "in": "in",
    "gal": "gal",
    "gpm": "gal/min",
    "minutes": "min",
    "hours": "h",
    "mi": "mi",
    "lb": "lb",
}
ALL_COLUMNS = [(declared, column) for declared in TABLES.values() for column in declared.columns]


@pytest.mark.parametrize("declared", TABLES.values(), ids=list(TABLES))
def test_keys_are_required_columns_of_their_table(declared):
    assert declared.key
    for name in declared.key:
        assert declared.column(name).required


@pytest.mark.parametrize("declared", TABLES.values(), ids=list(TABLES))
def test_names_are_used_once_and_meanings_given(declared):
    assert len(set(declared.column_names)) == len(declared.columns)
    assert declared.meaning.endswith(".")
    assert all(column.meaning for column in declared.columns)


def test_references_lead_to_the_only_key_of_another_table():
    for declared, column in ALL_COLUMNS:
        if column.refers_to:
            target, _, name = column.refers_to.partition(".")
            assert table(target).key == (name,), f"{declared.name}.{column.name}"
            assert table(target).column(name).type == column.type


def test_names_end_in_their_unit():
    for declared, column in ALL_COLUMNS:
        ending = re.sub(r"_(p10|p50|p90|mean)$", "", column.name).rpartition("_")[2]
        if column.type == "real" and ending in UNIT_OF_ENDING and "usd" not in column.name:
            assert column.unit == UNIT_OF_ENDING[ending], f"{declared.name}.{column.name}"


def test_one_name_has_one_type_and_unit_everywhere():
    seen: dict[str, tuple[str, str]] = {}
    for declared, column in ALL_COLUMNS:
        if column.type != "geometry":
            kind = (column.type, column.unit)
            assert seen.setdefault(column.name, kind) == kind, f"{declared.name}.{column.name}"


def test_ranges_are_the_right_way_round():
    for _, column in ALL_COLUMNS:
        if column.least is not None and column.most is not None:
            assert column.least < column.most


def test_who_writes_which_table():
    assert set(LOADABLE) < set(STORED) < set(TABLES)
    assert "visits" in LOADABLE
    assert "plans" in STORED
    assert "plans" not in LOADABLE
    assert "forecasts" not in STORED


@pytest.mark.parametrize("name", TABLES)
def test_every_table_can_be_empty_and_still_conform(name):
    empty = table(name).empty("EPSG:32606")
    assert tuple(empty.columns) == table(name).column_names
    assert isinstance(empty, gpd.GeoDataFrame) == (table(name).geometry is not None)
    again = table(name).conform(empty)
    assert again.dtypes.equals(empty.dtypes)


def test_the_dictionary_tells_every_column_with_unit_and_words():
    told = data_dictionary()
    for declared in TABLES.values():
        assert f"\n## {declared.name}\n" in told
        part = told.split(f"\n## {declared.name}\n")[1].split("\n## ")[0]
        for column in declared.columns:
            row = next(x for x in part.splitlines() if x.startswith(f"| {column.name} |"))
            assert column.meaning in row
            assert f"| {column.unit} |" in row
            assert all(word in row for word in column.allowed)
            assert row.count("|") == 7
    assert "| priority | integer |  |  | 1 most urgent, 5 least | 1 to 5 |" in told


def test_a_table_that_is_not_there():
    with pytest.raises(SchemaError, match="no table 'manholes'"):
        table("manholes")
