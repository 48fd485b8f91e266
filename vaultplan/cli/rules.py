"""Commands about rules: those of discharge, and those that rows are held to."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from vaultplan import ruling
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
from vaultplan.discharge.rules import load_rules
from vaultplan.intake.rules import RULES

rules_app = typer.Typer(
    invoke_without_command=True,
    no_args_is_help=False,
    rich_markup_mode="rich",
)
app.add_typer(rules_app, name="rules")
On = Annotated[
    datetime | None,
    typer.Option("--on", formats=["%Y-%m-%d"], help="Day decided for; the day after today's data."),
]


@rules_app.callback()
def list_rules(context: typer.Context) -> None:
    """List the discharge rules; or test, explain or compare them.

    Example: [bold]vaultplan rules[/bold]
    """
    if context.invoked_subcommand is None:
        listed = load_rules(None).table()
        shown = ["rule", "condition", "method", "gate", "source"]
        show(listed, "Discharge rules that come with the program", shown, limit=len(listed))


@rules_app.command("rows")
def row_rules(out: Out = None) -> None:
    """List the rules that rows are held to, and what the repair of each does.

    Example: [bold]vaultplan rules rows[/bold]
    """
    listed = pd.DataFrame([(r.name, r.severity, r.meaning, r.repair) for r in RULES.values()])
    listed.columns = pd.Index(["rule", "severity", "meaning", "repair"])
    if out is None:
        show(listed, "Rules for rows", list(listed.columns), limit=len(listed))
    else:
        deliver(listed, "Rules for rows", list(listed.columns), out, "")


@rules_app.command("test")
def test_rules(
    file: Annotated[Path | None, typer.Argument(help="Table of rules; ours if none.")] = None,
) -> None:
    """Try every case of a table of rules; exit code 1 if one comes out wrong.

    Example: [bold]vaultplan rules test our-rules.toml[/bold]
    """
    found = ruling.tried(file)
    wrong = found[~found["is_right"].astype(bool)]
    if len(wrong):
        show(wrong, "Cases that came out wrong", ["rule", "case", "expected", "fired"], limit=200)
    count = found["rule"].nunique()
    out_console.print(f"{len(found):,} cases of {count} rules, {len(wrong):,} wrong")
    if len(wrong):
        raise typer.Exit(1)


@rules_app.command("explain")
def explain_rules(
    vault: Annotated[str, typer.Argument(help="Vault to explain.")],
    db: Db = DEFAULT_DB,
    on: On = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
) -> None:
    """Say what is known of a vault's water, what each rule makes of it, and what is decided.

    Example: [bold]vaultplan rules explain V-00123 --on 2026-11-04[/bold]
    """
    with steps() as on_step:
        found = ruling.explained(
            db,
            vault,
            on=day(on),
            as_of=day(as_of),
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    show(found.facts, f"Facts of {vault}", ["fact", "value", "unit", "meaning"], limit=200)
    asked = found.rules[found.rules["applies"] != "no"]
    show(asked, "Rules that apply", ["rule", "applies", "method", "gate", "words"], limit=200)
    spared = found.rules.loc[found.rules["applies"] == "no", "rule"]
    out_console.print(f"Do not apply: {', '.join(spared)}.")
    row = found.decision.iloc[0]
    out_console.print(f"Decided: {row['method']}, {row['gate']}. {row['reason']}", markup=False)


@rules_app.command("diff")
def diff_rules(
    before: Annotated[str, typer.Argument(help="Table of rules; 'ours' for the program's.")],
    after: Annotated[str, typer.Argument(help="Table of rules; 'ours' for the program's.")],
    db: Annotated[
        str | None, typer.Option("--db", help="Decide all vaults of a database by both, too.")
    ] = None,
    on: On = None,
    as_of: AsOf = None,
    settings: SettingsFile = None,
    out: Out = None,
) -> None:
    """Tell what sets two tables of rules apart, and what they decide differently.

    Example: [bold]vaultplan rules diff ours our-rules.toml --db vaultplan.gpkg[/bold]
    """
    old, new = (None if name == "ours" else Path(name) for name in (before, after))
    changes = ruling.compared(old, new)
    if len(changes):
        shown = ["rule", "change", "before", "after"]
        show(changes, "What sets them apart", shown, limit=len(changes))
    else:
        out_console.print("The two tables say the same.")
    if db is None:
        return
    with steps() as on_step:
        differs = ruling.decided_by_both(
            db,
            old,
            new,
            on=day(on),
            as_of=day(as_of),
            settings=settings_of(settings, db),
            on_step=on_step,
        )
    shown = ["vault_id", "method_before", "method_after", "gate_before", "gate_after"]
    deliver(differs, "Decided differently", shown, out, db)
    out_console.print(f"{len(differs):,} vaults are decided differently")
