"""Everything a finished plan gives out, written into one folder."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from functools import cache, partial
from pathlib import Path
from typing import Final

from vaultplan import schema
from vaultplan.beside import Tell, beside, processes
from vaultplan.errors import OutputError
from vaultplan.outputs.charts.week import write_week_chart
from vaultplan.outputs.files import whole_file
from vaultplan.outputs.layers.calendar import write_calendar
from vaultplan.outputs.layers.geojson import write_geojson
from vaultplan.outputs.layers.geopackage import write_layers
from vaultplan.outputs.layers.gpx import write_gpx
from vaultplan.outputs.layers.parquet import write_parquet
from vaultplan.outputs.layers.week import ADDED_COLUMNS, week_layers
from vaultplan.outputs.maps.data import Audience, common_of
from vaultplan.outputs.maps.write import write_map
from vaultplan.outputs.plan_view import crs_of, of_week
from vaultplan.outputs.sheets.write import setting_sheets
from vaultplan.outputs.summary import write_summary
from vaultplan.outputs.tables import write_plan_csv
from vaultplan.outputs.unchanged import (
    digest_of,
    fleet_files,
    note_written,
    plan_marks,
    still_there,
)
from vaultplan.outputs.workbook import write_plan_xlsx
from vaultplan.settings import Settings

LAYERS = "layers.gpkg"
#: Tables that no map draws from, and that are long.
_NOT_ON_MAPS: Final = ("drain_pipes", "inlets", "rainfall", "rain_outlook", "curbs")
#: Of so many vaults maps are drawn by another process, where no sheets are set meanwhile.
MANY_VAULTS: Final = 50_000
_MAPS: Final[dict[Audience, str]] = {
    "week": "map.html",
    "watch": "map_watch.html",
    "dirty": "map_dirty.html",
}
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
    anew: bool = True,
    program: str = "",
    state: str = "",
    on_kept: Callable[[Sequence[Path]], None] = lambda _files: None,
) -> tuple[Path, ...]:
    """Return the files of a plan: summary, tables, layers, map, calendar, dictionary, route sheets.

    The same frames give the same bytes.

    Parameters
    ----------
    on_step
        Told the step, how much of it is done, and how much there is.
    anew
        Write every file; else those about the week's own vaults stay that lie in ``out`` as they
        were left, written from the same data by the same ``program``, a hash of the code, and all
        of them if the database was in the same ``state`` too.
    on_kept
        Told which files stayed.
    """
    zone = settings.time_zone
    for folder in (out, out / "layers", out / "gpx"):
        folder.mkdir(parents=True, exist_ok=True)
    mine = of_week(frames)
    # Several files are written from these, so they are put together once.
    layers = cache(partial(week_layers, frames, zone))

    # What tells of the week's own vaults, and what tells of the whole fleet.
    about_week: dict[str, Callable[[Path], Sequence[Path] | None]] = {
        "plan.csv": lambda path: write_plan_csv(mine, path, time_zone=zone),
        "plan.xlsx": lambda path: write_plan_xlsx(mine, path, time_zone=zone),
        "gpx": lambda path: write_gpx(mine, path, time_zone=zone),
        "week.ics": lambda path: write_calendar(mine, path, time_zone=zone),
        "week.html": lambda path: write_week_chart(mine, path, settings=settings),
    }
    about_fleet: dict[str, Callable[[Path], Sequence[Path] | None]] = {
        "summary.md": lambda path: write_summary(frames, path, settings=settings),
        LAYERS: lambda path: write_layers(frames, path, time_zone=zone, layers=layers()),
        "layers": lambda path: [
            *write_geojson(frames, path, time_zone=zone, layers=layers()),
            *write_parquet(frames, path, time_zone=zone, layers=layers()),
        ],
        "data_dictionary.md": write_dictionary,
    }

    def write_all(named: dict[str, Callable[[Path], Sequence[Path] | None]]) -> list[Path]:
        files: list[Path] = []
        for number, (name, write) in enumerate(named.items()):
            on_step("Write tables, layers and map", number, len(named))
            files += write(out / name) or [out / name]
        on_step("Write tables, layers and map", len(named), len(named))
        return files

    drawn = {name: frame for name, frame in frames.items() if name not in _NOT_ON_MAPS}

    def write_of_fleet(*, is_alone: bool) -> list[Path]:
        is_large = len(frames["vaults"]) >= MANY_VAULTS
        if is_alone and is_large and processes() > 1:
            with beside(write_maps, drawn, out, settings) as maps:
                files = [*write_all(about_fleet), *maps.result()]
        else:
            files = [*write_all(about_fleet), *write_maps(drawn, out, settings)]
        on_step("Draw the maps", len(_MAPS), len(_MAPS))
        return files

    marks = plan_marks(frames)
    earlier = None if anew else still_there(out, marks)
    digest = ""
    if earlier is not None:
        on_step("Look for files that stay", 0, 1)
        digest = digest_of(mine, settings, program)
        if earlier["digest"] == digest:
            files = [out / name for name in earlier["files"]]
            others = fleet_files(out, earlier, state)
            on_kept([*others, *files])
            if not others:
                others = write_of_fleet(is_alone=True)
            note_written(out, marks, digest, files, others, state)
            return (*others, *files)
    with setting_sheets(
        mine,
        out,
        settings=settings,
        on_progress=lambda done, total: on_step("Write route sheets", done, total),
    ) as sheets:
        of_this_week = write_all(about_week)
        others = write_of_fleet(is_alone=False)
        digest = digest or digest_of(mine, settings, program)
    note_written(out, marks, digest, [*of_this_week, *sheets], others, state)
    return (*others, *of_this_week, *sheets)


def write_maps(
    frames: schema.Frames, out: Path, settings: Settings, tell: Tell = lambda _word: None
) -> list[Path]:
    """Return the maps written, one for each audience."""
    # Without any place there is nothing in common, and the pages say so themselves.
    common = common_of(frames) if crs_of(frames) is not None else None
    written = []
    for audience, name in _MAPS.items():
        write_map(frames, out / name, settings=settings, audience=audience, common=common)
        written.append(out / name)
        tell(name)
    return written


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
