"""Everything a finished plan gives out, written into one folder."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path

from vaultplan import schema
from vaultplan.errors import OutputError
from vaultplan.outputs.layers.geopackage import write_layers
from vaultplan.outputs.maps.write import write_map
from vaultplan.outputs.sheets.write import write_sheets
from vaultplan.outputs.summary import write_summary
from vaultplan.outputs.tables import write_plan_csv
from vaultplan.outputs.workbook import write_plan_xlsx
from vaultplan.settings import Settings

LAYERS = "layers.gpkg"


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
    """Return the files written: summary, tables, layers, map, data dictionary, route sheets.

    ``on_step`` is told the step, how much of it is done, and how much there is.
    """
    zone = settings.time_zone
    out.mkdir(parents=True, exist_ok=True)
    named: dict[str, Callable[[Path], object]] = {
        "summary.md": lambda path: write_summary(frames, path, settings=settings),
        "plan.csv": lambda path: write_plan_csv(frames, path, time_zone=zone),
        "plan.xlsx": lambda path: write_plan_xlsx(frames, path, time_zone=zone),
        LAYERS: lambda path: write_layers(frames, path, time_zone=zone),
        "map.html": lambda path: write_map(frames, path, settings=settings),
        "data_dictionary.md": lambda path: path.write_text(
            schema.data_dictionary(), encoding="utf-8"
        ),
    }
    for number, (name, write) in enumerate(named.items()):
        on_step("Write tables, layers and map", number, len(named))
        write(out / name)
    on_step("Write tables, layers and map", len(named), len(named))
    sheets = write_sheets(
        frames,
        out,
        settings=settings,
        on_progress=lambda done, total: on_step("Write route sheets", done, total),
    )
    return (*(out / name for name in named), *sheets)
