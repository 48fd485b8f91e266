"""What the analyst hands over: a sampling draw, and the yearly report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vaultplan import choosing, reporting
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
    table_path,
    tell_written,
)
from vaultplan.errors import SettingsError
from vaultplan.outputs.annual.facts import METHOD_WORDS, AnnualFacts, gallons
from vaultplan.outputs.cautions import CAUTIONS


@app.command()
def draw(
    db: Db = DEFAULT_DB,
    count: Annotated[
        int | None,
        typer.Option("--count", min=1, help="Samples; as many as the claim needs if not said."),
    ] = None,
    claim: Annotated[
        float | None,
        typer.Option(
            "--claim", min=0.0, max=1.0, help="Share to rule out if nothing is found: 0.05."
        ),
    ] = None,
    by: Annotated[
        list[str] | None,
        typer.Option(
            "--by",
            help=f"Strata by this; repeat for more: {', '.join(choosing.KINDS)}, "
            f"{', '.join(choosing.RECKONED)}.",
        ),
    ] = None,
    only: Annotated[
        list[str] | None,
        typer.Option("--only", help="Only vaults with COLUMN=VALUE; repeat for more."),
    ] = None,
    equal: Annotated[
        bool, typer.Option("--equal", help="As many of every stratum, not a share of each.")
    ] = False,
    reserve: Annotated[
        float | None, typer.Option("--reserve", min=0.0, help="Replacements per sample.")
    ] = None,
    seed: Annotated[int, typer.Option("--seed", min=0, help="Seed of the lots.")] = 1,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    excluded: Annotated[
        Path | None,
        typer.Option(
            "--excluded", callback=table_path, help="Write here who cannot be drawn and why."
        ),
    ] = None,
    out: Out = None,
) -> None:
    """Draw vaults to sample: in strata, spread over the map, with replacements in order.

    Example: [bold]vaultplan draw --count 59 --by district --seed 7 --out draw.csv[/bold]
    """
    chosen = settings_of(settings, db)
    with steps() as on_step:
        found = choosing.draw(
            db,
            count=count,
            share=claim or None,
            by=by or [],
            only=_pairs(only or []),
            equal=equal,
            reserve_frac=reserve,
            seed=seed,
            as_of=day(as_of),
            excluded_to=excluded,
            settings=chosen,
            on_step=on_step,
        )
    until = "no visits" if found.as_of is None else f"visits until {found.as_of:%Y-%m-%d}"
    out_console.print(f"{found.draw_id}, seed {found.seed}, {until}", highlight=False)
    strata = found.strata.assign(chance=[f"{p:.3%}" for p in found.strata["inclusion_prob"]])
    names = ["stratum", "vaults", "samples", "replacements", "chance"]
    show(strata, "Strata", names, limit=30, unit="strata")
    reasons = found.excluded["reason"].value_counts().rename("vaults").reset_index()
    show(reasons, "Cannot be drawn", ["reason", "vaults"], unit="reasons")
    confidence = f"{chosen.samples.draw_confidence:.0%}"
    supported = found.claims.assign(
        supports=[
            f"with {confidence} confidence at most {most:.1%} of the vaults that could be drawn"
            for most in found.claims["at_most_frac"]
        ]
    )
    show(supported, f"What {found.count:,} samples support", ["found", "supports"], unit="claims")
    own, others = found.spread
    out_console.print(
        f"Unevenness over the map {own:.2f}; draws by lot alone have {others:.2f} (0 is even).",
        highlight=False,
    )
    for words in found.warnings:
        out_console.print(f"Mind: {words}", highlight=False)
    out_console.print(
        "Take a replacement only for a vault that cannot be sampled, the next of its own stratum, "
        "and note why; if dry vaults are replaced, a claim is about vaults with water."
    )
    title, columns = "Drawn", ["stratum", "role", "number", "vault_id", "address", "inclusion_prob"]
    deliver(found.vaults, title, columns, out, db)
    if excluded is not None:
        out_console.print(f"{len(found.excluded):,} rows written to {excluded}")
    out_console.print(" ".join(CAUTIONS), style="bold")


def _pairs(asked: list[str]) -> dict[str, str]:
    pairs = {}
    for words in asked:
        column, sign, value = words.partition("=")
        if not sign:
            raise SettingsError(f"--only {words}: say COLUMN=VALUE")
        pairs[column.strip()] = value.strip()
    return pairs


@app.command()
def report(
    year: Annotated[int, typer.Option("--year", min=1900, max=2200, help="Calendar year.")],
    db: Db = DEFAULT_DB,
    out: Annotated[
        Path | None,
        typer.Option("--out", help="Folder to write to; report_YEAR beside you if not said."),
    ] = None,
    before: Annotated[
        Path | None,
        typer.Option("--before", help="Folder or visits file of an earlier run, to compare with."),
    ] = None,
    baseline: Annotated[
        list[int] | None,
        typer.Option("--baseline", help="Year before the change to reckon costs against; repeat."),
    ] = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
) -> None:
    """Count a year's water: by method, month, water and outfall, with all that is not known.

    Example: [bold]vaultplan report --year 2025 --baseline 2022 --out report_2025[/bold]
    """
    chosen = settings_of(settings, db)
    if baseline:
        asked = chosen.report.model_copy(update={"baseline_years": tuple(sorted(set(baseline)))})
        chosen = chosen.model_copy(update={"report": asked})
    with steps() as on_step:
        found = reporting.report(
            db,
            year=year,
            out=out or Path(f"report_{year}"),
            before=before,
            as_of=day(as_of),
            settings=chosen,
            on_step=on_step,
        )
    facts, frames = found.facts, found.frames
    until = f"visits until {facts.as_of:%Y-%m-%d}"
    partial = "; the year is not over in these data" if facts.is_partial else ""
    out_console.print(f"{year}, {until}{partial}", highlight=False)
    lines = frames["lines"]
    told = lines[lines["breakdown"].isin(["all", "method"])]
    told = told.assign(
        method=told["key"].map(METHOD_WORDS).fillna("in all"),
        pump_outs=told["events"],
        unknown_gallons=told["unknown_events"],
        **{
            name: [gallons(value) for value in told[column]]
            for name, column in (
                ("gallons", "tenths"),
                ("measured", "measured_tenths"),
                ("estimated", "estimated_tenths"),
            )
        },
    )
    columns = ["method", "pump_outs", "gallons", "measured", "estimated", "unknown_gallons"]
    show(told, "Water removed", columns, unit="lines")
    show(frames["exceptions"], "To be looked into", ["words", "visits"], unit="kinds")
    if facts.compared_with:
        moved = frames["changed_lines"]
        columns = ["breakdown", "key", "sum", "before", "after", "visits"]
        show(moved, "Changed lines", columns, limit=15, unit="figures")
    _tell_costs(facts)
    out_console.print(
        "Every line was added up again from the visits file. A person checks and signs; this "
        "program certifies nothing.",
    )
    tell_written(found.written)
    out_console.print(" ".join(CAUTIONS), style="bold")


def _tell_costs(facts: AnnualFacts) -> None:
    costs = facts.costs
    if costs is None:
        return
    low, middle, high = costs.saved
    share = f"{facts.settings.interval:.0%}"
    out_console.print(
        f"Reckoned against the ways of {', '.join(map(str, costs.baseline_years))}: "
        f"{abs(middle):,.0f} USD {'less' if middle >= 0 else 'more'}, {share} interval of what is "
        f"saved {low:,.0f} to {high:,.0f}"
        + ("" if costs.is_told_apart else "; no saving can be told from none"),
        highlight=False,
    )
