"""A throw-away PostGIS server, and every database test run on both stores."""

from __future__ import annotations

import os
import pickle
import shutil
import subprocess
import sys
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import hypothesis
import pandas as pd
import pytest

from vaultplan import loading, pipeline, replanning
from vaultplan.settings import Settings, load_settings
from vaultplan.store.database import Database, create_database, open_database

# A slow machine is no fault of the code: no example is failed for its time. Where nothing may be
# left out the examples are the same every time, so that a change is judged by what it changed;
# new ones are looked for everywhere else.
_IS_GATE = os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1"
hypothesis.settings.register_profile("unhurried", deadline=None, derandomize=_IS_GATE)
hypothesis.settings.load_profile("unhurried")

# What runs keep for the next one is for the tests that are about it (fixture ``keeping``).
os.environ["VAULTPLAN_KEEP"] = "none"

MADE_AT = pd.Timestamp("2026-10-30T20:00Z")
CRS = "EPSG:32606"
TIME_ZONE = "Etc/GMT+10"
POSTGIS = Path(__file__).parents[1] / "scripts" / "postgis"
#: The database that the server has to begin with: empty, with PostGIS.
EMPTY = "vaultplan"
CHROMIUM = Path("/usr/bin/chromium")
BROWSER_FLAGS = [
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


def _unavailable(reason: str) -> None:
    if os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1":
        pytest.fail(f"PostGIS tests are required, but {reason}")
    pytest.skip(f"PostGIS tests left out: {reason}")


@pytest.fixture(scope="session")
def postgis_server() -> Iterator[str]:
    """URL of a PostGIS server of our own, without the database's name; it stops with the tests."""
    # A session of its own: Ctrl-C reaches pytest first, which then stops the server. Where the
    # tests are killed outright, the server sees that they are gone.
    server = subprocess.Popen(
        [sys.executable, POSTGIS, "--no-fsync", "--while", str(os.getpid())],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        assert server.stdout is not None
        url = server.stdout.readline().strip()
        if not url:
            _unavailable(server.communicate()[1].strip())
        yield url.rsplit("/", 1)[0]
    finally:
        server.terminate()
        server.communicate(timeout=60)


def _on_server(url: str, statement: str, database: str = "postgres") -> None:
    import psycopg

    with psycopg.connect(f"{url}/{database}", autocommit=True) as connection:
        connection.execute(statement)


@contextmanager
def _copy_of(template: str, server: str) -> Iterator[str]:
    """URL of a new database like the template; it is dropped at the end."""
    name = f"test_{uuid.uuid4().hex}"
    _on_server(server, f"CREATE DATABASE {name} TEMPLATE {template}")
    yield f"{server}/{name}"
    _on_server(server, f"DROP DATABASE {name} WITH (FORCE)")


@pytest.fixture
def postgis_url(postgis_server: str) -> Iterator[str]:
    """URL of an empty database that has PostGIS; it is dropped after the test."""
    with _copy_of(EMPTY, postgis_server) as url:
        yield url


@pytest.fixture(params=["embedded", pytest.param("postgis", marks=pytest.mark.postgis)])
def location(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """Where a new database can be made: a path, then a PostGIS URL."""
    if request.param == "embedded":
        return str(tmp_path / "fleet.gpkg")
    return request.getfixturevalue("postgis_url")


def _make(location: str) -> None:
    create_database(location, CRS, name="Saltmarrow", time_zone=TIME_ZONE).close()


@pytest.fixture(scope="session")
def made_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty embedded database to copy, so that not every test has to make one."""
    path = tmp_path_factory.mktemp("made") / "made.gpkg"
    _make(str(path))
    return path


@pytest.fixture(scope="session")
def made_on_server(postgis_server: str) -> str:
    """Name of an empty database on the server to copy."""
    _on_server(postgis_server, f"CREATE DATABASE made TEMPLATE {EMPTY}")
    _make(f"{postgis_server}/made")
    return "made"


@pytest.fixture
def embedded(made_file: Path, tmp_path: Path) -> Iterator[Database]:
    """A new, empty database of the invented town in a file."""
    path = shutil.copy(made_file, tmp_path / "fleet.gpkg")
    with open_database(str(path), busy_seconds=5) as opened:
        yield opened


@pytest.fixture
def on_server(postgis_server: str, made_on_server: str) -> Iterator[Database]:
    """A new, empty database of the invented town on a PostGIS server."""
    with (
        _copy_of(made_on_server, postgis_server) as url,
        open_database(url, busy_seconds=5) as opened,
    ):
        yield opened


@pytest.fixture(params=["embedded", pytest.param("postgis", marks=pytest.mark.postgis)])
def database(request: pytest.FixtureRequest) -> Database:
    """A new, empty database of the invented town, on each store in turn."""
    return request.getfixturevalue("embedded" if request.param == "embedded" else "on_server")


@pytest.fixture
def unwritten(monkeypatch: pytest.MonkeyPatch) -> None:
    """Plans are stored and their files left unwritten, for tests that look at the plan alone."""
    for module in (pipeline, replanning):
        monkeypatch.setattr(module, "write_outputs", lambda *_args, **_more: ())


@pytest.fixture
def keeping(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Folder in which runs keep what they read and reckoned."""
    folder = tmp_path / "kept"
    monkeypatch.setenv("VAULTPLAN_KEEP", str(folder))
    return folder


@pytest.fixture(scope="session")
def quick() -> Settings:
    """The demo's settings with a solver that stops by iterations, so that plans repeat."""
    settings = load_settings(pipeline.demo_folder() / "vaultplan.toml")
    schedule = settings.schedule.model_copy(update={"iterations": 25})
    return settings.model_copy(update={"schedule": schedule})


def _load_demo(location: str) -> None:
    loading.new(location, pipeline.DEMO_CRS, name="Saltmarrow", time_zone=TIME_ZONE)
    loading.load(location, "all", pipeline.demo_folder())


def once_a_run(factory: pytest.TempPathFactory, name: str, make: Callable[[Path], None]) -> Path:
    """A folder that the first of the processes that need it fills, while the others wait."""
    base = factory.getbasetemp()
    folder = (base.parent if "PYTEST_XDIST_WORKER" in os.environ else base) / f"shared-{name}"
    done, failed = folder / "done", folder / "failed"
    try:
        folder.mkdir()
    except FileExistsError:
        while not done.exists():
            assert not failed.exists(), f"{name} could not be made; see the tests that made it"
            time.sleep(0.2)
        return folder
    try:
        make(folder)
    except BaseException:
        failed.touch()
        raise
    done.touch()
    return folder


@pytest.fixture(scope="session")
def demo_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo in a file, to read from; copy it before changing anything."""
    folder = once_a_run(tmp_path_factory, "demo", lambda to: _load_demo(str(to / "town.gpkg")))
    return folder / "town.gpkg"


@pytest.fixture(scope="session")
def planned_demo(
    demo_file: Path, tmp_path_factory: pytest.TempPathFactory, quick: Settings
) -> Path:
    """The demo's week as stored, written and returned: town.gpkg, week/, result.pickle."""

    def make(folder: Path) -> None:
        town = str(shutil.copy(demo_file, folder / "town.gpkg"))
        made = pipeline.plan(town, out=folder / "week", settings=quick, made_at=MADE_AT)
        (folder / "result.pickle").write_bytes(pickle.dumps(made))

    return once_a_run(tmp_path_factory, "planned", make)


@pytest.fixture(scope="session")
def demo_on_server(postgis_server: str) -> str:
    """Name of a database on the server that holds the demo, to copy."""
    _on_server(postgis_server, f"CREATE DATABASE demo_town TEMPLATE {EMPTY}")
    _load_demo(f"{postgis_server}/demo_town")
    return "demo_town"


@pytest.fixture(scope="session")
def planned_town(planned_demo: Path) -> Path:
    """The demo with a week planned, to copy."""
    return planned_demo / "town.gpkg"


@pytest.fixture
def town_file(demo_file: Path, tmp_path: Path) -> str:
    """A copy of the demo in a file."""
    return str(shutil.copy(demo_file, tmp_path / "town.gpkg"))


@pytest.fixture
def town_on_server(postgis_server: str, demo_on_server: str) -> Iterator[str]:
    """A copy of the demo on the server."""
    with _copy_of(demo_on_server, postgis_server) as url:
        yield url


@pytest.fixture(params=["embedded", pytest.param("postgis", marks=pytest.mark.postgis)])
def town(request: pytest.FixtureRequest) -> str:
    """A copy of the demo, on each store in turn."""
    embedded = request.param == "embedded"
    return request.getfixturevalue("town_file" if embedded else "town_on_server")


def new_context(browser: Any, **how: Any) -> Any:
    """A browser's context that calls nothing missing before a slow machine had its time."""
    context = browser.new_context(**how)
    context.set_default_timeout(120_000)
    return context


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    """Debian's Chromium, headless, without the requests that it makes of its own."""
    missing = "" if CHROMIUM.exists() else "Chromium is not installed"
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        missing = "playwright is not installed"
    if missing:
        if os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1":
            pytest.fail(missing)
        pytest.skip(missing)
    with sync_playwright() as started:
        running = started.chromium.launch(executable_path=str(CHROMIUM), args=BROWSER_FLAGS)
        yield running
        running.close()
