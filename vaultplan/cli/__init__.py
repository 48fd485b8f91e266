"""The command line: one verb per step of the walk, and no logic of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Annotated

import typer
from typer.models import CommandInfo

from vaultplan import __version__
from vaultplan.cli import (
    board,
    files,
    judge,
    lab,
    replan,
    report,
    results,
    rules,
    upkeep,
    walk,
    watch,
    why,
)
from vaultplan.cli.console import app, err_console, out_console
from vaultplan.errors import VaultplanError

__all__ = [
    "app",
    "board",
    "files",
    "judge",
    "lab",
    "main",
    "replan",
    "report",
    "results",
    "rules",
    "upkeep",
    "walk",
    "watch",
    "why",
]

#: How the verbs are listed: the walk, then who looks back, then who keeps the database.
_WALK = (
    *("demo", "new", "load", "check", "loads", "quarantine", "reload", "undo", "export"),
    *("forecast", "trace", "rank", "plan", "verify", "replan", "explain", "peek", "watch"),
    *("board", "board-account", "record", "skill", "hotspots", "trends", "samples", "draw"),
    *("report", "backup", "integrity", "compact", "upgrade", "grant_reading"),
)


def _place(command: CommandInfo) -> int:
    return _WALK.index(command.name or getattr(command.callback, "__name__", ""))


app.registered_commands.sort(key=_place)


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


def main(call: Callable[[], object] = app) -> None:
    """Run the command line; errors made on purpose become one message and exit code 2."""
    try:
        call()
    except VaultplanError as error:
        err_console.print("[bold]vaultplan:[/bold]", end=" ")
        err_console.print(str(error), markup=False, highlight=False, soft_wrap=True)
        sys.exit(2)
