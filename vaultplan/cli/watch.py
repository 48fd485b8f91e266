"""The watch-list: which planned discharges reach which sensitive water, and what is due."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from vaultplan import watching
from vaultplan.cli.console import (
    DEFAULT_DB,
    AsOf,
    ClusterAt,
    Db,
    Out,
    SettingsFile,
    app,
    day,
    deliver,
    out_console,
    settings_of,
    show,
    steps,
)
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.outputs.watch.words import day_word, gallons


@app.command()
def watch(
    water: Annotated[
        str | None,
        typer.Argument(help="Id or name of one water; every sensitive one if none is named."),
    ] = None,
    db: Db = DEFAULT_DB,
    plan_id: Annotated[
        str | None, typer.Option("--plan", help="Id of the plan; the latest made if none.")
    ] = None,
    as_of: AsOf = None,
    page: Annotated[
        Path | None, typer.Option("--page", help="Write a page with maps here: .html.")
    ] = None,
    sheet: Annotated[
        Path | None, typer.Option("--sheet", help="Write a sheet to print here: .pdf.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the bands of sums.")] = 1,
    settings: SettingsFile = None,
    out: Out = None,
    cluster: ClusterAt = None,
) -> None:
    """List the planned discharges that reach each sensitive water, and the notices due.

    Example: [bold]vaultplan watch "Lantern Lagoon" --page watch.html[/bold]
    """
    with steps(cluster) as on_step:
        found = watching.watch(
            db,
            water=water,
            plan_id=plan_id,
            as_of=day(as_of),
            page=page,
            sheet=sheet,
            seed=seed,
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    _tell(found, is_one=water is not None)
    listed, title = found.frames["discharges"], "Planned discharges"
    if out is None:
        listed = listed.assign(
            when=[
                f"{day_word(on)} {time}"
                for on, time in zip(listed["on"], listed["time"], strict=True)
            ],
            method=listed["method"].str.replace("_", " "),
            gallons=_band(listed),
        )
        shown = ["water", "when", "truck_id", "vault_id", "method", "outfall_id", "gallons"]
        show(listed, title, shown, limit=20 if water is None else 60, unit="lines")
    else:
        deliver(listed, title, [], out, db)
    for written in (page, sheet):
        if written is not None:
            out_console.print(f"  {written}", highlight=False, soft_wrap=True)
    out_console.print(" ".join(CAUTIONS), style="bold")


def _tell(found: watching.Watched, *, is_one: bool) -> None:
    """Print what is doubtful, what each water gets, and what is due."""
    out_console.print(
        f"Plan {found.plan_id}, week of {day_word(found.week_of)}, as of {day_word(found.as_of)}",
        highlight=False,
    )
    for warning in found.warnings:
        out_console.print(f"! {warning}", markup=False, highlight=False)
    waters, totals = found.frames["waters"], found.frames["totals"]
    whole = totals[totals["on"].isna()]
    bands = dict(zip(whole["water_id"], _band(whole), strict=True))
    keys = waters["water_id"].fillna("")
    waters = waters.assign(gallons=[bands.get(key, "none") for key in keys])
    if not is_one:
        waters["reason"] = waters["reason"].str.replace(r";.*", " ...", regex=True)
    columns = ["water", "sensitivity", "discharges", "gallons", "reason"]
    show(waters, "Waters on watch, strictest first", columns, unit="waters")
    notices = found.frames["notices"]
    columns = ["due_on", "state", "water", "on", "discharges", "why"]
    show(notices, "Notices due; the permit says whether and whom", columns, unit="notices")
    days = found.frames["outfall_days"]
    capped = days[days["daily_cap_gal"].notna()]
    above = capped[~capped["cap_words"].str.startswith("stays")]
    if len(capped):
        out_console.print(
            f"{len(capped) - len(above)} of {len(capped)} days of outfalls with a daily cap stay "
            "below it in nine of ten futures",
            highlight=False,
        )
    if len(above):
        above = above.assign(gallons=_band(above))
        columns = ["outfall_id", "on", "gallons", "daily_cap_gal", "cap_words"]
        show(above, "Outfalls that may go above their daily cap", columns, unit="days")
    overrides = found.frames["overrides"]
    ending = overrides[overrides["is_ending"].astype(bool)].drop_duplicates("override_id")
    if len(ending):
        columns = ["override_id", "vault_id", "ladder", "step", "ends", "who"]
        show(ending, "Overrides that end soon", columns, unit="overrides")


def _band(frame: pd.DataFrame) -> pd.Series[str]:
    bands = frame[[f"volume_gal_p{percent}" for percent in (10, 50, 90)]]
    words = [gallons(*band) for band in bands.itertuples(index=False)]
    return pd.Series(words, index=frame.index, dtype="str")
