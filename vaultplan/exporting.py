"""From tables to files that load again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from vaultplan import schema
from vaultplan.columns import guarded
from vaultplan.errors import OutputError, SettingsError
from vaultplan.loading import OnStep, is_same_file, silent
from vaultplan.outputs.export import SPATIAL_FILE, write_export, write_export_folder
from vaultplan.outputs.files import whole_file
from vaultplan.store.database import open_database
from vaultplan.store.read import read_table


def export(location: str, table: str, out: Path, *, on_step: OnStep = silent) -> tuple[Path, ...]:
    """Write one table to a file, or with ``table="all"`` every one into a folder.

    Returns
    -------
    tuple of Path
        What was written; a CSV of places comes with the recipe that states their CRS.

    Raises
    ------
    SettingsError
        If there is no such table that could be loaded again.
    OutputError
        If the file cannot be written, has another ending, or is the database itself.
    """
    if table != "all" and table not in schema.LOADABLE:
        choices = ", ".join(schema.LOADABLE)
        raise SettingsError(f"{table!r} is not exported; choose all or one of {choices}")
    names = schema.LOADABLE if table == "all" else (table,)
    target = out / SPATIAL_FILE if table == "all" else out
    if is_same_file(target, location):
        raise OutputError(f"{target} is the database itself; name another place")
    with open_database(location) as database:
        frames = {}
        for number, name in enumerate(names):
            on_step("Read the database", number, len(names))
            frames[name] = read_table(database, name)
        on_step("Read the database", len(names), len(names))
    # The database is closed by now: GDAL may not write while it is open in this process.
    on_step("Write")
    if table == "all":
        return write_export_folder(frames, out)
    return write_export(frames[table], table, out)


def write_raw_rows(rows: pd.DataFrame, out: Path, *, location: str) -> None:
    """Write quarantined rows as CSV, as they stand in their file.

    Raises
    ------
    OutputError
        If the ending is not .csv or the folder is not there.
    """
    if out.suffix.lower() != ".csv":
        raise OutputError(f"{out.name}: quarantined rows go to .csv, not {out.suffix!r}")
    if is_same_file(out, location):
        raise OutputError(f"{out} is the database itself; name another file")
    with whole_file(out) as part:
        named = rows.apply(_guarded)
        named.columns = pd.Index(guarded(pd.Series(rows.columns, dtype="str")))
        named.to_csv(part, index=False, encoding="utf-8", lineterminator="\n")


def _guarded(values: pd.Series[Any]) -> pd.Series[Any]:
    return guarded(values) if pd.api.types.is_string_dtype(values) else values
