"""Results that come back from the field."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from vaultplan import recording
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
)
from vaultplan.cli.files import Apply, Today, end_of_day
from vaultplan.outputs.cautions import CAUTIONS


@app.command()
def record(
    file: Annotated[Path, typer.Argument(help="Results: CSV, XLSX or any file that load takes.")],
    db: Db = DEFAULT_DB,
    column_map: Annotated[
        Path | None, typer.Option("--map", help="Recipe (TOML) to read the file by.")
    ] = None,
    layer: Annotated[
        str | None, typer.Option("--layer", help="Sheet, where the file has several.")
    ] = None,
    apply: Apply = None,
    no_forecast: Annotated[
        bool, typer.Option("--no-forecast", help="Do not forecast the vaults before and after.")
    ] = False,
    today: Today = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Record results of visits: held to the plan, doubtful ones listed, forecasts renewed.

    Nothing is dropped: a row that contradicts itself is recorded and listed for review, one that
    cannot be read is set aside as it stands. The same sheet a second time changes nothing.

    Example: [bold]vaultplan record results.csv[/bold]
    """
    with steps() as on_step:
        found = recording.record(
            db,
            file,
            column_map=column_map,
            layer=layer,
            apply=apply or (),
            now=end_of_day(today),
            with_forecasts=not no_forecast,
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    outcome = found.loaded.outcome.iloc[0]
    out_console.print(
        f"{outcome['rows_in']:,} rows: {outcome['new']:,} new, {outcome['changed']:,} changed, "
        f"{outcome['same']:,} as they were, {outcome['quarantined']:,} set aside",
        highlight=False,
    )
    if len(found.review):
        columns = ["row", "row_key", "column_name", "value", "fault", "became"]
        show(found.review, "To be reviewed", columns, limit=30, unit="doubts")
    differs = found.compared[found.compared["differs"].ne("")]
    if len(found.compared):
        columns = ["order_id", "vault_id", "planned_method", "differs"]
        show(differs, "Other than planned", columns, limit=30, unit="visits")
        inside, known = found.in_band
        if known:
            out_console.print(
                f"Gallons lay within the band planned with in {inside:,} of {known:,} visits; "
                "some 80 % should over many.",
                highlight=False,
            )
    if found.on is not None:
        _tell_learned(found.learned, found.on)
    out_console.print(" ".join(CAUTIONS), style="bold")
    if out is not None:
        deliver(found.compared, "Results beside the plan", [], out, db)


def _tell_learned(learned: pd.DataFrame, on: pd.Timestamp) -> None:
    moved = learned.assign(
        gallons_before=_band(learned, "before"),
        gallons_now=_band(learned, "after"),
        heavy_before=[_share(value) for value in learned["prob_heavy_before"]],
        heavy_now=[_share(value) for value in learned["prob_heavy_after"]],
        far=(learned["volume_gal_p50_after"] - learned["volume_gal_p50_before"]).abs(),
    ).sort_values("far", ascending=False, kind="stable")
    columns = ["vault_id", "gallons_before", "gallons_now", "heavy_before", "heavy_now"]
    show(moved, f"Forecasts for {on:%Y-%m-%d}, most changed first", columns, unit="vaults")


def _band(rows: pd.DataFrame, when: str) -> list[str]:
    ends = [rows[f"volume_gal_{part}_{when}"] for part in ("p10", "p50", "p90")]
    return [f"{p50:,.0f} ({p10:,.0f} to {p90:,.0f})" for p10, p50, p90 in zip(*ends, strict=True)]


def _share(value: float) -> str:
    return "" if pd.isna(value) else f"{value:.0%}"
