"""A throw-away PostGIS server, and every database test run on both stores."""

from __future__ import annotations

import os
import pwd
import shlex
import shutil
import socket
import subprocess
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

import hypothesis
import pytest

from vaultplan import loading, pipeline
from vaultplan.settings import Settings, load_settings
from vaultplan.store.database import Database, create_database, open_database

# A slow machine is no fault of the code: no example is failed for its time. Where nothing may be
# left out the examples are the same every time, so that a change is judged by what it changed;
# new ones are looked for everywhere else.
_IS_GATE = os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1"
hypothesis.settings.register_profile("unhurried", deadline=None, derandomize=_IS_GATE)
hypothesis.settings.load_profile("unhurried")

CRS = "EPSG:32606"
TIME_ZONE = "Etc/GMT+10"
SERVER_USER = "vaultplan-tests"
CHROMIUM = Path("/usr/bin/chromium")
BROWSER_FLAGS = [
    *("--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run"),
    *("--disable-background-networking", "--disable-component-update", "--disable-sync"),
]


def _unavailable(reason: str) -> None:
    if os.environ.get("VAULTPLAN_REQUIRE_ALL") == "1":
        pytest.fail(f"PostGIS tests are required, but {reason}")
    pytest.skip(f"PostGIS tests left out: {reason}")


def _programs() -> Path | None:
    """The newest Debian PostgreSQL that has PostGIS."""
    found = [
        bin_
        for bin_ in Path("/usr/lib/postgresql").glob("*/bin")
        if (bin_ / "initdb").exists()
        and Path(f"/usr/share/postgresql/{bin_.parent.name}/extension/postgis.control").exists()
    ]
    return max(found, key=lambda bin_: float(bin_.parent.name), default=None)


def _as_server_user() -> list[str]:
    """PostgreSQL refuses to run as root; another user is made for it then."""
    if os.geteuid() != 0:
        return []
    try:
        pwd.getpwnam(SERVER_USER)
    except KeyError:
        subprocess.run(["useradd", "--system", SERVER_USER], check=True, capture_output=True)
    return ["runuser", "-u", SERVER_USER, "--"]


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.fixture(scope="session")
def postgis_server() -> Iterator[str]:
    """URL of a PostGIS server of our own, without the database's name; it stops with the tests."""
    programs = _programs()
    if programs is None:
        _unavailable("no PostgreSQL with PostGIS under /usr/lib/postgresql")
    folder = Path(tempfile.mkdtemp(prefix="vaultplan-postgis-"))
    server = guard = None
    try:
        user = _as_server_user()
        if user:
            shutil.chown(folder, SERVER_USER)
        data, port = folder / "data", _free_port()
        initdb = [programs / "initdb", "-D", data, "-U", "tests", "--auth=trust", "--no-sync"]
        subprocess.run(
            [*user, *initdb, "--encoding=UTF8", "--locale=C.UTF-8"], check=True, capture_output=True
        )
        options = {
            "listen_addresses": "127.0.0.1",
            "port": port,
            "unix_socket_directories": folder,
            "fsync": "off",
            "full_page_writes": "off",
            "max_connections": "40",
        }
        listed = [part for name, value in options.items() for part in ("-c", f"{name}={value}")]
        with (folder / "log").open("wb") as log:
            # A session of its own: Ctrl-C reaches pytest first, which then stops the server.
            server = subprocess.Popen(
                [*user, programs / "postgres", "-D", data, *listed],
                stdout=log,
                stderr=log,
                start_new_session=True,
            )
        url = f"postgresql://tests@127.0.0.1:{port}"
        guard = _guard(programs, folder)
        _wait_for(url, server, folder / "log")
        _on_server(url, "CREATE DATABASE with_postgis")
        _on_server(url, "CREATE EXTENSION postgis", database="with_postgis")
        yield url
    except (OSError, subprocess.CalledProcessError) as error:
        _unavailable(f"the server could not be started: {error}")
    finally:
        if guard is not None:
            guard.kill()
            guard.wait()
        if server is not None:
            subprocess.run(_stop(programs, folder), check=False, capture_output=True)
            with suppress(subprocess.TimeoutExpired):
                server.wait(timeout=20)
        shutil.rmtree(folder, ignore_errors=True)


def _stop(programs: Path, folder: Path) -> list[str]:
    stop = [programs / "pg_ctl", "-D", folder / "data", "-m", "immediate", "stop"]
    return [str(part) for part in (*_as_server_user(), *stop)]


def _guard(programs: Path, folder: Path) -> subprocess.Popen[bytes]:
    """Stop the server and clear up even when these tests are killed outright."""
    stop, place = shlex.join(_stop(programs, folder)), shlex.quote(str(folder))
    watch = f"while kill -0 {os.getpid()}; do sleep 2; done; {stop}; rm -rf {place}"
    silent = subprocess.DEVNULL
    return subprocess.Popen(
        ["sh", "-c", watch], stdout=silent, stderr=silent, start_new_session=True
    )


def _wait_for(url: str, server: subprocess.Popen[bytes], log: Path) -> None:
    import psycopg

    for _ in range(200):
        if server.poll() is not None:
            raise OSError(f"it ended at once: {log.read_text(errors='replace')[-500:]}")
        with suppress(psycopg.OperationalError):
            psycopg.connect(f"{url}/postgres").close()
            return
        time.sleep(0.1)
    raise OSError("it did not answer within 20 seconds")


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
    with _copy_of("with_postgis", postgis_server) as url:
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
    _on_server(postgis_server, "CREATE DATABASE made TEMPLATE with_postgis")
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


@pytest.fixture(scope="session")
def quick() -> Settings:
    """The demo's settings with a solver that stops by iterations, so that plans repeat."""
    settings = load_settings(pipeline.demo_folder() / "vaultplan.toml")
    schedule = settings.schedule.model_copy(update={"iterations": 25})
    return settings.model_copy(update={"schedule": schedule})


def _load_demo(location: str) -> None:
    loading.new(location, pipeline.DEMO_CRS, name="Saltmarrow", time_zone=TIME_ZONE)
    loading.load(location, "all", pipeline.demo_folder())


@pytest.fixture(scope="session")
def demo_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo in a file, to read from; copy it before changing anything."""
    path = tmp_path_factory.mktemp("demo") / "town.gpkg"
    _load_demo(str(path))
    return path


@pytest.fixture(scope="session")
def demo_on_server(postgis_server: str) -> str:
    """Name of a database on the server that holds the demo, to copy."""
    _on_server(postgis_server, "CREATE DATABASE demo_town TEMPLATE with_postgis")
    _load_demo(f"{postgis_server}/demo_town")
    return "demo_town"


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
