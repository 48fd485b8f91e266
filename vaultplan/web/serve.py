"""The board on a port: where it listens, and what it then asks for."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from ipaddress import ip_address
from pathlib import Path
from typing import TYPE_CHECKING

from vaultplan import week
from vaultplan.errors import SettingsError
from vaultplan.outputs.publish import check_folder
from vaultplan.settings import Settings
from vaultplan.store.accounts import Accounts
from vaultplan.store.database import open_database

if TYPE_CHECKING:
    from uvicorn import Server


@dataclass(frozen=True, slots=True)
class Listening:
    """Where the board listens, and by which names browsers reach it."""

    host: str
    port: int
    names: tuple[str, ...] = ()
    certificate: Path | None = None
    key: Path | None = None
    is_behind_proxy: bool = False

    @property
    def is_local(self) -> bool:
        """Whether only this machine can reach it."""
        if self.host == "localhost":
            return True
        try:
            return ip_address(self.host).is_loopback
        except ValueError:
            return False

    @property
    def has_tls(self) -> bool:
        """Whether it speaks TLS itself."""
        return self.certificate is not None and self.key is not None

    @property
    def hosts(self) -> frozenset[str]:
        """Names and ports as browsers send them."""
        own = {f"{self.host}:{self.port}", self.host} if not self.names else set(self.names)
        if self.is_local:
            own |= {f"{name}:{self.port}" for name in ("localhost", "127.0.0.1", "[::1]")}
        return frozenset(own)

    def check(self, has_accounts: bool) -> None:
        """Refuse to be reached from elsewhere without accounts, or in the clear.

        Raises
        ------
        SettingsError
            If so, or only one of certificate and key is given.
        """
        if (self.certificate is None) != (self.key is None):
            raise SettingsError("give both --certificate and --key, or neither")
        if self.is_local:
            return
        if not has_accounts:
            raise SettingsError(
                f"{self.host} can be reached by others: make accounts first with "
                "`vaultplan board-account`"
            )
        if not (self.has_tls or self.is_behind_proxy):
            raise SettingsError(
                f"{self.host} can be reached by others: give --certificate and --key, or say "
                "--behind-proxy if a proxy in front of it does TLS"
            )
        if not self.names:
            raise SettingsError("say with --name by which name browsers reach it")


@dataclass(frozen=True, slots=True)
class Served:
    """A board that is ready: its address, its code where there are no accounts."""

    address: str
    code: str
    server: Server

    def run(self) -> None:
        """Serve until interrupted."""
        self.server.run()


@contextmanager
def serve(
    location: str,
    accounts: Path,
    listening: Listening,
    settings: Settings,
    *,
    out: Path | None = None,
) -> Iterator[Served]:
    """Yield the board over a database, ready to be run; plans are published into ``out``.

    Raises
    ------
    SettingsError
        If it may not listen there, or its libraries are not installed.
    """
    try:
        import uvicorn

        from vaultplan.web.app import make_app
        from vaultplan.web.desk import Desk
        from vaultplan.web.guard import Door
    except ImportError as error:
        raise SettingsError(
            f"the board needs more libraries ({error.name}): install vaultplan[board]"
        ) from error
    held = Accounts(accounts)
    listening.check(bool(held.names()))
    is_secure = listening.has_tls or listening.is_behind_proxy
    if out is not None:
        check_folder(out)
    with open_database(location) as database, closing(Desk()) as desk:
        settings = week.in_zone(settings, database.time_zone)
        door = Door(held, is_secure=is_secure)
        app = make_app(database, door, settings, listening.hosts, out=out, desk=desk)
        config = uvicorn.Config(
            app, host=listening.host, port=listening.port, log_level="warning",
            access_log=False, server_header=False, proxy_headers=listening.is_behind_proxy,
            ssl_certfile=listening.certificate, ssl_keyfile=listening.key,
        )  # fmt: skip
        scheme = "https" if listening.has_tls else "http"
        address = f"{scheme}://{listening.host}:{listening.port}"
        code = "" if door.asks_for_names else door.code
        yield Served(address, code, uvicorn.Server(config))
