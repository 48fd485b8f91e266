"""A plan made again after something happened."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vaultplan import replanning
from vaultplan.cli.console import (
    DEFAULT_DB,
    AsOf,
    ClusterAt,
    Db,
    SettingsFile,
    app,
    day,
    out_console,
    settings_of,
    show,
    steps,
    tell_written,
)
from vaultplan.outputs.cautions import CAUTIONS


@app.command()
def replan(
    out: Annotated[Path, typer.Option("--out", help="Folder for map, layers, sheets, tables.")],
    db: Db = DEFAULT_DB,
    plan_id: Annotated[
        str | None, typer.Option("--plan", help="Id of the plan to start from; the latest if none.")
    ] = None,
    as_of: AsOf = None,
    down: Annotated[
        list[str] | None,
        typer.Option("--down", help="Truck that is out, or TRUCK@YYYY-MM-DD; repeat for more."),
    ] = None,
    choose: Annotated[
        str | None,
        typer.Option("--choose", help="Alternative to take; the least regretted if none."),
    ] = None,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the solver.")] = 1,
    settings: SettingsFile = None,
    cluster: ClusterAt = None,
) -> None:
    """Make the week's plan again after rain, a truck down, new orders or results.

    What is not touched stays where it is. Load what has happened first.

    Example: [bold]vaultplan replan --as-of 2026-11-03 --down C03@2026-11-05 --out week45b[/bold]
    """
    with steps(cluster) as on_step:
        made = replanning.replan(
            db,
            out=out,
            plan_id=plan_id,
            as_of=day(as_of),
            down=down or (),
            choose=choose,
            seed=seed,
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    _tell(made)


_SHOWN = {
    "cost_if_dry_usd": "if dry",
    "cost_if_wet_usd": "at worst",
    "mean_cost_usd": "on average",
    "most_regret_usd": "most regret",
    "is_chosen": "taken",
}


def _tell(made: replanning.Replanned) -> None:
    out_console.print(
        f"[bold]Plan {made.plan_id}[/bold] as of {made.as_of:%Y-%m-%d}, in place of {made.replaces}"
    )
    counts = made.changes["what"].value_counts()
    said = ", ".join(f"{count} {str(what).replace('_', ' ')}" for what, count in counts.items())
    out_console.print(f"  {said or 'nothing changed'}")
    out_console.print(
        f"  {made.cost['drive_minutes']:+,.0f} minutes of driving, {made.cost['truck_usd']:+,.0f} "
        "USD of truck hours against the days still to come of the plan before"
    )
    if len(made.changes):
        shown = made.changes.copy()
        local = shown["call_by"].dt.tz_convert(made.time_zone)
        shown["call_by"] = local.dt.strftime("%a %d %b %H:%M")
        for side in ("was", "now"):
            on = shown[f"{side}_on"].dt.strftime("%a %d %b")
            shown[side] = shown[f"{side}_truck_id"].astype("str") + " " + on
        columns = ["order_id", "what", "was", "now", "call_by", "reason"]
        show(shown.astype({"what": "str"}), "What changed", columns, unit="orders")
    if len(made.weighed) > 1:
        weighed = made.weighed.rename(columns=_SHOWN)
        weighed["taken"] = weighed["taken"].map({True: "taken", False: ""})
        show(weighed, "Plans weighed, USD", ["plan", *_SHOWN.values()], unit="plans")
        out_console.print(
            "Regret is what a plan costs beyond the one that would have been best, in a member of "
            "the rain outlook. Take another with --choose."
        )
    tell_written(made.written)
    out_console.print(" ".join(CAUTIONS), style="dim")
