"""Commands that judge the program's own work: how good its forecasts were."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from vaultplan import scoring
from vaultplan.cli.console import (
    DEFAULT_DB,
    AsOf,
    Db,
    SettingsFile,
    app,
    day,
    out_console,
    settings_of,
    show,
    steps,
)


@app.command()
def skill(
    db: Db = DEFAULT_DB,
    first: Annotated[
        datetime | None,
        typer.Option(
            "--from", formats=["%Y-%m-%d"], help="First day to forecast from; then 3-monthly."
        ),
    ] = None,
    last: Annotated[
        datetime | None,
        typer.Option("--to", formats=["%Y-%m-%d"], help="Last day to forecast from."),
    ] = None,
    origins: Annotated[
        int | None,
        typer.Option("--origins", min=1, help="So many days to forecast from; 8 if not given."),
    ] = None,
    horizon: Annotated[
        int, typer.Option("--horizon", min=1, max=365, help="Farthest days ahead that are scored.")
    ] = 90,
    as_of: AsOf = None,
    trees: Annotated[
        bool,
        typer.Option("--trees", help="Compare with boosted trees too: slow, needs scikit-learn."),
    ] = False,
    seed: Annotated[int, typer.Option("--seed", help="Seed of all draws.")] = 1,
    settings: SettingsFile = None,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder for skill.html and the tables.")
    ] = None,
) -> None:
    """Tell how good past forecasts would have been, on the database's own visits.

    Forecasts are made again from past days, each with what was known then, and held against the
    visits that followed and against simpler rules.

    Example: [bold]vaultplan skill --out skill[/bold]
    """
    with steps() as on_step:
        scored = scoring.skill(
            db,
            out=out,
            first=day(first),
            last=day(last),
            origins=origins,
            horizon_days=horizon,
            as_of=day(as_of),
            with_trees=trees,
            seed=seed,
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    _tell(scored)


def _tell(scored: scoring.Scored) -> None:
    tested, scores = scored.tested, scored.skill.scores
    out_console.print(
        f"{len(tested.points):,} looks at the water, forecast from {len(tested.origins)} day(s), "
        f"{tested.origins[0]:%Y-%m-%d} to {tested.origins[-1]:%Y-%m-%d}; ranges hold 90 %"
    )
    overall = scores[scores["by"].eq("all")]
    for part, measure, title, unit in (
        ("depth", "crps_in", "Error of depth, in", "methods"),
        ("grade", "rps", "Ranked probability score of grade", "methods"),
    ):
        mine = overall[overall["part"].eq(part)]
        means = mine[mine["measure"].eq(measure)].set_index("method")
        shares = mine[mine["measure"].eq(f"{measure}_share")].set_index("method")
        if len(means):
            ours = shares[["value", "low", "high"]].add_suffix("_share")
            table = means[["value", "low", "high"]].join(ours)
            table = table.reset_index().rename(
                columns={
                    **{"method": "forecast by", "value": "score", "low": "from", "high": "to"},
                    **{"value_share": "ours over it", "low_share": "from ", "high_share": "to "},
                }
            )
            show(table, title, list(table.columns), unit=unit)
    show(_coverage(scores), "Looks inside the bands, %", _COVERAGE, unit="groups")
    events = scored.skill.events.assign(
        **{
            "stated, %": 100 * scored.skill.events["forecast_frac"],
            "happened, %": 100 * scored.skill.events["happened_frac"],
            "Brier score": scored.skill.events["brier"],
        }
    )
    shown = ["event", "points", "stated, %", "happened, %", "Brier score", "skill"]
    show(events, "Chances, and what happened", shown, unit="events")
    for path in scored.written:
        out_console.print(f"  {path}", highlight=False, soft_wrap=True)


_COVERAGE = ["looks before", "looks", "50 % band", "80 % band", "90 % band", "above p90"]


def _coverage(scores: pd.DataFrame) -> pd.DataFrame:
    chosen = scores[scores["part"].eq("depth") & scores["by"].isin(["all", "looks before"])]
    names = ["inside_50", "inside_80", "inside_90", "above_p90"]
    wide = chosen[chosen["measure"].isin(names)].pivot_table(
        "value", ["by", "group", "points"], "measure"
    )
    wide = (100 * wide[names]).round(0).astype(int).reset_index().drop(columns="by")
    wide.columns = pd.Index(_COVERAGE)
    return wide
