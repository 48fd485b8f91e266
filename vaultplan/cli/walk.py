"""Commands of the walk: from the forecast to the published week."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from vaultplan import pipeline, upstream
from vaultplan.cli.console import (
    DEFAULT_DB,
    Anew,
    AsOf,
    ClusterAt,
    Db,
    Out,
    SettingsFile,
    Vaults,
    WeekOf,
    app,
    day,
    deliver,
    out_console,
    settings_of,
    show,
    steps,
    tell_written,
)
from vaultplan.errors import SettingsError
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.ranking.weights import AIMS, weights_of


@app.command()
def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for database and outputs.")] = Path(
        "vaultplan-demo"
    ),
) -> None:
    """Plan a week in the invented town of Saltmarrow, from its files to the route sheets.

    Example: [bold]vaultplan demo --out demo[/bold]
    """
    with steps() as on_step:
        result = pipeline.run_demo(out, on_step=on_step)
    _tell(result)


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
    solids: Annotated[
        bool,
        typer.Option("--solids", help="Add solids and oil in the water, for the size of socks."),
    ] = False,
    vault: Vaults = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    out: Out = None,
    cluster: ClusterAt = None,
) -> None:
    """Forecast water and grade: what each vault will hold on a day, as a band.

    Example: [bold]vaultplan forecast --on 2026-11-04 --out water.gpkg[/bold]
    """
    with steps(cluster) as on_step:
        frame = pipeline.forecast(
            db,
            days=[pd.Timestamp(day) for day in on or ()],
            points=points,
            vault_ids=vault,
            as_of=day(as_of),
            with_solids=solids,
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    shown = ["vault_id", "on", "volume_gal_p10", "volume_gal_p50", "volume_gal_p90"]
    shown += ["prob_dry", "prob_clear", "prob_light", "prob_heavy", "confidence"]
    if solids:
        shown[5:] = ["prob_heavy", "solids_lb_p50", "solids_lb_p90", "oil_gal_p90"]
    deliver(frame, "Water expected", shown, out, db)


@app.command()
def trace(
    db: Db = DEFAULT_DB,
    vault: Vaults = None,
    behind: Annotated[
        str | None,
        typer.Option("--behind", help="Id of an inlet, pipe, node, outfall or water instead."),
    ] = None,
    on: Annotated[
        datetime | None,
        typer.Option("--on", formats=["%Y-%m-%d"], help="Day whose water is behind it."),
    ] = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    out: Out = None,
    cluster: ClusterAt = None,
) -> None:
    """Follow each vault's water through the drains to the sea; or look upstream from a place.

    Example: [bold]vaultplan trace --vault V-00123[/bold]

    Example: [bold]vaultplan trace --behind "Heron Creek" --out behind.csv[/bold]
    """
    if behind is not None:
        if vault:
            raise SettingsError("--behind finds its own vaults; leave --vault out")
        with steps(cluster) as on_step:
            found = upstream.behind(
                db,
                behind,
                on=day(on),
                as_of=day(as_of),
                settings=settings_of(settings, db),
                on_step=on_step,
            )
        shown = ["vault_id", "how", "share", "expected_gal", "prob_heavy", "last_grade"]
        deliver(found.vaults, "What lies behind", [*shown, "planned_gal"], out, db)
        out_console.print(found.summary)
        return
    with steps(cluster) as on_step:
        frame = pipeline.trace(
            db, vault_ids=vault, settings=settings_of(settings, db), on_step=on_step
        )
    shown = ["vault_id", "trace_status", "inlet_id", "length_ft", "outfall_id", "waters_passed"]
    deliver(frame, "Where it would run", [*shown, "reason"], out, db)


@app.command()
def rank(
    db: Db = DEFAULT_DB,
    top: Annotated[
        int | None, typer.Option("--top", min=1, help="How many orders make the top.")
    ] = None,
    week_of: WeekOf = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    out: Out = None,
    anew: Anew = False,
) -> None:
    """Rank the open orders by water, dirt, what lies downstream and urgency.

    Example: [bold]vaultplan rank --week-of 2026-11-02 --out ranking.csv[/bold]
    """
    chosen = settings_of(settings, db)
    if top is not None:
        chosen = chosen.model_copy(
            update={"ranking": chosen.ranking.model_copy(update={"top": top})}
        )
    weights = weights_of(chosen.ranking)
    with steps() as on_step:
        frame = pipeline.rank(
            db,
            week_of=day(week_of),
            as_of=day(as_of),
            anew=anew,
            settings=chosen,
            on_step=on_step,
        )
    told = ", ".join(f"{aim} {100 * weight:.0f} %" for aim, weight in weights.weights.items())
    source = "judged in pairs" if chosen.ranking.comparisons else "set directly"
    out_console.print(f"Weights, {source}: {told}")
    if chosen.ranking.comparisons:
        out_console.print(f"Consistency ratio of the judgements: {weights.consistency_ratio:.3f}")
    if not weights.is_consistent:
        out_console.print(
            "[bold]The judgements contradict each other[/bold] (a ratio above 0.10): look at them "
            "again"
        )
    if out is None:
        show(_ranking_in_short(frame), "Ranking", ["rank", *_RANKED], unit="orders")
        out_console.print(
            "Points come from water + dirt + what lies downstream + urgency. 'top': in "
            "how many draws of water, look and weights an order is among the first "
            f"{chosen.ranking.top}; 'may be': where its rank lies in 80 % of them; orders of one "
            "tie are not told apart. --out FILE writes the reasons too."
        )
        return
    deliver(frame, "Ranking", list(frame.columns), out, db)


_RANKED = ("order_id", "vault_id", "score", "points", "top", "may be", "tie")


def _ranking_in_short(frame: pd.DataFrame) -> pd.DataFrame:
    """Return the ranking with the points of the four aims in one column, so that it fits."""
    points = [
        "+".join(f"{part:.0f}" for part in row)
        for row in frame[[f"points_{aim}" for aim in AIMS]].itertuples(index=False)
    ]
    span = frame["rank_low"].astype("str") + "-" + frame["rank_high"].astype("str")
    share = (100.0 * frame["top_share"]).round().astype("Int64").astype("str") + " %"
    return pd.DataFrame(frame).assign(
        score=frame["score"].map("{:.1f}".format),
        points=points,
        top=share,
        tie=frame["tie_band"],
        **{"may be": span},
    )


@app.command()
def plan(
    out: Annotated[Path, typer.Option("--out", help="Folder for map, layers, sheets, tables.")],
    db: Db = DEFAULT_DB,
    week_of: WeekOf = None,
    as_of: AsOf = None,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the solver.")] = 1,
    settings: SettingsFile = None,
    cluster: ClusterAt = None,
    anew: Anew = False,
) -> None:
    """Plan a week: schedule, map, layers, route sheets, tables and a summary.

    Nothing is written when the finished plan breaks one of its limits. What was read and reckoned
    before is used as far as nothing changed since, and told at the end.

    Example: [bold]vaultplan plan --week-of 2026-11-02 --out week45[/bold]
    """
    with steps(cluster) as on_step:
        result = pipeline.plan(
            db,
            out=out,
            week_of=day(week_of),
            as_of=day(as_of),
            seed=seed,
            anew=anew,
            settings=settings_of(settings, db),
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
    name, breaches = pipeline.verify(db, plan_id, settings=settings_of(settings, db))
    if breaches.empty:
        out_console.print(f"Plan {name} keeps all its limits.")
        return
    deliver(breaches, f"Plan {name} breaks its limits", list(breaches.columns), out, db)
    raise typer.Exit(1)


def _tell(result: pipeline.PlanResult) -> None:
    out_console.print(f"[bold]Plan {result.plan_id}[/bold] as of {result.as_of:%Y-%m-%d}")
    if result.reused:
        out_console.print(f"Not done again: {'; '.join(result.reused)}")
    for line in result.lines:
        out_console.print(f"  {line}")
    tell_written(result.written)
    out_console.print(" ".join(CAUTIONS), style="dim")
