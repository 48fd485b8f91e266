"""Everything a finished plan gives out, written into one folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

from vaultplan import schema
from vaultplan.errors import OutputError
from vaultplan.outputs.charts.week import write_week_chart
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.layers.calendar import write_calendar
from vaultplan.outputs.layers.geojson import write_geojson
from vaultplan.outputs.layers.geopackage import write_layers
from vaultplan.outputs.layers.gpx import write_gpx
from vaultplan.outputs.layers.parquet import write_parquet
from vaultplan.outputs.layers.week import ADDED_COLUMNS
from vaultplan.outputs.maps.write import write_map
from vaultplan.outputs.sheets.write import setting_sheets
from vaultplan.outputs.summary import write_summary
from vaultplan.outputs.tables import write_plan_csv
from vaultplan.outputs.workbook import write_plan_xlsx
from vaultplan.settings import Settings

LAYERS = "layers.gpkg"
#: Columns that a kind of file has besides those of its table.
_OF_FILES: Final = {
    "lon": "longitude of a point, east positive (WGS 84, degrees); in CSV",
    "lat": "latitude of a point, north positive (WGS 84, degrees); in CSV",
    "fid": "running number of a row in its layer; in GeoPackage, not kept from plan to plan",
    "geom": "the place, in the layer's CRS; in GeoPackage",
    "bbox": "box around the place, in the table's CRS, by which readers skip rows; in GeoParquet",
}


def check_folder(out: Path) -> None:
    """Refuse a folder that cannot be made or written to, before the work is done.

    Raises
    ------
    OutputError
        If a file stands where the folder should, or nothing may be written there.
    """
    there = next(folder for folder in (out, *out.absolute().parents) if folder.exists())
    if not there.is_dir():
        raise OutputError(f"{there} is a file, not a folder for outputs; name another one")
    if not os.access(there, os.W_OK):
        raise OutputError(f"outputs cannot be written to {there}; name another folder")


def write_outputs(
    frames: schema.Frames,
    out: Path,
    *,
    settings: Settings,
    on_step: Callable[[str, int, int], None],
) -> tuple[Path, ...]:
    """Return the files written: summary, tables, layers, map, calendar, dictionary, route sheets.

    ``on_step`` is told the step, how much of it is done, and how much there is. The same frames
    give the same bytes.
    """
    zone = settings.time_zone
    for folder in (out, out / "layers", out / "gpx"):
        folder.mkdir(parents=True, exist_ok=True)
    named: dict[str, Callable[[Path], Sequence[Path] | None]] = {
        "summary.md": lambda path: write_summary(frames, path, settings=settings),
        "plan.csv": lambda path: write_plan_csv(frames, path, time_zone=zone),
        "plan.xlsx": lambda path: write_plan_xlsx(frames, path, time_zone=zone),
        LAYERS: lambda path: write_layers(frames, path, time_zone=zone),
        "layers": lambda path: [
            *write_geojson(frames, path, time_zone=zone),
            *write_parquet(frames, path, time_zone=zone),
        ],
        "gpx": lambda path: write_gpx(frames, path, time_zone=zone),
        "week.ics": lambda path: write_calendar(frames, path, time_zone=zone),
        "week.html": lambda path: write_week_chart(frames, path, settings=settings),
        "map.html": lambda path: write_map(frames, path, settings=settings),
        "map_watch.html": lambda path: write_map(frames, path, settings=settings, audience="watch"),
        "map_dirty.html": lambda path: write_map(frames, path, settings=settings, audience="dirty"),
        "data_dictionary.md": write_dictionary,
    }
    written: list[Path] = []
    with setting_sheets(
        frames,
        out,
        settings=settings,
        on_progress=lambda done, total: on_step("Write route sheets", done, total),
    ) as sheets:
        for number, (name, write) in enumerate(named.items()):
            on_step("Write tables, layers and map", number, len(named))
            written += write(out / name) or [out / name]
        on_step("Write tables, layers and map", len(named), len(named))
    return (*written, *sheets)


def write_dictionary(path: Path) -> None:
    """Write what each column means: of every table, and of those that layers and files add."""
    named = {**ADDED_COLUMNS, **_OF_FILES}
    added = "".join(f"| {name} | {words} |\n" for name, words in named.items())
    text = f"""{schema.data_dictionary()}
## Columns that layers and files add

| column | meaning |
|---|---|
{added}"""
    with whole_file(path) as unfinished:
        unfinished.write_text(text, encoding="utf-8")
