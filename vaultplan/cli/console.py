"""What all commands share: the screen, progress, common options, and how a table is shown."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import numpy as np
import pandas as pd
import typer
from rich.console import Console
from rich.markup import escape
from rich.progress import (
    BarColumn,
    Progress,
    SpinnerColumn,
    TaskID,
    TextColumn,
    TimeElapsedColumn,
)
from rich.table import Table

from vaultplan import loading, pipeline
from vaultplan.outputs.tables import table_ending
from vaultplan.settings import Settings, load_settings
from vaultplan.spread import cluster_at

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


def table_path(path: Path | None) -> Path | None:
    """Refuse an ending that no table can be written with before the work is done."""
    if path is not None:
        table_ending(path)
    return path


Out = Annotated[
    Path | None,
    typer.Option(
        "--out", callback=table_path, help="Write the table here: .csv, .gpkg or .parquet."
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
Anew = Annotated[
    bool,
    typer.Option("--anew", help="Use nothing that an earlier run kept: read and reckon all again."),
]
ClusterAt = Annotated[
    str | None,
    typer.Option(
        "--cluster",
        envvar="VAULTPLAN_CLUSTER",
        help=(
            "Forecast, trace and judge on a dask.distributed cluster: tcp://host:port, or local "
            "for workers here (local:N for N). The result is the same."
        ),
    ),
]
DEFAULT_DB = "vaultplan.gpkg"


@contextmanager
def steps(cluster: str | None = None) -> Iterator[loading.OnStep]:
    """Show one line per step, with a bar where a step says how far it is.

    The steps that can be spread are done by the cluster named.
    """
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

        if cluster is not None:
            on_step(f"Reach the cluster ({cluster})")
        with cluster_at(cluster):
            yield on_step
        finish()


def show(
    frame: pd.DataFrame, title: str, columns: list[str], *, limit: int = 20, unit: str = "rows"
) -> None:
    """Print the first rows of a table."""
    table = Table(title=f"{title} ({len(frame):,} {unit})", title_justify="left")
    for column in columns:
        is_count = pd.api.types.is_integer_dtype(frame[column])
        table.add_column(
            column,
            overflow="fold",
            no_wrap=is_count,
            justify="right" if is_count else "left",
        )
    for row in frame[columns].head(limit).itertuples(index=False):
        table.add_row(*(cell(value) for value in row))
    out_console.print(table)
    if len(frame) > limit:
        out_console.print(f"... {len(frame) - limit:,} more; write them all with --out FILE")


def cell(value: Any) -> str:
    """Return a value as a cell of a printed table shows it."""
    if pd.isna(value):
        return ""
    if isinstance(value, int | np.integer) and not isinstance(value, bool):
        return f"{value:,}"
    if isinstance(value, float):
        return f"{value:,.2f}" if abs(value) < 10 else f"{value:,.0f}"
    if isinstance(value, pd.Timestamp):
        return value.strftime("%Y-%m-%d %H:%M" if value.tzinfo else "%Y-%m-%d")
    return escape(str(value))


def deliver(frame: pd.DataFrame, title: str, columns: list[str], out: Path | None, db: str) -> None:
    """Print a table, or write it to a file."""
    if out is None:
        show(frame, title, columns)
        return
    pipeline.write_table(frame, out, location=db)
    out_console.print(f"{len(frame):,} rows written to {out}")


def tell_written(paths: Iterable[Path]) -> None:
    """Print the files written, a folder of several in one line."""
    out_console.print("Written:")
    folders: dict[Path, list[Path]] = {}
    for path in paths:
        folders.setdefault(path.parent, []).append(path)
    top = min(folders, key=lambda folder: len(folder.parts), default=None)
    for folder, inside in folders.items():
        if folder == top:
            lines = [str(path) for path in inside]
        else:
            kinds = sorted({path.suffix.removeprefix(".").upper() for path in inside})
            lines = [f"{folder}/  {len(inside)} files ({', '.join(kinds)})"]
        for line in lines:
            out_console.print(f"  {line}", highlight=False, markup=False, soft_wrap=True)


def settings_of(path: Path | None, db: str) -> Settings:
    """Return the settings of the file named, else of the one beside the database.

    A server has no folder; what is beside it lies in the folder worked in.
    """
    if path is None:
        beside = Path("vaultplan.toml") if "://" in db else Path(db).with_name("vaultplan.toml")
        path = beside if beside.exists() else None
    return load_settings(path)


def day(moment: datetime | None) -> pd.Timestamp | None:
    """Return a day of the command line, or none."""
    return None if moment is None else pd.Timestamp(moment)
