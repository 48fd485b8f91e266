"""A server that is stopped outright while a load goes on, and comes back.

A server of our own, that writes through to the disk as one in service does.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
from collections.abc import Iterator
from pathlib import Path

import psycopg
import pytest

from vaultplan import loading
from vaultplan.errors import StoreError
from vaultplan.store.database import open_database
from vaultplan.store.read import count_rows

from .conftest import CRS, NOW
from .forge import ROOT, Forge
from .places import ServerPlace, is_sound
from .state import differences, state_of

pytestmark = pytest.mark.postgis


@pytest.fixture(scope="module")
def durable(postgis_server: str, files: Path) -> Iterator[ServerPlace]:
    """A place on a server with fsync on, whose base is a town without its visits."""
    # The session's server is asked for first: without PostGIS these tests are left out too.
    script = [sys.executable, ROOT / "scripts" / "postgis", "--while", str(os.getpid())]
    server = subprocess.Popen(
        script, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True, start_new_session=True
    )
    assert server.stdout is not None
    try:
        place = ServerPlace(server.stdout.readline().strip().rsplit("/", 1)[0], "vaultplan")

        def fill(location: str) -> None:
            loading.new(location, CRS, name="Saltmarrow", time_zone="Etc/GMT+10")
            for name in ("vaults", "inlets"):
                loading.load(location, name, files / "spatial.gpkg", layer=name, now=NOW)

        place.keep("half", fill)
        yield place
    finally:
        server.terminate()
        server.wait(timeout=60)
        server.stdout.close()


def restart(place: ServerPlace) -> None:
    """Stop the server without letting it finish anything, and start it again."""
    asked = "SELECT current_setting('data_directory'), setting FROM pg_config WHERE name = 'BINDIR'"
    with psycopg.connect(f"{place.server}/postgres") as connection:
        row = connection.execute(asked).fetchone()
        assert row is not None
        assert connection.execute("SHOW fsync").fetchone() == ("on",)
    data, programs = (Path(str(part)) for part in row)
    owner = ["runuser", "-u", data.owner(), "--"] if os.geteuid() == 0 else []
    log = data.with_name("log")
    command = [programs / "pg_ctl", "-D", data, "-l", log, "-w", "-m", "immediate", "restart"]
    subprocess.run([*owner, *map(str, command)], check=True, capture_output=True, cwd=data.parent)


def test_a_server_restarted_during_a_load_loses_nothing(
    forge: Forge, durable: ServerPlace, files: Path
) -> None:
    job = {"do": "load", "files": str(files.with_name("more")), "location": durable.location}
    durable.set_back("half")
    before = state_of(durable.location)
    whole = forge.run(job)
    assert whole.status == 0, whole.error
    after = state_of(durable.location)
    draw, cut_short = random.Random(11), 0
    for _ in range(2):
        durable.set_back("half")
        delay = draw.random() * 0.8 * whole.seconds("writing", "keeping")
        timer = threading.Timer(delay, restart, (durable,))
        forge.begin(job)
        trial = forge.finish(on_mark=lambda mark, timer=timer: mark == "writing" and timer.start())
        timer.join()
        found = state_of(durable.location)
        assert found in (before, after), (differences(before, found), differences(after, found))
        durable.check()
        if trial.status:
            cut_short += 1
            # Cut short while it was being kept, it may have been.
            assert found == before or trial.last == "keeping"
            assert trial.kind == "StoreError", trial.error
            assert "the server ended the connection" in trial.error
            assert "try again when it runs" in trial.error
    assert cut_short, "no load was running when the server ended the connection"
    again = forge.run(job)
    assert again.status == 0, again.error
    is_sound(durable.location)
    assert state_of(durable.location)["visits"] == after["visits"]


def test_an_open_database_finds_the_server_again(durable: ServerPlace) -> None:
    durable.set_back("half")
    with open_database(durable.location) as database:
        count = count_rows(database, "vaults")
        restart(durable)
        assert count_rows(database, "vaults") == count
        with (
            pytest.raises(StoreError, match="the server ended the connection"),
            database.writing() as connection,
        ):
            connection.exec_driver_sql("DELETE FROM vaults")
            restart(durable)
            connection.exec_driver_sql("DELETE FROM inlets")
        assert count_rows(database, "vaults") == count
