"""Colours, glyphs and layer styles: how things look on every map, sheet and desktop GIS.

The colours are safe for colour-blind readers and stay apart in grey; a glyph always says the same
thing again, so no meaning hangs on colour alone.

References
----------
Open Geospatial Consortium (2002), Styled Layer Descriptor 1.0.0, OGC 02-070.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal
from xml.sax.saxutils import escape, quoteattr

Glyph = Literal["circle", "square", "triangle", "diamond"]
Kind = Literal["point", "line", "area"]

OUTLINE: Final = "#222222"
UNKNOWN: Final = "#FFFFFF"
GRADE_COLOURS: Final[Mapping[str, str]] = {
    "clear": "#7CC4EA",
    "light": "#B0539F",
    "heavy": "#2E0F45",
    "unknown": UNKNOWN,
}
GRADE_GLYPHS: Final[Mapping[str, Glyph]] = {
    "clear": "circle",
    "light": "square",
    "heavy": "triangle",
    "unknown": "diamond",
}
#: Hatches for areas, in matplotlib's words.
GRADE_HATCHES: Final[Mapping[str, str]] = {
    "clear": "",
    "light": "///",
    "heavy": "xx",
    "unknown": "..",
}
#: Drawn in this order, danger stays on top.
GRADE_ORDER: Final = ("unknown", "clear", "light", "heavy")
#: The way water is removed looks like the grade it is meant for.
METHOD_GRADES: Final[Mapping[str, str]] = {
    "storm_drain": "clear",
    "filter_sock": "light",
    "vacuum_truck": "heavy",
}
SEQUENTIAL: Final = ("#EDF1FA", "#BFCBEA", "#9399D2", "#7263AE", "#4F2F7F", "#2A0A45")
#: The two ends look alike in grey: print + and - on them or hatch one side.
DIVERGING: Final = (
    "#0B5A8A",
    "#4A9BC7",
    "#B3D7EA",
    "#F3F1EC",
    "#E8C59A",
    "#B8792F",
    "#6B3A0A",
)

_KINDS: Final[Mapping[str, Kind]] = {
    "POINT": "point",
    "MULTIPOINT": "point",
    "LINESTRING": "line",
    "MULTILINESTRING": "line",
}


@dataclass(frozen=True, slots=True)
class Symbol:
    """How one feature is drawn; ``size_mm`` is a glyph's width, ``stroke_mm`` a line's.

    Lines use ``stroke`` only; points and areas have a ``fill`` and a ``stroke`` around it.
    """

    fill: str = UNKNOWN
    stroke: str = OUTLINE
    stroke_mm: float = 0.2
    glyph: Glyph = "circle"
    size_mm: float = 2.0


@dataclass(frozen=True, slots=True)
class LayerStyle:
    """How a layer is drawn: one symbol, or one per value of a column.

    ``symbols`` maps a value of ``column`` to its symbol; ``otherwise`` draws everything else.
    """

    kind: Kind
    otherwise: Symbol
    column: str = ""
    symbols: Mapping[str, Symbol] | None = None

    @property
    def cases(self) -> tuple[tuple[str, Symbol], ...]:
        """Value and symbol of each case; the value is blank for everything else."""
        return (*(self.symbols or {}).items(), ("", self.otherwise))


def grade_symbol(grade: str, size_mm: float = 2.4) -> Symbol:
    """Return the symbol of a water grade; any other word gives that of an unknown grade."""
    known = grade if grade in GRADE_COLOURS else "unknown"
    return Symbol(GRADE_COLOURS[known], OUTLINE, 0.2, GRADE_GLYPHS[known], size_mm)


def style_by_grade(column: str, size_mm: float = 2.4) -> LayerStyle:
    """Return a point style that shows the water grade in ``column``.

    >>> style_by_grade("grade").symbols["heavy"].glyph
    'triangle'
    """
    symbols = {g: grade_symbol(g, size_mm) for g in GRADE_ORDER if g != "unknown"}
    return LayerStyle("point", grade_symbol("unknown", size_mm), column, symbols)


def style_by_method(column: str, size_mm: float = 2.4) -> LayerStyle:
    """Return a point style that shows the way water is removed in ``column``."""
    symbols = {m: grade_symbol(g, size_mm) for m, g in METHOD_GRADES.items()}
    return LayerStyle("point", grade_symbol("unknown", size_mm), column, symbols)


def _point(fill: str, glyph: Glyph = "circle", size_mm: float = 2.0) -> LayerStyle:
    return LayerStyle("point", Symbol(fill, OUTLINE, 0.2, glyph, size_mm))


def _line(stroke: str, stroke_mm: float) -> LayerStyle:
    return LayerStyle("line", Symbol(stroke, stroke, stroke_mm))


def _area(fill: str, stroke: str) -> LayerStyle:
    return LayerStyle("area", Symbol(fill, stroke, 0.2))


_BACKDROP: Final = {
    "land": Symbol("#F7F5F0", "#D8D4CA", 0.1),
    "park": Symbol("#E4E9DC", "#CBD2BF", 0.1),
    "building": Symbol("#DEDAD2", "#C4BFB4", 0.1),
    "water": Symbol(DIVERGING[2], DIVERGING[1], 0.1),
}

#: The style of every spatial layer that the program writes, by layer name.
LAYER_STYLES: Final[Mapping[str, LayerStyle]] = {
    "vaults": LayerStyle("point", grade_symbol("unknown", 1.8)),
    "gauges": _point(DIVERGING[2], "triangle", 2.6),
    "inlets": _point(DIVERGING[1], "square", 1.4),
    "curbs": _line("#8C8C8C", 0.15),
    "drain_pipes": _line(DIVERGING[0], 0.35),
    "outfalls": _point(DIVERGING[0], "triangle", 2.8),
    "receiving_waters": _area(DIVERGING[2], DIVERGING[0]),
    "sensitive_areas": _area(DIVERGING[4], DIVERGING[6]),
    "concern_sites": _point(DIVERGING[5], "diamond", 2.8),
    "drainage_areas": LayerStyle("area", Symbol("#FFFFFF", DIVERGING[1], 0.3)),
    "incidents": _point(DIVERGING[6], "diamond", 2.8),
    "depots": _point(SEQUENTIAL[1], "square", 3.2),
    "disposal_sites": _point(DIVERGING[6], "square", 3.2),
    "roads": _line("#8C8C8C", 0.25),
    "backdrop": LayerStyle("area", Symbol("#F3F1EC", "#D8D4CA", 0.1), "kind", _BACKDROP),
    "plan_jobs": style_by_method("method"),
    "plan_stops": _point(SEQUENTIAL[3], "circle", 2.4),
    "traces": _line(DIVERGING[1], 0.4),
    "routes": _line(SEQUENTIAL[4], 0.6),
}


def style_of(layer: str, geometry_type: str) -> LayerStyle:
    """Return the layer's own style, or a plain one for a layer that has none.

    >>> style_of("districts", "MULTIPOLYGON").kind
    'area'
    """
    if layer in LAYER_STYLES:
        return LAYER_STYLES[layer]
    kind = _KINDS.get(geometry_type.upper(), "area")
    return LayerStyle(kind, replace(Symbol(DIVERGING[3]), stroke_mm=0.3))


def _fill_xml(colour: str) -> str:
    return f'<Fill><CssParameter name="fill">{colour}</CssParameter></Fill>'


def _stroke_xml(symbol: Symbol) -> str:
    width = _pixels(symbol.stroke_mm)
    return (
        f'<Stroke><CssParameter name="stroke">{symbol.stroke}</CssParameter>'
        f'<CssParameter name="stroke-width">{width}</CssParameter></Stroke>'
    )


def _pixels(millimetres: float) -> str:
    """SLD 1.0 measures in pixels of 0.28 mm (OGC 02-070, section 10.2)."""
    return f"{millimetres / 0.28:.2f}"


def _symbolizer(kind: Kind, symbol: Symbol) -> str:
    if kind == "line":
        return f"<LineSymbolizer>{_stroke_xml(symbol)}</LineSymbolizer>"
    if kind == "area":
        body = _fill_xml(symbol.fill) + _stroke_xml(symbol)
        return f"<PolygonSymbolizer>{body}</PolygonSymbolizer>"
    # The standard's marks have no diamond: a square stood on its corner is one.
    name = "square" if symbol.glyph == "diamond" else symbol.glyph
    turn = "<Rotation>45</Rotation>" if symbol.glyph == "diamond" else ""
    mark = f"<Mark><WellKnownName>{name}</WellKnownName>{_fill_xml(symbol.fill)}"
    return (
        f"<PointSymbolizer><Graphic>{mark}{_stroke_xml(symbol)}</Mark>"
        f"<Size>{_pixels(symbol.size_mm)}</Size>{turn}</Graphic></PointSymbolizer>"
    )


def sld(layer: str, style: LayerStyle) -> str:
    """Return the style as a Styled Layer Descriptor 1.0.0 document."""
    rules = []
    for value, symbol in style.cases:
        condition = ""
        if value:
            condition = (
                "<ogc:Filter><ogc:PropertyIsEqualTo>"
                f"<ogc:PropertyName>{escape(style.column)}</ogc:PropertyName>"
                f"<ogc:Literal>{escape(value)}</ogc:Literal>"
                "</ogc:PropertyIsEqualTo></ogc:Filter>"
            )
        elif style.symbols:
            condition = "<ElseFilter/>"
        title = f"<Title>{escape(value or layer)}</Title>"
        rules.append(f"<Rule>{title}{condition}{_symbolizer(style.kind, symbol)}</Rule>")
    name = f"<Name>{escape(layer)}</Name>"
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        '<StyledLayerDescriptor version="1.0.0" xmlns="http://www.opengis.net/sld" '
        'xmlns:ogc="http://www.opengis.net/ogc">'
        f"<NamedLayer>{name}<UserStyle>{name}<FeatureTypeStyle>{''.join(rules)}"
        "</FeatureTypeStyle></UserStyle></NamedLayer></StyledLayerDescriptor>"
    )


_QML_SYMBOLS: Final[Mapping[Kind, tuple[str, str]]] = {
    "point": ("marker", "SimpleMarker"),
    "line": ("line", "SimpleLine"),
    "area": ("fill", "SimpleFill"),
}


def _qml_symbol(number: int, kind: Kind, symbol: Symbol) -> str:
    def rgba(colour: str) -> str:
        red, green, blue = (int(colour[at : at + 2], 16) for at in (1, 3, 5))
        return f"{red},{green},{blue},255"

    prefix = "line" if kind == "line" else "outline"
    options = {
        f"{prefix}_color": rgba(symbol.stroke),
        f"{prefix}_style": "solid",
        f"{prefix}_width": f"{symbol.stroke_mm}",
        f"{prefix}_width_unit": "MM",
    }
    if kind == "point":
        options |= {"name": symbol.glyph, "size": f"{symbol.size_mm}", "size_unit": "MM"}
    if kind == "area":
        options |= {"style": "solid"}
    if kind != "line":
        options |= {"color": rgba(symbol.fill)}
    symbol_type, layer_class = _QML_SYMBOLS[kind]
    listed = "".join(
        f'<Option name="{name}" type="QString" value="{value}"/>' for name, value in options.items()
    )
    return (
        f'<symbol name="{number}" type="{symbol_type}" alpha="1" clip_to_extent="1">'
        f'<layer class="{layer_class}" enabled="1" locked="0" pass="0">'
        f'<Option type="Map">{listed}</Option></layer></symbol>'
    )


def qml(style: LayerStyle) -> str:
    """Return the style as the layer-style document that desktop GIS keeps in GeoPackages."""
    symbols = "".join(
        _qml_symbol(number, style.kind, symbol) for number, (_, symbol) in enumerate(style.cases)
    )
    if style.symbols:
        categories = "".join(
            f'<category symbol="{number}" render="true" value={quoteattr(value)} '
            f"label={quoteattr(value or 'other')}/>"
            for number, (value, _) in enumerate(style.cases)
        )
        head = f'<renderer-v2 type="categorizedSymbol" attr={quoteattr(style.column)}>'
        head += f"<categories>{categories}</categories>"
    else:
        head = '<renderer-v2 type="singleSymbol">'
    body = f"{head}<symbols>{symbols}</symbols></renderer-v2>"
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>"
        f'<qgis version="3.22.0" styleCategories="Symbology">{body}</qgis>'
    )


_STYLE_TABLE: Final = """
CREATE TABLE IF NOT EXISTS layer_styles (
    id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
    f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256),
    f_geometry_column TEXT(256), "styleName" TEXT(30), "styleQML" TEXT, "styleSLD" TEXT,
    "useAsDefault" BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
    update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ', 'now')))
"""


def write_layer_styles(
    connection: sqlite3.Connection, styles: Mapping[str, LayerStyle], *, column: str = "geometry"
) -> None:
    """Put a default style for each named layer into an open GeoPackage.

    They stand in the table ``layer_styles``, where desktop GIS looks for them; it is listed in
    ``gpkg_contents`` as a table without geometry. A style that a layer had by the same name is
    replaced. The caller begins and commits the transaction.
    """
    connection.execute(_STYLE_TABLE)
    connection.execute(
        "INSERT OR IGNORE INTO gpkg_contents (table_name, data_type, identifier, description) "
        "VALUES ('layer_styles', 'attributes', 'layer_styles', 'How each layer is drawn')"
    )
    rows: Iterable[tuple[object, ...]] = (
        ("", "", layer, column, "vaultplan", qml(style), sld(layer, style), 1, layer)
        for layer, style in styles.items()
    )
    connection.executemany(
        "DELETE FROM layer_styles WHERE f_table_name = ? AND \"styleName\" = 'vaultplan'",
        [(layer,) for layer in styles],
    )
    connection.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
        'f_geometry_column, "styleName", "styleQML", "styleSLD", "useAsDefault", description) '
        "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        rows,
    )
