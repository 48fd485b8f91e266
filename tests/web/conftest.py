"""The board on a port of its own, over a planned week of the invented town."""

from __future__ import annotations

import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import httpx
import pytest
import uvicorn
from fastapi import FastAPI

from vaultplan.settings import Settings
from vaultplan.store.accounts import PEOPLE, Accounts
from vaultplan.store.database import open_database
from vaultplan.web.app import make_app
from vaultplan.web.desk import Desk
from vaultplan.web.guard import COOKIE, Door

#: Of every role, for tests alone.
PASSWORD = "long enough to test with"


@dataclass
class Running:
    """A board on a port of its own, which may go down and come up again."""

    location: str
    door: Door
    app: FastAPI
    host: str
    lifespan: Literal["on", "off"] = "off"
    _server: uvicorn.Server | None = None
    _thread: threading.Thread | None = None

    @property
    def address(self) -> str:
        return f"http://{self.host}"

    def up(self, listener: socket.socket | None = None) -> None:
        port = int(self.host.rpartition(":")[2])
        listener = listener or socket.create_server(("127.0.0.1", port))
        self._server = uvicorn.Server(
            uvicorn.Config(self.app, log_level="error", access_log=False, lifespan=self.lifespan)
        )
        self._thread = threading.Thread(target=self._server.run, args=([listener],), daemon=True)
        self._thread.start()
        while not self._server.started:
            time.sleep(0.02)

    def down(self) -> None:
        if self._server is not None and self._thread is not None:
            self._server.should_exit = True
            self._server.force_exit = True
            self._thread.join(timeout=20)
            self._server = None

    @contextmanager
    def client(self, role: str | None = None) -> Iterator[httpx.Client]:
        """A browser's stand-in, with a session of a role if one is named."""
        with httpx.Client(base_url=self.address, follow_redirects=True, timeout=60) as client:
            if role is not None:
                # Opened at once: reckoning a password's hash takes its time, as it should.
                token, _ = self.door.accounts.begin(role, role)
                client.cookies.set(COOKIE, token, domain="127.0.0.1")
            yield client


@pytest.fixture(scope="module")
def start(
    planned_town: Path, tmp_path_factory: pytest.TempPathFactory, quick: Settings
) -> Iterator[Callable[..., Running]]:
    """Starts boards, each over a copy of its own; all end with the tests of the file."""
    begun: list[Running] = []
    databases, desks = [], []

    def started(
        *,
        accounts: bool = True,
        lifespan: Literal["on", "off"] = "off",
        busy_seconds: float = 60,
        publishes: bool = False,
    ) -> Running:
        folder = tmp_path_factory.mktemp("board")
        town = shutil.copy(planned_town, folder / "town.gpkg")
        held = Accounts(folder / "accounts.sqlite")
        for role in PEOPLE if accounts else ():
            held.put(role, role, PASSWORD)
        door = Door(held)
        database = open_database(str(town), busy_seconds=busy_seconds)
        databases.append(database)
        listener = socket.create_server(("127.0.0.1", 0))
        host = f"127.0.0.1:{listener.getsockname()[1]}"
        desk = Desk()
        desks.append(desk)
        app = make_app(
            database, door, quick.model_copy(update={"time_zone": database.time_zone}),
            frozenset({host}), out=folder / "out" if publishes else None, desk=desk,
        )  # fmt: skip
        running = Running(str(town), door, app, host, lifespan)
        running.up(listener)
        begun.append(running)
        return running

    yield started
    for running in begun:
        running.down()
    for desk in desks:
        desk.close()
    for database in databases:
        database.close()


@pytest.fixture(scope="module")
def board(start: Callable[..., Running]) -> Running:
    """A board with an account of each role, named like it."""
    return start()
