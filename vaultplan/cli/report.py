"""What the analyst hands over: a sampling draw, and the yearly report."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from vaultplan import choosing
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
)
from vaultplan.errors import SettingsError
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
