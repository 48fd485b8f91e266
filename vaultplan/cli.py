"""The command line: one verb per step of the walk, and no logic of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer
from rich.console import Console
from rich.progress import (
    BarColumn,
    Progress,
    SpinnerColumn,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)
from rich.table import Table

from vaultplan import __version__, loading, pipeline
from vaultplan.errors import VaultplanError
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.tables import table_ending
from vaultplan.settings import Settings, load_settings

app = typer.Typer(
    name="vaultplan",
    help=(
        "Plans the dewatering of a utility's underground vaults: how much water, how dirty, where "
        "it would run, and which truck empties it when."
    ),
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode="rich",
)
out_console = Console()
err_console = Console(stderr=True)

Db = Annotated[
    str,
    typer.Option(
        "--db", envvar="VAULTPLAN_DB", help="Database: a .gpkg file or postgresql:// URL."
    ),
]
SettingsFile = Annotated[
    Path | None,
    typer.Option(
        "--settings",
        envvar="VAULTPLAN_SETTINGS",
        help="Settings file (TOML); vaultplan.toml beside the database, or here for a server.",
    ),
]


def _table_path(path: Path | None) -> Path | None:
    """Refuse an ending that no table can be written with before the work is done."""
    if path is not None:
        table_ending(path)
    return path


Out = Annotated[
    Path | None,
    typer.Option(
        "--out", callback=_table_path, help="Write the table here: .csv, .gpkg or .parquet."
    ),
]
AsOf = Annotated[
    datetime | None,
    typer.Option("--as-of", formats=["%Y-%m-%d"], help="Last day whose results may be known."),
]
WeekOf = Annotated[
    datetime | None,
    typer.Option("--week-of", formats=["%Y-%m-%d"], help="Any day of the week to plan."),
]
Vaults = Annotated[
    list[str] | None, typer.Option("--vault", help="Only this vault; repeat for more.")
]
DEFAULT_DB = "vaultplan.gpkg"


@contextmanager
def _steps() -> Iterator[loading.OnStep]:
    """Show one line per step, with a bar where a step says how far it is."""
    columns = (
        SpinnerColumn(finished_text="·"),
        TextColumn("{task.description}"),
        BarColumn(bar_width=24),
        TextColumn("{task.fields[count]}"),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=err_console) as progress:
        steps: dict[str, TaskID] = {}

        def finish() -> None:
            for task in progress.tasks:
                total = task.total or 1
                progress.update(task.id, total=total, completed=total)

        def on_step(step: str, done: int | None = None, total: int | None = None) -> None:
            if step not in steps:
                finish()
                steps[step] = progress.add_task(step, total=None, count="")
            if total:
                count = f"{done or 0:,}/{total:,}"
                progress.update(steps[step], completed=done or 0, total=total, count=count)

        yield on_step
        finish()


def _show(
    frame: pd.DataFrame, title: str, columns: list[str], *, limit: int = 20, unit: str = "rows"
) -> None:
    table = Table(title=f"{title} ({len(frame):,} {unit})", title_justify="left")
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in frame[columns].head(limit).itertuples(index=False):
        table.add_row(*(_cell(value) for value in row))
    out_console.print(table)
    if len(frame) > limit:
        out_console.print(f"... {len(frame) - limit:,} more; write them all with --out FILE")


def _cell(value: Any) -> str:
    if pd.isna(value):
        return ""
    if isinstance(value, float):
        return f"{value:,.2f}" if abs(value) < 10 else f"{value:,.0f}"
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d %H:%M" if value.tzinfo else "%Y-%m-%d")
    return str(value)


def _deliver(
    frame: pd.DataFrame, title: str, columns: list[str], out: Path | None, db: str
) -> None:
    if out is None:
        _show(frame, title, columns)
        return
    pipeline.write_table(frame, out, location=db)
    out_console.print(f"{len(frame):,} rows written to {out}")


def _settings(path: Path | None, db: str) -> Settings:
    """Return the settings of the file named, else of the one beside the database.

    A server has no folder; what is beside it lies in the folder worked in.
    """
    if path is None:
        beside = Path("vaultplan.toml") if "://" in db else Path(db).with_name("vaultplan.toml")
        path = beside if beside.exists() else None
    return load_settings(path)


def _day(moment: datetime | None) -> pd.Timestamp | None:
    return None if moment is None else pd.Timestamp(moment)


def _tell_version(asked: bool) -> None:
    if asked:
        out_console.print(f"vaultplan {__version__}", highlight=False)
        raise typer.Exit


@app.callback()
def program(
    version: Annotated[
        bool,
        typer.Option(
            "--version", callback=_tell_version, is_eager=True, help="Show the version and stop."
        ),
    ] = False,
) -> None:
    """Plan the dewatering of a utility's underground vaults.

    How much water, how dirty, where it would run, and which truck empties it when.
    """


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for database and outputs.")] = Path(
        "vaultplan-demo"
    ),
) -> None:
    """Plan a week in the invented town of Saltmarrow, from its files to the route sheets.

    Example: [bold]vaultplan demo --out demo[/bold]
    """
    with _steps() as on_step:
        result = pipeline.run_demo(out, on_step=on_step)
    _tell(result)


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
    file: Annotated[Path, typer.Argument(help="CSV, GeoPackage, Shapefile, GeoJSON or .gdb.")],
    db: Db = DEFAULT_DB,
    column_map: Annotated[
        Path | None, typer.Option("--map", help="Column map (TOML) from the file's names to ours.")
    ] = None,
    layer: Annotated[
        str | None, typer.Option("--layer", help="Layer, where the file has several.")
    ] = None,
) -> None:
    """Load one table from a file; a second load of the same file changes nothing.

    Any faulty row refuses the whole file and leaves the database as it was. A row that is loaded
    takes the place of the one with its key; columns and rows that the file lacks stay as they are.

    Example: [bold]vaultplan load vaults vaults.shp --map vaults.toml[/bold]
    """
    with _steps() as on_step:
        counts = loading.load(db, table, file, column_map=column_map, layer=layer, on_step=on_step)
    _show(counts, "Loaded", list(counts.columns), limit=100, unit="tables")


@app.command()
def check(db: Db = DEFAULT_DB, out: Out = None) -> None:
    """Say what is missing, out of range or points nowhere in the loaded tables.

    Example: [bold]vaultplan check --out findings.csv[/bold]
    """
    with _steps() as on_step:
        findings = loading.check(db, on_step=on_step)
    _deliver(findings, "Findings", list(findings.columns), out, db)


@app.command()
def forecast(
    db: Db = DEFAULT_DB,
    on: Annotated[
        list[datetime] | None,
        typer.Option("--on", formats=["%Y-%m-%d"], help="Day to forecast; repeat for more."),
    ] = None,
    points: Annotated[
        Path | None, typer.Option("--points", help="CSV of vault_id and on instead.")
    ] = None,
    vault: Vaults = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Forecast water and grade: what each vault will hold on a day, as a band.

    Example: [bold]vaultplan forecast --on 2026-11-04 --out water.gpkg[/bold]
    """
    with _steps() as on_step:
        frame = pipeline.forecast(
            db,
            days=[pd.Timestamp(day) for day in on or ()],
            points=points,
            vault_ids=vault,
            as_of=_day(as_of),
            settings=_settings(settings, db),
            on_step=on_step,
        )
    shown = ["vault_id", "on", "volume_gal_p10", "volume_gal_p50", "volume_gal_p90"]
    shown += ["prob_dry", "prob_clear", "prob_light", "prob_heavy", "confidence"]
    _deliver(frame, "Water expected", shown, out, db)


@app.command()
def trace(
    db: Db = DEFAULT_DB, vault: Vaults = None, settings: SettingsFile = None, out: Out = None
) -> None:
    """Follow each vault's water through the drains to the sea.

    Example: [bold]vaultplan trace --vault V-00123[/bold]
    """
    with _steps() as on_step:
        frame = pipeline.trace(
            db, vault_ids=vault, settings=_settings(settings, db), on_step=on_step
        )
    shown = ["vault_id", "trace_status", "inlet_id", "length_ft", "outfall_id", "waters_passed"]
    _deliver(frame, "Where it would run", [*shown, "reason"], out, db)


@app.command()
def rank(
    db: Db = DEFAULT_DB,
    week_of: WeekOf = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Rank the open orders by water, dirt, what lies downstream and urgency.

    Example: [bold]vaultplan rank --week-of 2026-11-02 --out ranking.csv[/bold]
    """
    with _steps() as on_step:
        frame = pipeline.rank(
            db,
            week_of=_day(week_of),
            as_of=_day(as_of),
            settings=_settings(settings, db),
            on_step=on_step,
        )
    _deliver(frame, "Ranking", ["rank", "order_id", "vault_id", "score", "reason"], out, db)


@app.command()
def plan(
    out: Annotated[Path, typer.Option("--out", help="Folder for map, layers, sheets, tables.")],
    db: Db = DEFAULT_DB,
    week_of: WeekOf = None,
    as_of: AsOf = None,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the solver.")] = 1,
    settings: SettingsFile = None,
) -> None:
    """Plan a week: schedule, map, layers, route sheets, tables and a summary.

    Nothing is written when the finished plan breaks one of its limits.

    Example: [bold]vaultplan plan --week-of 2026-11-02 --out week45[/bold]
    """
    with _steps() as on_step:
        result = pipeline.plan(
            db,
            out=out,
            week_of=_day(week_of),
            as_of=_day(as_of),
            seed=seed,
            settings=_settings(settings, db),
            on_step=on_step,
        )
    _tell(result)


@app.command()
def verify(
    plan_id: Annotated[
        str | None, typer.Argument(help="Plan to check; the latest if none.")
    ] = None,
    db: Db = DEFAULT_DB,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Check a stored plan against every limit, independently of the solver.

    Example: [bold]vaultplan verify[/bold]
    """
    name, breaches = pipeline.verify(db, plan_id, settings=_settings(settings, db))
    if breaches.empty:
        out_console.print(f"Plan {name} keeps all its limits.")
        return
    _deliver(breaches, f"Plan {name} breaks its limits", list(breaches.columns), out, db)
    raise typer.Exit(1)


def _tell(result: pipeline.PlanResult) -> None:
    out_console.print(f"[bold]Plan {result.plan_id}[/bold] as of {result.as_of:%Y-%m-%d}")
    for line in result.lines:
        out_console.print(f"  {line}")
    out_console.print("Written:")
    for path in result.written:
        out_console.print(f"  {path}", highlight=False, soft_wrap=True)
    out_console.print(" ".join(CAUTIONS), style="dim")


def main(call: Callable[[], object] = app) -> None:
    """Run the command line; errors made on purpose become one message and exit code 2."""
    try:
        call()
    except VaultplanError as error:
        err_console.print("[bold]vaultplan:[/bold]", end=" ")
        err_console.print(str(error), markup=False, highlight=False, soft_wrap=True)
        sys.exit(2)
