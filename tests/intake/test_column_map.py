"""Column maps: read from TOML, frozen, and refused where they cannot be meant."""

from __future__ import annotations

from pathlib import Path

import pytest
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
    given = ColumnMap(files=("vault_export*.csv",))
    given.check_against(table("vaults"), Path("any/vault_export_2026.csv"))
    with pytest.raises(SettingsError, match=r"is for vault_export\*\.csv, not pumps\.csv"):
        given.check_against(table("vaults"), Path("pumps.csv"))


def test_places_only_where_the_table_has_shapes():
    with pytest.raises(SettingsError, match="visits has no geometry"):
        ColumnMap(x="E", y="N").check_against(table("visits"))
