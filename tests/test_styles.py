"""Styles: every spatial layer has one, and both documents are well-formed and say the same."""

import re
import sqlite3
import xml.etree.ElementTree as ET

import geopandas as gpd
import pyogrio
import pytest
from shapely.geometry import Point

from vaultplan.schema import GRADES, METHODS, TABLES
from vaultplan.styles import (
    DIVERGING,
    GRADE_COLOURS,
    GRADE_GLYPHS,
    GRADE_HATCHES,
    GRADE_ORDER,
    LAYER_STYLES,
    METHOD_GRADES,
    SEQUENTIAL,
    grade_symbol,
    qml,
    sld,
    style_by_grade,
    style_of,
    write_layer_styles,
)

SLD = "{http://www.opengis.net/sld}"
KINDS = {"POINT": "point", "LINESTRING": "line", "MULTIPOLYGON": "area", "GEOMETRY": "area"}


def test_every_spatial_table_has_a_style_of_its_kind_and_no_other_layer_has():
    shapes = {name: t.geometry.shape for name, t in TABLES.items() if t.geometry is not None}
    assert set(LAYER_STYLES) == set(shapes)
    assert {n: s.kind for n, s in LAYER_STYLES.items()} == {n: KINDS[s] for n, s in shapes.items()}


def test_a_style_by_column_names_a_column_and_values_that_exist():
    for name, style in LAYER_STYLES.items():
        if style.symbols:
            assert set(style.symbols) <= set(TABLES[name].column(style.column).allowed)


def test_each_grade_and_method_has_its_own_colour_and_glyph():
    for grades in (GRADE_COLOURS, GRADE_GLYPHS, GRADE_HATCHES):
        assert set(grades) == set(GRADE_ORDER) == {*GRADES, "unknown"}
        assert len(set(grades.values())) == 4
    assert set(METHOD_GRADES) == set(METHODS)
    assert grade_symbol("muddy") == grade_symbol("unknown")
    assert all(re.fullmatch("#[0-9A-F]{6}", c) for c in (*SEQUENTIAL, *DIVERGING))


@pytest.mark.parametrize("layer", LAYER_STYLES)
def test_both_documents_are_well_formed_and_draw_each_case(layer):
    style = LAYER_STYLES[layer]
    described = ET.fromstring(sld(layer, style))
    rules = list(described.iter(f"{SLD}Rule"))
    document = ET.fromstring(qml(style))
    symbols = document.findall("renderer-v2/symbols/symbol")
    assert len(rules) == len(symbols) == len(style.cases)
    kind = {"point": "marker", "line": "line", "area": "fill"}[style.kind]
    assert {symbol.get("type") for symbol in symbols} == {kind}


def test_colours_in_the_documents_are_those_of_the_grades():
    text = sld("seen", style_by_grade("grade"))
    for colour in GRADE_COLOURS.values():
        assert colour in text
    document = ET.fromstring(qml(style_by_grade("grade")))
    drawn = {
        category.get("value"): document.find(
            f"renderer-v2/symbols/symbol[@name='{category.get('symbol')}']"
            "/layer/Option/Option[@name='color']"
        ).get("value")
        for category in document.iter("category")
    }
    assert drawn["clear"] == "124,196,234,255"
    assert drawn[""] == "255,255,255,255"


def test_names_with_markup_stay_text():
    style = style_of("a<b", "POINT")
    assert ET.fromstring(sld("a<b & c", style)).findtext(f".//{SLD}Name") == "a<b & c"


def test_styles_are_found_in_a_file_and_written_once(tmp_path):
    path = tmp_path / "layers.gpkg"
    gpd.GeoDataFrame({"geometry": [Point(1, 2)]}, crs="EPSG:32606").to_file(path, layer="vaults")
    for _ in range(2):
        with sqlite3.connect(path) as connection:
            write_layer_styles(connection, {"vaults": LAYER_STYLES["vaults"]})
        connection.close()
    styles = pyogrio.read_dataframe(path, layer="layer_styles")
    assert styles["f_table_name"].tolist() == ["vaults"]
    assert styles["useAsDefault"].tolist() == [True]
    assert styles["styleSLD"][0] == sld("vaults", LAYER_STYLES["vaults"])
    assert {name for name, _ in pyogrio.list_layers(path)} == {"vaults", "layer_styles"}
