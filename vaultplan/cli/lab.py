"""What the analyst asks: laboratory results, what socks took out, whether it becomes cleaner."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer

from vaultplan import analysing, sampling, trending
from vaultplan.analysis.interventions import Change
from vaultplan.cli.console import (
    DEFAULT_DB,
    AsOf,
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
from vaultplan.errors import SettingsError

Since = Annotated[
    datetime | None,
    typer.Option("--since", formats=["%Y-%m-%d"], help="First day that counts."),
]
Until = Annotated[
    datetime | None,
    typer.Option("--until", formats=["%Y-%m-%d"], help="Last day that counts."),
]


@app.command()
def samples(
    characteristic: Annotated[
        str | None, typer.Argument(help="The one characteristic wanted; all if none is named.")
    ] = None,
    db: Db = DEFAULT_DB,
    since: Since = None,
    until: Until = None,
    drop_held_too_long: Annotated[
        bool,
        typer.Option(
            "--drop-held-too-long", help="Leave out what was analyzed later than it may be."
        ),
    ] = False,
    wqx: Annotated[
        Path | None, typer.Option("--wqx", help="Write the results with WQX column names: .csv.")
    ] = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Sum up laboratory results, those below a limit included, and what socks removed.

    Example: [bold]vaultplan samples "Total suspended solids" --since 2025-01-01[/bold]
    """
    with steps() as on_step:
        found = sampling.sampled(
            db,
            since=day(since),
            until=day(until),
            only=characteristic,
            with_held_too_long=not drop_held_too_long,
            wqx=wqx,
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    kinds = found.characteristics.assign(
        median=_or_less(found.characteristics, "median"),
        p90=_or_less(found.characteristics, "p90"),
        mean=_means(found.characteristics),
    )
    columns = ["characteristic", "stage", "unit", "count", "below_count", "median", "p90", "mean"]
    show(kinds, "Results", columns, limit=60, unit="kinds")
    pairs = found.removals.assign(
        removed=[_removed(row) for row in found.removals.to_dict("records")],
        interval=[_interval(row) for row in found.removals.to_dict("records")],
    )
    columns = ["characteristic", "pair_count", "removed", "interval", "worse_count"]
    show(pairs, "Removed by socks, median of pairs", columns, limit=60, unit="characteristics")
    left, late = found.left_out, found.results["held_too_long"].fillna(False)
    if len(left):
        show(left, "Results left out of every figure", ["trouble", "results"], unit="reasons")
    if late.any():
        words = "left out" if drop_held_too_long else "counted; leave out: --drop-held-too-long"
        out_console.print(f"{int(late.sum()):,} results were held too long ({words})")
    out_console.print(
        "Of what is below a limit nobody knows how far. Medians and p90 are Kaplan and Meier's; a "
        "mean lies between its two bounds, whatever is below. No figure here is a permit limit."
    )
    if wqx is not None:
        out_console.print(f"  {wqx}", highlight=False, soft_wrap=True)
    if out is not None:
        deliver(found.results, "Results", [], out, db)


@app.command()
def hotspots(
    db: Db = DEFAULT_DB,
    by: Annotated[str, typer.Option("--by", help="vault, hex or outfall.")] = "vault",
    along: Annotated[
        str,
        typer.Option("--along", help="Neighbours straight, along streets, or along drains."),
    ] = "straight",
    since: Since = None,
    until: Until = None,
    heavy_only: Annotated[
        bool, typer.Option("--heavy-only", help="Only heavy counts as dirty.")
    ] = False,
    permutations: Annotated[
        int, typer.Option("--permutations", min=99, help="Random maps to weigh against.")
    ] = 99_999,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the random maps.")] = 1,
    spots: Annotated[
        Path | None,
        typer.Option("--spots", help="Write the hot spots with all their evidence here: .csv."),
    ] = None,
    page: Annotated[
        Path | None,
        typer.Option("--page", help="Write a page with maps and the evidence here: .html."),
    ] = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Find where vaults are dirtier than others of their kind, more than by chance.

    Example: [bold]vaultplan hotspots --since 2022-01-01 --page hot.html[/bold]
    """
    chosen = settings_of(settings, db)
    with steps() as on_step:
        found = analysing.hot_spots(
            db,
            by=by,
            along=along,
            since=day(since),
            until=day(until),
            heavy_only=heavy_only,
            permutations=permutations,
            seed=seed,
            page=page,
            settings=chosen,
            on_step=on_step,
        )
    states = found.places["state"].value_counts()
    words = {"hot": "hot", "not_hot": "not hot", "not_known": "not known: too few looked into"}
    told = ", ".join(f"{states.get(name, 0):,} {said}" for name, said in words.items())
    out_console.print(f"{len(found.places):,} places: {told}", highlight=False)
    clusters = found.clusters.assign(expected_looks=found.clusters["expected_looks"].round(1))
    columns = [
        *("example", "vault_count", "looks", "dirty_looks", "expected_looks"),
        *("random_maps_frac", "causes"),
    ]
    shown = clusters.assign(random_maps_frac=[_maps(x) for x in clusters["random_maps_frac"]])
    show(shown, "Hot spots, most excess first", columns, limit=20, unit="hot spots")
    out_console.print(
        f"Looks at one vault hang together by {found.facts.together:.2f} and weigh less for it. "
        f"Of the hot places told {chosen.hotspots.rate:.0%} may be so by chance. Causes go with "
        "dirt in the whole fleet and are common there: that is no proof."
    )
    if page is not None:
        out_console.print(f"  {page}", highlight=False, soft_wrap=True)
    if spots is not None:
        deliver(found.clusters, "Hot spots", [], spots, db)
    if out is not None:
        deliver(found.places, "Places", [], out, db)


def _maps(share: float) -> str:
    return f"{share:.5f}" if share < 0.001 else f"{share:.3f}"


@app.command()
def trends(
    db: Db = DEFAULT_DB,
    by: Annotated[str, typer.Option("--by", help="fleet, district or water.")] = "fleet",
    heavy_only: Annotated[
        bool, typer.Option("--heavy-only", help="Only heavy counts as dirty.")
    ] = False,
    events: Annotated[
        Path | None,
        typer.Option("--events", help="CSV of vault_id and on: what was done, to weigh."),
    ] = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Tell whether the share of vaults seen dirty rises or falls, season by season.

    Example: [bold]vaultplan trends --by district --events cleanings.csv[/bold]
    """
    if by not in trending.GROUPS:
        raise SettingsError(f"--by {by}: choose one of {', '.join(trending.GROUPS)}")
    with steps() as on_step:
        found = trending.trended(
            db,
            by=by,
            least_grade="heavy" if heavy_only else "light",
            events=events,
            as_of=day(as_of),
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    told = found.trends.assign(
        **{by: found.trends["group"]},
        quarters=found.trends["count"],
        points_a_year=[_points(row, "slope") for row in found.trends.to_dict("records")],
        interval=[
            f"{_points(row, 'slope_low')} to {_points(row, 'slope_high')}"
            if pd.notna(row["slope_low"])
            else "too few quarters"
            for row in found.trends.to_dict("records")
        ],
        by_chance=[_chance(value) for value in found.trends["chance_adjusted"]],
    )
    columns = [by, "quarters", "looked_count", "points_a_year", "interval", "by_chance"]
    show(told, "Share of vaults seen dirty, percentage points", columns, limit=40, unit="trends")
    if found.change is not None:
        _tell_change(found.change)
    out_console.print(
        "A vault counts once a quarter, by its worst look. Which vaults are looked at is nobody's "
        "draw: a share may change because others are visited. by_chance: of all trends with this "
        "or less, such a share at most is no trend."
    )
    if out is not None:
        deliver(found.quarters, "Quarters", [], out, db)


def _tell_change(change: Change) -> None:
    words = change.why or (
        f"{100 * change.change_frac:+.1f} percentage points of dirty looks against like vaults, "
        f"95 % interval {100 * change.low_frac:+.1f} to {100 * change.high_frac:+.1f}, "
        f"{len(change.vaults):,} vaults"
    )
    out_console.print(f"After what was done: {words}", highlight=False)


def _points(row: Mapping[Hashable, Any], name: str) -> str:
    return "" if pd.isna(row[name]) else f"{100 * row[name]:+.2f}"


def _chance(value: float) -> str:
    if pd.isna(value):
        return ""
    return "below 0.001" if value < 0.001 else f"{value:.3f}"


def _or_less(kinds: pd.DataFrame, name: str) -> list[str]:
    """Return a quantile in words: where it lies below the least detected value, that."""
    words = []
    for value, least in zip(kinds[name], kinds["least_detected"], strict=True):
        below = "not detected" if pd.isna(least) else f"below {_figures(least)}"
        words.append(below if pd.isna(value) else _figures(value))
    return words


def _means(kinds: pd.DataFrame) -> list[str]:
    words = []
    for low, high in zip(kinds["mean_low"], kinds["mean_high"], strict=True):
        both = dict.fromkeys([_figures(low), _figures(high)])
        words.append("" if pd.isna(high) else " to ".join(both))
    return words


def _figures(value: float) -> str:
    return f"{value:,.3g}" if abs(value) < 1000 else f"{value:,.0f}"


def _removed(row: Mapping[Hashable, float]) -> str:
    """Return a median share removed in words, its bounds where non-detects leave it open."""
    low, high = row["median_least_frac"], row["median_most_frac"]
    if low == high:
        return f"{low:.0%}"
    if high >= 1.0:
        return "cannot tell" if low == float("-inf") else f"at least {low:.0%}"
    return f"at most {high:.0%}" if low == float("-inf") else f"{low:.0%} to {high:.0%}"


def _interval(row: Mapping[Hashable, float]) -> str:
    low, high = row["low_frac"], row["high_frac"]
    if pd.isna(low):
        return "too few pairs"
    least = "no lower bound" if low == float("-inf") else f"{low:.0%}"
    return f"{least} to {high:.0%}"
