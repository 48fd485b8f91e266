"""The board in a browser, and who may use it."""

from __future__ import annotations

import getpass
from pathlib import Path
from typing import Annotated

import typer

from vaultplan.cli.console import (
    DEFAULT_DB,
    Db,
    SettingsFile,
    app,
    err_console,
    out_console,
    settings_of,
)
from vaultplan.errors import SettingsError
from vaultplan.outputs.cautions import CAUTIONS
from vaultplan.store.accounts import PEOPLE, Accounts

AccountsFile = Annotated[
    Path | None,
    typer.Option("--accounts", help="File of accounts; beside an embedded database if not said."),
]


@app.command()
def board(
    db: Db = DEFAULT_DB,
    host: Annotated[
        str, typer.Option("--host", help="Address to listen on; others need accounts and TLS.")
    ] = "127.0.0.1",
    port: Annotated[int, typer.Option("--port", min=1, max=65_535, help="Port.")] = 8765,
    name: Annotated[
        list[str] | None,
        typer.Option("--name", help="Name browsers reach it by, as HOST or HOST:PORT; repeat."),
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option("--certificate", help="TLS certificate (PEM).")
    ] = None,
    key: Annotated[Path | None, typer.Option("--key", help="Key of the certificate (PEM).")] = None,
    behind_proxy: Annotated[
        bool, typer.Option("--behind-proxy", help="A proxy in front of it does TLS.")
    ] = False,
    out: Annotated[
        Path | None, typer.Option("--out", help="Folder that plans are published into.")
    ] = None,
    accounts: AccountsFile = None,
    settings: SettingsFile = None,
) -> None:
    """Open the week, the vaults and results in a browser, over the same database.

    It listens on this machine alone unless told otherwise, and needs no network.

    Example: [bold]vaultplan board --out out[/bold]
    """
    from vaultplan.web.serve import Listening, serve

    listening = Listening(
        host, port, tuple(name or ()), certificate, key, is_behind_proxy=behind_proxy
    )
    chosen = settings_of(settings, db)
    with serve(db, _accounts_of(accounts, db), listening, chosen, out=out) as served:
        out_console.print(f"The board is at {served.address}", highlight=False)
        if served.code:
            out_console.print(f"Its code: [bold]{served.code}[/bold]", highlight=False)
        out_console.print("Ctrl-C ends it.")
        out_console.print(" ".join(CAUTIONS), style="bold")
        served.run()


@app.command("board-account")
def board_account(
    name: Annotated[str, typer.Argument(help="Name to log in with.")],
    role: Annotated[
        str | None, typer.Option("--role", help=f"One of {', '.join(PEOPLE)}; asks for a password.")
    ] = None,
    close: Annotated[bool, typer.Option("--close", help="Close the account.")] = False,
    key: Annotated[
        bool, typer.Option("--key", help="Make a key for another program, shown once.")
    ] = False,
    db: Db = DEFAULT_DB,
    accounts: AccountsFile = None,
) -> None:
    """Make, change or close an account of the board, or give another program a key.

    Example: [bold]vaultplan board-account ito --role planner[/bold]
    """
    held = Accounts(_accounts_of(accounts, db))
    if key:
        out_console.print(f"The key of {name}, shown this once:", highlight=False)
        out_console.print(held.give_key(name), highlight=False, soft_wrap=True)
        return
    if close:
        if not (held.take_key(name) | held.close(name)):
            raise SettingsError(f"there is no account {name!r} in {held.path}")
        out_console.print(f"{name} is closed.", highlight=False)
        return
    if role is None:
        raise SettingsError("say --role, --key or --close")
    word = getpass.getpass("Password: ")
    if getpass.getpass("Again: ") != word:
        err_console.print("The two differ; nothing was changed.")
        raise typer.Exit(2)
    held.put(name, role, word)
    out_console.print(f"{name} may log in as {role}.", highlight=False)


def _accounts_of(path: Path | None, db: str) -> Path:
    """Return the file of accounts; that of a server's database has no place of its own."""
    if path is not None:
        return path
    if "://" in db:
        raise SettingsError("name a file of accounts with --accounts: a server has no folder")
    return Path(db).with_name(f"{Path(db).stem}.accounts.sqlite")
