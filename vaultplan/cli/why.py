"""Commands that say why: what fills a vault, what moved its forecast, where a look pays."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import typer

from vaultplan import explaining
from vaultplan.cli.console import (
    DEFAULT_DB,
    AsOf,
    Db,
    Out,
    SettingsFile,
    Vaults,
    WeekOf,
    app,
    day,
    deliver,
    settings_of,
    steps,
    tell_written,
)


@app.command()
def explain(
    db: Db = DEFAULT_DB,
    vault: Vaults = None,
    on: Annotated[
        datetime | None, typer.Option("--on", formats=["%Y-%m-%d"], help="Day forecast.")
    ] = None,
    since: Annotated[
        datetime | None,
        typer.Option("--since", formats=["%Y-%m-%d"], help="Earlier day to compare with."),
    ] = None,
    as_of: AsOf = None,
    page: Annotated[
        Path | None,
        typer.Option("--page", help="Write a page with pictures of these vaults here: .html."),
    ] = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Say what fills each vault, and what moved its forecast since an earlier day.

    Example: [bold]vaultplan explain --vault V-00123 --since 2026-10-23[/bold]
    """
    with steps() as on_step:
        frame = explaining.explain(
            db,
            vault_ids=vault,
            on=day(on),
            since=day(since),
            as_of=day(as_of),
            page=page,
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    shown = ["vault_id", "inflow", "filling_in", "volume_gal_p50_before", "volume_gal_p50"]
    deliver(frame, "What fills them, and what moved the forecast", [*shown, "reason"], out, db)
    if page is not None:
        tell_written([page])


@app.command()
def peek(
    db: Db = DEFAULT_DB,
    week_of: WeekOf = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """List the week's vaults where a look beforehand would most change what is sent.

    Example: [bold]vaultplan peek --week-of 2026-11-02 --out looks.csv[/bold]
    """
    with steps() as on_step:
        frame = explaining.peek(
            db,
            week_of=day(week_of),
            as_of=day(as_of),
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    shown = ["vault_id", "send", "prob_nothing", "prob_vacuum_truck", "expected_loss_usd"]
    deliver(frame, "Where a look pays", [*shown, "look_worth_usd", "reason"], out, db)
