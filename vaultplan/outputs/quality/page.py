"""How good the data are, as one page that works with no network."""

from __future__ import annotations

import html
from pathlib import Path
from typing import Final

import pandas as pd

from vaultplan import schema
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.maps.page import leaflet_css, leaflet_js
from vaultplan.outputs.pages.seal import POLICY, filled, json_text, own_text, sealed
from vaultplan.outputs.quality.data import quality_data

#: Our own scripts, in the order in which they need one another.
_SCRIPTS: Final = ("maps/draw.js", "quality/page.js", "quality/fields.js", "quality/map.js")


def write_quality_page(
    frames: schema.Frames,
    path: Path,
    *,
    fields: pd.DataFrame,
    report: pd.DataFrame,
    rows: pd.DataFrame,
    rules: pd.DataFrame,
) -> None:
    """Write what was loaded, what is wrong with it and how full it is, as one HTML page.

    Parameters
    ----------
    frames
        Tables by name: ``project``, ``loads``, ``findings``, ``raw_rows``, ``changes`` and those
        with places. Any may be missing.
    path
        Page to write; one that is there is replaced, whole or not at all.
    fields
        How full and plausible each field is: table, district (``(all)`` for all), column, rows,
        filled, implausible, blank_is_fine.
    report
        What is wrong in the database: table, column, rule, severity, finding, rows, share, remedy.
    rows
        The same row by row: table, row_key, rule, column, value, fault, remedy.
    rules
        The rules in words: rule, meaning, repair.

    Raises
    ------
    CRSError
        If tables with places have no CRS or differ.
    OutputError
        If the folder does not exist, or the page would need the network.

    Notes
    -----
    The page holds no basemap, and a content security policy forbids it to load or run anything
    but its own scripts. Texts of the database are put on it as text only. At most 5,000 moved rows
    are drawn; the others are counted.
    """
    data = quality_data(frames, fields, report, rows, rules)
    parts = {
        "policy": POLICY,
        "title": html.escape(f"Data of {data['head']['name']}"),
        "leaflet-style": leaflet_css(),
        "style": own_text("quality/page.css"),
        "leaflet-script": leaflet_js(),
        "data": json_text(data),
        "script": "".join(own_text(name) for name in _SCRIPTS),
    }
    page = sealed(filled(own_text("quality/page.html"), parts))
    with whole_file(path) as unfinished:
        unfinished.write_text(page, encoding="utf-8", newline="\n")
