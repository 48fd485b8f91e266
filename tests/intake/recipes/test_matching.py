"""Which file column is which: the map first, then the name, then a Shapefile's short name."""

from __future__ import annotations

from pathlib import Path

import pytest

from vaultplan.errors import SettingsError
from vaultplan.intake.recipes.column_map import ColumnMap
from vaultplan.intake.recipes.matching import match_columns
from vaultplan.schema import table

CSV = Path("t.csv")
SHP = Path("t.shp")


def test_names_capitals_aside_and_what_is_left_over():
    found = match_columns(
        table("depots"), ["DEPOT_ID", "Name", "colour"], CSV, ColumnMap(), has_shapes=True
    )
    assert found.sources == {"depot_id": "DEPOT_ID", "name": "Name"}
    assert found.unused == ("colour",)
    assert found.missing == ()


def test_the_map_comes_first_and_its_column_is_not_used_twice():
    given = ColumnMap(columns={"name": "depot_id", "depot_id": "no"})
    found = match_columns(table("depots"), ["NO", "depot_id"], CSV, given, has_shapes=True)
    assert found.sources == {"name": "depot_id", "depot_id": "NO"}


def test_missing_required_columns_unless_a_constant_gives_them():
    assert match_columns(
        table("trucks"), ["truck_id"], CSV, ColumnMap(), has_shapes=False
    ).missing == ("kind", "depot_id", "shift_from", "shift_to")
    given = ColumnMap(constants={"kind": "crew", "depot_id": "D1", "shift_from": "07:00"})
    assert match_columns(table("trucks"), ["truck_id"], CSV, given, has_shapes=False).missing == (
        "shift_to",
    )


def test_a_mapped_column_that_the_file_lacks():
    given = ColumnMap(columns={"depot_id": "YARD"})
    with pytest.raises(SettingsError, match="no column 'YARD'; it has no, name"):
        match_columns(table("depots"), ["no", "name"], CSV, given, has_shapes=True)


def test_two_columns_that_differ_in_capitals_only():
    with pytest.raises(SettingsError, match="Name, NAME may all be name"):
        match_columns(table("depots"), ["depot_id", "Name", "NAME"], CSV, ColumnMap(), has_shapes=1)


def test_short_names_of_a_shapefile():
    names = ["vault_id", "WATER_TABL", "has_irriga"]
    in_shapefile = match_columns(table("vaults"), names, SHP, ColumnMap(), has_shapes=True)
    assert in_shapefile.sources == {
        "vault_id": "vault_id",
        "water_table_ft": "WATER_TABL",
        "has_irrigation": "has_irriga",
    }
    elsewhere = match_columns(table("vaults"), names, CSV, ColumnMap(), has_shapes=True)
    assert elsewhere.unused == ("WATER_TABL", "has_irriga")


def test_a_short_name_that_fits_two_columns_is_left_alone():
    short = match_columns(table("forecasts"), ["volume_gal"], SHP, ColumnMap(), has_shapes=False)
    assert "volume_gal_p10" not in short.sources
    assert short.unused == ("volume_gal",)


@pytest.mark.parametrize(
    ("names", "given", "places"),
    [
        (["depot_id", "X", "Y"], {}, ("X", "Y")),
        (["depot_id", "WKT", "x", "y"], {}, ("WKT",)),
        (["depot_id", "geometry"], {}, ("geometry",)),
        (["depot_id", "x"], {}, ()),
        (["depot_id", "E", "N"], {"x": "e", "y": "n"}, ("E", "N")),
        (["depot_id", "x", "y", "shape"], {"wkt": "shape"}, ("shape",)),
    ],
)
def test_where_the_shape_is(names, given, places):
    found = match_columns(table("depots"), names, CSV, ColumnMap(**given), has_shapes=False)
    assert found.places == places


def test_a_column_that_the_map_takes_for_a_place_is_read_as_nothing_else():
    names = ["vault_id", "shape", "length_ft", "width_ft"]
    given = ColumnMap(wkt="SHAPE")
    found = match_columns(table("vaults"), names, CSV, given, has_shapes=False)
    assert found.places == ("shape",)
    assert "shape" not in found.sources
    both = ColumnMap(x="length_ft", y="width_ft", columns={"length_ft": "length_ft"})
    found = match_columns(table("vaults"), names, CSV, both, has_shapes=False)
    assert set(found.sources) == {"vault_id", "shape", "length_ft"}
    # Where the file has shapes of its own, the map's columns for places are not looked at.
    found = match_columns(table("vaults"), names, CSV, ColumnMap(wkt="gone"), has_shapes=True)
    assert found.places == ()
    assert "shape" in found.sources
