"""The command line: one verb per step of the walk, and no logic of its own."""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Annotated

import typer

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
