"""Column maps: read from TOML, frozen, and refused where they cannot be meant."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from vaultplan.errors import SettingsError
from vaultplan.intake import ColumnMap, load_column_map
from vaultplan.schema import table

FULL = """
files = ["vault_export*.csv"]
crs = "EPSG:2227"
time_zone = "Pacific/Honolulu"
x = "EAST"
y = "NORTH"

[columns]
vault_id = "VAULT_NO"
depth_ft = "DEPTH"

[units]
depth_ft = "in"

[values.kind]
V = "vault"
"?" = ""

[constants]
status = "in_service"
"""


def test_a_full_map(write):
    found = load_column_map(write("map.toml", FULL), table("vaults"))
    assert found.columns == {"vault_id": "VAULT_NO", "depth_ft": "DEPTH"}
    assert found.units == {"depth_ft": "in"}
    assert found.values == {"kind": {"V": "vault", "?": ""}}
    assert found.constants == {"status": "in_service"}
    assert (found.x, found.y, found.crs) == ("EAST", "NORTH", "EPSG:2227")
    with pytest.raises(ValidationError, match="frozen"):
        found.crs = "EPSG:4326"


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            '[columns]\nvault_no = "A"\n[units]\nheight_ft = "m"',
            "height_ft, vault_no, which vaults",
        ),
        ('[columns]\ngeometry = "SHAPE"', "names geometry"),
        ('[units]\ndepth_ft = "fathom"', "unknown unit fathom"),
        ('[units]\ndepth_ft = "gal"', "'gal' is a volume, 'ft' a length"),
        ('[units]\naddress = "ft"', "address: vaults gives it no unit"),
        ('[values.kind]\nV = "valut"', r"\[values.kind\] leads to valut; allowed are vault"),
        ('[columns]\nkind = "K"\n[constants]\nkind = "vault"', "both a column and a constant"),
        ('x = "E"', "one of x and y"),
        ('x = "E"\ny = "N"\nwkt = "W"', "one or the other"),
        ('time_zone = "Saltmarrow"', "no time zone"),
        ('colour = "red"', "colour: Extra inputs"),
        ("[columns", "not a TOML file"),
        ('delimiter = "::"', "delimiter"),
    ],
)
def test_maps_that_cannot_be_meant(write, text, told):
    with pytest.raises(SettingsError, match=told):
        load_column_map(write("map.toml", text), table("vaults"))


def test_a_map_that_is_not_there(tmp_path):
    with pytest.raises(SettingsError, match="no column map"):
        load_column_map(tmp_path / "none.toml")


def test_a_map_for_other_files():
    limited = ColumnMap(files=("vault_export*.csv",))
    limited.check_against(table("vaults"), Path("any/vault_export_2026.csv"))
    with pytest.raises(SettingsError, match=r"is for vault_export\*\.csv, not pumps\.csv"):
        limited.check_against(table("vaults"), Path("pumps.csv"))


def test_places_only_where_the_table_has_shapes():
    with pytest.raises(SettingsError, match="visits has no geometry"):
        ColumnMap(x="E", y="N").check_against(table("visits"))


def test_marks_in_numbers_must_differ(write):
    load_column_map(write("map.toml", 'thousands = "."\ndecimal = ","'))
    for text in ('decimal = ","\nthousands = ","', 'thousands = "."'):
        with pytest.raises(SettingsError, match="a number could not be read"):
            load_column_map(write("map.toml", text))
    for text in ('thousands = "_"', 'decimal = ";"'):
        with pytest.raises(SettingsError, match="Input should be"):
            load_column_map(write("map.toml", text))


def test_several_words_in_one_cell():
    several = ColumnMap(values={"days": {"M-F": "mon;tue;wed;thu;fri", "none": ""}})
    several.check_against(table("trucks"))
    with pytest.raises(SettingsError, match="leads to funday; allowed are mon"):
        ColumnMap(values={"days": {"W": "mon;funday"}}).check_against(table("trucks"))
    with pytest.raises(SettingsError, match="leads to crew;vacuum"):
        ColumnMap(values={"kind": {"C": "crew;vacuum"}}).check_against(table("trucks"))


def test_a_written_map_says_what_its_parts_mean(write):
    full = load_column_map(write("map.toml", FULL))
    lines = full.to_toml().splitlines()
    for part in ("[columns]", "[units]", "[values.kind]", "[constants]", 'x = "EAST"'):
        assert lines[lines.index(part) - 1].startswith("# ")
    assert '"?" = ""' in lines
    assert len(ColumnMap().to_toml().splitlines()) == 1


# Surrogates alone are no letters and cannot stand in any file.
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
NAMES = st.dictionaries(WORDS, WORDS, max_size=4)
NUMBERS = st.floats(allow_nan=False) | st.integers(-(2**62), 2**62)
MAPS = st.builds(
    ColumnMap,
    files=st.lists(WORDS, max_size=3).map(tuple),
    layer=st.none() | WORDS,
    encoding=st.none() | WORDS,
    delimiter=st.none() | st.characters(exclude_categories=["Cs"]),
    crs=st.none() | WORDS,
    time_zone=st.sampled_from([None, "Pacific/Honolulu", "Etc/GMT+10"]),
    date_format=st.none() | WORDS,
    thousands=st.sampled_from([None, "'", " "]),
    decimal=st.sampled_from([".", ","]),
    excel_days=st.booleans(),
    wkt=st.none() | WORDS,
    columns=NAMES,
    units=st.dictionaries(WORDS, st.sampled_from(["in", "gal/min", "us_ft"]), max_size=3),
    values=st.dictionaries(WORDS, NAMES, max_size=3),
    constants=st.dictionaries(WORDS, WORDS | st.booleans() | NUMBERS, max_size=4),
)


@given(MAPS)
@example(ColumnMap(columns={"a.b": 'say "x" \\ y', "": "\r\n\t\0\x85\u2028", "[c]": "# 'd'"}))
@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_a_map_reads_back_as_it_was_written(tmp_path, column_map):
    path = tmp_path / "map.toml"
    path.write_text(column_map.to_toml(), encoding="utf-8")
    found = load_column_map(path)
    assert found == column_map
    assert [type(value) for value in found.constants.values()] == [
        type(value) for value in column_map.constants.values()
    ]
    assert found.to_toml() == column_map.to_toml()
