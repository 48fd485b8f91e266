"""Commands that keep a database well: backup, integrity, compact, upgrade, who may read."""

from __future__ import annotations

from typing import Annotated

import typer

from vaultplan.cli.console import DEFAULT_DB, Db, app, out_console, show, steps
from vaultplan.store import upkeep as care
from vaultplan.store.grants import grant_reading as grant
from vaultplan.store.grants import reading_grants
from vaultplan.store.integrity import check_integrity


def _say(words: str) -> None:
    out_console.print(words, highlight=False, markup=False, soft_wrap=True)


def _mb(size: int) -> str:
    return f"{size / 1e6:,.1f} MB"


@app.command()
def backup(
    file: Annotated[str, typer.Argument(help="New .gpkg file to write; there must be none yet.")],
    db: Db = DEFAULT_DB,
) -> None:
    """Copy the database as it is at one moment into a new file, while others work on.

    The copy is checked before it gets its name. It is a database of its own: give it with --db. A
    server's backup is such a file too.

    Example: [bold]vaultplan backup friday.gpkg[/bold]
    """
    with steps() as on_step:
        size = care.back_up(db, file, on_progress=on_step)
    _say(f"{file} holds all of it, checked: {_mb(size)}")


@app.command()
def integrity(db: Db = DEFAULT_DB) -> None:
    """Check that the database is sound; exit code 1 if it is not.

    Pages, tables, indexes and spatial indexes are held against what they stand for. References
    that point nowhere are counted only: files loaded later may mend them.

    Example: [bold]vaultplan integrity --db fleet.gpkg[/bold]
    """
    with steps() as on_step:
        found = check_integrity(db, on_progress=on_step)
    filled = found.tables[found.tables["rows"].gt(0)]
    show(filled, "Tables with rows", ["table", "rows"], limit=len(filled), unit="tables")
    if len(found.nowhere):
        columns = ["table", "column", "refers_to", "rows"]
        show(found.nowhere, "Point nowhere", columns, limit=len(found.nowhere), unit="columns")
    if found.is_sound:
        _say("The database is sound.")
        return
    _say(f"{len(found.problems):,} thing(s) are wrong:")
    for problem in found.problems:
        _say(f"  {problem}")
    raise typer.Exit(1)


@app.command()
def compact(
    db: Db = DEFAULT_DB,
    rebuild_indexes: Annotated[
        bool,
        typer.Option("--rebuild-indexes", help="Make every index anew first, spatial ones too."),
    ] = False,
) -> None:
    """Clear away what is left of deleted rows.

    An embedded file is written anew and becomes smaller: so much space must be free beside it, and
    nobody else may use it meanwhile. A server goes on working; it uses the space for new rows.

    Example: [bold]vaultplan compact --db fleet.gpkg[/bold]
    """
    with steps() as on_step:
        before, after = care.compact(db, rebuild_indexes=rebuild_indexes, on_progress=on_step)
    _say(f"{_mb(before)} before, {_mb(after)} now")


@app.command()
def upgrade(
    db: Db = DEFAULT_DB,
    no_backup: Annotated[
        bool, typer.Option("--no-backup", help="Make no copy of an embedded file first.")
    ] = False,
) -> None:
    """Bring the tables of an older release up to date, with all they hold.

    It is done wholly or not at all. An embedded file is copied beside itself first; of a server,
    take a backup with the release that made it, or with the server's own means.

    Example: [bold]vaultplan upgrade --db fleet.gpkg[/bold]
    """
    with steps() as on_step:
        done = care.upgrade(db, with_backup=not no_backup, on_progress=on_step)
    if done.before == done.after:
        _say(f"The tables are up to date: version {done.after}")
        return
    _say(f"The tables were of version {done.before}, now they are of {done.after}.")
    if done.backup is not None:
        _say(f"As it was before: {done.backup}")


@app.command()
def grant_reading(
    role: Annotated[str, typer.Argument(help="Role that the server has already.")],
    db: Db = DEFAULT_DB,
    show_only: Annotated[
        bool, typer.Option("--show", help="Print the statements and run none of them.")
    ] = False,
) -> None:
    """Let a role of the server read the whole database and change nothing.

    Every command that only reads then works with a URL of that role.

    Example: [bold]vaultplan grant-reading field_office --db postgresql://...[/bold]
    """
    statements = reading_grants(db, role) if show_only else grant(db, role)
    for statement in statements:
        _say(f"{statement};")
    if not show_only:
        _say(f"{role} may read all of it.")
