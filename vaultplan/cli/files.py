"""Commands of the files: into the database, what is wrong with them, mended, and out again."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer
from rich.markup import escape
from rich.table import Table

from vaultplan import checking, exporting, loading, mending
from vaultplan.cli.console import (
    DEFAULT_DB,
    Db,
    Out,
    SettingsFile,
    app,
    deliver,
    out_console,
    settings_of,
    show,
    steps,
    table_path,
)

Apply = Annotated[
    list[str] | None,
    typer.Option(
        "--apply", help="Make the repairs of this rule, or of 'all'; repeat for more rules."
    ),
]
Today = Annotated[
    datetime | None,
    typer.Option(
        "--today",
        formats=["%Y-%m-%d"],
        help="Last day that can have happened; the clock's if none.",
    ),
]
LoadId = Annotated[str, typer.Argument(help="Load, as 'vaultplan loads' lists it, such as L00003.")]


@app.command()
def new(
    crs: Annotated[str, typer.Option("--crs", help="Projected CRS of the service area: EPSG:n.")],
    db: Db = DEFAULT_DB,
    name: Annotated[str, typer.Option("--name", help="Name of the utility or area.")] = "",
    time_zone: Annotated[
        str, typer.Option("--time-zone", help="IANA name of the local time, such as Etc/GMT+10.")
    ] = "UTC",
) -> None:
    """Make an empty database in one projected coordinate system.

    Example: [bold]vaultplan new --crs EPSG:32606 --time-zone Etc/GMT+10[/bold]
    """
    out_console.print(loading.new(db, crs, name=name, time_zone=time_zone))


@app.command()
def load(
    table: Annotated[str, typer.Argument(help="Table to load into, or 'all' for a whole folder.")],
    file: Annotated[
        Path,
        typer.Argument(
            help="CSV, XLSX, GeoPackage, Shapefile, GeoJSON, .gdb, Parquet, or a .zip of one."
        ),
    ],
    db: Db = DEFAULT_DB,
    column_map: Annotated[
        Path | None, typer.Option("--map", help="Recipe (TOML) to read the file by.")
    ] = None,
    layer: Annotated[
        str | None, typer.Option("--layer", help="Layer or sheet, where the file has several.")
    ] = None,
    apply: Apply = None,
    strict: Annotated[
        bool, typer.Option("--strict", help="Refuse the file whole for any error in it.")
    ] = False,
    max_quarantine: Annotated[
        float | None,
        typer.Option(
            "--max-quarantine", min=0, max=1, help="Largest share of rows that may be set aside."
        ),
    ] = None,
    today: Today = None,
    settings: SettingsFile = None,
) -> None:
    """Load one table from a file; a second load of the same file changes nothing.

    Columns are recognised by their names, units and values, and the recipe is written beside the
    file, to be read by it again. Rows with errors are set aside in quarantine, and repairs are made
    only when asked for. A row that is loaded takes the place of the one with its key; columns and
    rows that the file lacks stay as they are. Everything happens in one transaction.

    Example: [bold]vaultplan load vaults vaults.shp[/bold]
    """
    chosen = settings_of(settings, db)
    if max_quarantine is not None:
        changed = chosen.intake.model_copy(update={"max_quarantine_frac": max_quarantine})
        chosen = chosen.model_copy(update={"intake": changed})
    with steps() as on_step:
        loaded = loading.load(
            db,
            table,
            file,
            column_map=column_map,
            layer=layer,
            apply=apply or (),
            is_strict=strict,
            now=end_of_day(today),
            settings=chosen,
            on_step=on_step,
        )
    for name, recipe in loaded.recipes.items():
        _tell_recipe(name, recipe, loaded.written)
    shown = ["load_id", "table", "rows_in", "loaded", "repaired", "quarantined"]
    title = "Rows in = loaded + with a repair + quarantined"
    show(loaded.outcome, title, shown, limit=100, unit="tables")
    came = loaded.outcome[["new", "changed", "same"]].sum()
    out_console.print(
        f"In the tables: {came['new']:,} rows new, {came['changed']:,} changed, "
        f"{came['same']:,} as they were",
        highlight=False,
        markup=False,
    )
    _tell_findings(loaded.findings)
    _tell_next(loaded.outcome, loaded.findings)


@app.command()
def check(
    db: Db = DEFAULT_DB,
    out: Out = None,
    page: Annotated[
        Path | None, typer.Option("--page", help="Write the report as one page here: .html.")
    ] = None,
    fields: Annotated[
        Path | None,
        typer.Option(
            "--fields",
            callback=table_path,
            help="Write how complete and plausible each field is, by district.",
        ),
    ] = None,
    rows: Annotated[
        Path | None,
        typer.Option("--rows", callback=table_path, help="Write the findings row by row."),
    ] = None,
) -> None:
    """Say what is missing, out of range or points nowhere in the loaded tables.

    The page shows loads, findings, completeness and plausibility by field and district, and on a
    map where rows were before and after their repairs.

    Example: [bold]vaultplan check --page quality.html[/bold]
    """
    with steps() as on_step:
        quality = checking.check(db, page=page, on_step=on_step)
    for frame, path in ((quality.fields, fields), (quality.rows, rows)):
        if path is not None:
            deliver(frame, "", [], path, db)
    if out is not None:
        deliver(quality.report, "Findings", [], out, db)
    else:
        report = quality.report.assign(where=_where(quality.report))
        show(report, "Findings", ["severity", "where", "finding", "rows", "remedy"], limit=40)
    if page is not None:
        out_console.print(f"Page written to {page}", highlight=False, markup=False, soft_wrap=True)


@app.command()
def loads(db: Db = DEFAULT_DB, out: Out = None) -> None:
    """List every load, and what became of its rows.

    Example: [bold]vaultplan loads[/bold]
    """
    entries = mending.loads(db)
    if out is not None:
        deliver(entries, "Loads", [], out, db)
        return
    short = entries.rename(columns={"table_name": "table"})
    short.columns = short.columns.str.removeprefix("rows_")
    shown = ["load_id", "table", "in", "loaded", "repaired", "quarantined"]
    wide = [*shown, "file", "loaded_at", "applied"] if out_console.width >= 110 else shown
    show(short, "Loads: in = loaded + repaired + quarantined", wide, limit=200, unit="loads")


@app.command()
def quarantine(
    load_id: Annotated[str | None, typer.Argument(help="Only this load.")] = None,
    db: Db = DEFAULT_DB,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Write the rows as they stand in their file here (.csv)."),
    ] = None,
) -> None:
    """List the rows that were set aside, or write those of one load out to be mended.

    Example: [bold]vaultplan quarantine L00003 --out mend.csv[/bold]
    """
    if out is None:
        listed = mending.quarantine(db, load_id)
        show(listed, "In quarantine", ["load_id", "row", "row_key", "why", "proposals"], limit=40)
        return
    if load_id is None:
        raise typer.BadParameter("name the load whose rows are to be written")
    rows = mending.quarantined_rows(db, load_id)
    exporting.write_raw_rows(rows, out, location=db)
    out_console.print(
        f"{len(rows):,} rows written to {out}; correct them there, then run\n"
        f"  vaultplan reload {load_id} --file {out}",
        soft_wrap=True,
    )


@app.command()
def reload(
    load_id: LoadId,
    db: Db = DEFAULT_DB,
    file: Annotated[
        Path | None, typer.Option("--file", help="Rows of 'vaultplan quarantine --out', mended.")
    ] = None,
    apply: Apply = None,
    today: Today = None,
    settings: SettingsFile = None,
) -> None:
    """Load quarantined rows again: with repairs, as mended, or now that more is known.

    Example: [bold]vaultplan reload L00003 --apply unknown_word[/bold]
    """
    with steps() as on_step:
        mended = mending.reload(
            db,
            load_id,
            file=file,
            apply=apply or (),
            now=end_of_day(today),
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    _tell_mended(mended)


@app.command()
def undo(
    load_id: LoadId,
    db: Db = DEFAULT_DB,
    rule: Annotated[
        list[str] | None,
        typer.Option("--rule", help="Only repairs of this rule; repeat for more. All if none."),
    ] = None,
    today: Today = None,
    settings: SettingsFile = None,
) -> None:
    """Take back repairs of a load: its rows become what they would be without them.

    Example: [bold]vaultplan undo L00003 --rule swapped_axes[/bold]
    """
    with steps() as on_step:
        mended = mending.undo(
            db,
            load_id,
            rules=rule or ("all",),
            now=end_of_day(today),
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    _tell_mended(mended)


@app.command()
def export(
    table: Annotated[str, typer.Argument(help="Table to write, or 'all' for a folder of them.")],
    out: Annotated[Path, typer.Argument(help="File (.csv, .gpkg, .parquet), or a folder.")],
    db: Db = DEFAULT_DB,
) -> None:
    """Write a table, or all of them, so that 'vaultplan load' takes them back unchanged.

    Example: [bold]vaultplan export all backup[/bold]
    """
    with steps() as on_step:
        written = exporting.export(db, table, out, on_step=on_step)
    for path in written:
        out_console.print(f"  {path}", highlight=False, markup=False, soft_wrap=True)


def end_of_day(today: datetime | None) -> pd.Timestamp | None:
    """Return the moment a day of the command line is over, or none."""
    return None if today is None else pd.Timestamp(today) + pd.Timedelta(days=1)


def _tell_recipe(name: str, recipe: loading.Recipe, written: tuple[Path, ...]) -> None:
    if recipe.guess is None:
        if recipe.path is not None:
            out_console.print(f"{name}: read by {recipe.path}", markup=False, soft_wrap=True)
        if recipe.unused:
            out_console.print(f"Not read: {', '.join(recipe.unused)}", markup=False, soft_wrap=True)
        return
    if not recipe.is_new:
        return
    guess = recipe.guess
    table = Table(title=f"How {name} is read", title_justify="left")
    for column in ("column", "from the file's", "because", ""):
        table.add_column(column, overflow="fold")
    for line in guess.lines:
        sign = {"sure": "", "likely": "likely", "unsure": "[bold]unsure[/bold]"}[line.certainty]
        table.add_row(line.column, escape(line.source), escape(line.why), sign)
    out_console.print(table)
    if guess.unused:
        out_console.print(f"Not read: {', '.join(guess.unused)}", highlight=False, markup=False)
    if recipe.path in written:
        out_console.print(
            f"Recipe written to {recipe.path}: it is used again next time; correct it there.",
            highlight=False,
            markup=False,
            soft_wrap=True,
        )


def _tell_findings(findings: pd.DataFrame) -> None:
    if findings.empty:
        return
    grave = findings["severity"].map({"error": 0, "warning": 1, "note": 2})
    told = findings.assign(where=_where(findings), grave=grave)
    shown = ["severity", "rule", "where", "rows", "mendable", "repaired"]
    wide = [*shown, "meaning"] if out_console.width >= 110 else shown
    ordered = told.sort_values("grave", kind="stable")
    show(ordered, "Findings", wide, limit=len(ordered), unit="kinds")


def _where(findings: pd.DataFrame) -> pd.Series[Any]:
    column = findings["column"].fillna("")
    return findings["table"].where(column == "", findings["table"] + "." + column)


def _tell_next(outcome: pd.DataFrame, findings: pd.DataFrame) -> None:
    waiting = outcome[outcome["quarantined"] > 0]
    for line in waiting.itertuples():
        out_console.print(
            f"{line.quarantined:,} rows of {line.file} wait in quarantine: "
            f"vaultplan quarantine {line.load_id}",
            highlight=False,
            markup=False,
            soft_wrap=True,
        )
    open_repairs = findings[findings["mendable"] > findings["repaired"]]
    rules = sorted(open_repairs["rule"].unique())
    if rules:
        out_console.print(
            f"Repairs to ask for with --apply, each or all: {', '.join(rules)}",
            highlight=False,
            markup=False,
            soft_wrap=True,
        )


def _tell_mended(mended: mending.Mended) -> None:
    out_console.print(
        f"{mended.load_id} ({mended.table}): {mended.loaded:,} rows loaded as they stand, "
        f"{mended.repaired:,} with a repair, {mended.quarantined:,} in quarantine"
        + (
            f"; {mended.left_alone:,} left alone: changed since, or of a locked period"
            if mended.left_alone
            else ""
        ),
        highlight=False,
        markup=False,
        soft_wrap=True,
    )
    _tell_findings(mended.findings.assign(table=mended.table))
    if mended.waiting_elsewhere:
        out_console.print(
            "Rows that name something unknown may load now: "
            + "; ".join(f"vaultplan reload {load_id}" for load_id in mended.waiting_elsewhere),
            highlight=False,
            markup=False,
            soft_wrap=True,
        )
