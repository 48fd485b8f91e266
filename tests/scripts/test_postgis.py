"""The throw-away server is started in earnest and leaves nothing; the shared one has its shape."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest
import yaml

from vaultplan.store.database import create_database, open_database

ROOT = Path(__file__).parents[2]
SCRIPT = ROOT / "scripts" / "postgis"
COMPOSE = (ROOT / "scripts" / "compose.yaml").read_text(encoding="utf-8")


def ended(process: subprocess.Popen[str]) -> int:
    try:
        return process.wait(timeout=60)
    finally:
        process.kill()


@contextmanager
def running(temporary: Path, *options: str) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """A server whose folder is in one of our own, and its URL."""
    process = subprocess.Popen(
        [sys.executable, SCRIPT, *options],
        stdout=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env={**os.environ, "TMPDIR": str(temporary)},
    )
    assert process.stdout is not None
    try:
        yield process, process.stdout.readline().strip()
    finally:
        process.terminate()
        ended(process)
        process.stdout.close()


def ask(temporary: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, str(SCRIPT), *arguments]
    env = {**os.environ, "TMPDIR": str(temporary)}
    return subprocess.run(command, capture_output=True, text=True, env=env, check=False)


@pytest.fixture
def temporary(postgis_server: str, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """A folder for temporary files with a short name, which a server's user may enter.

    The session's server is asked for first: without PostGIS these tests are left out as others are.
    """
    folder = Path("/tmp") / f"vaultplan-t{os.getpid()}"
    folder.mkdir(mode=0o755)
    yield folder
    shutil.rmtree(folder)


def said(url: str, question: str) -> str:
    with psycopg.connect(url) as connection:
        row = connection.execute(question).fetchone()
    assert row is not None
    return str(row[0])


@pytest.mark.postgis
def test_a_server_starts_serves_and_leaves_nothing(temporary: Path) -> None:
    with running(temporary) as (process, url):
        assert url.startswith("postgresql://vaultplan:")
        assert said(url, "SELECT postgis_lib_version()") >= "3"
        assert said(url, "SHOW fsync") == said(url, "SHOW full_page_writes") == "on"
        assert said(url, "SHOW listen_addresses") == "127.0.0.1"
        create_database(url, "EPSG:32606", name="Saltmarrow").close()
        with open_database(url) as opened:
            assert opened.name == "Saltmarrow"
        with pytest.raises(psycopg.OperationalError, match="password"):
            psycopg.connect(url.replace(url.split(":")[2].split("@")[0], "guessed"))
        assert ask(temporary, "list").stdout.split() == [url]
        process.send_signal(signal.SIGINT)
        assert ended(process) == 0
    assert list(temporary.iterdir()) == []


@pytest.mark.postgis
def test_it_is_stopped_by_its_port_also_where_its_keeper_was_killed(temporary: Path) -> None:
    with (
        running(temporary, "--no-fsync") as (first, one),
        running(temporary, "--no-fsync") as (second, other),
    ):
        assert said(one, "SHOW fsync") == "off"
        port = other.rsplit(":", 1)[1].split("/")[0]
        assert "several run; say which" in ask(temporary, "stop").stderr
        assert ask(temporary, "stop", port).returncode == 0
        assert ended(second) == 0
        first.kill()
        ended(first)
        assert said(one, "SELECT 1") == "1"
        assert ask(temporary, "stop").returncode == 0
        with pytest.raises(psycopg.OperationalError):
            psycopg.connect(one)
    assert list(temporary.iterdir()) == []
    assert "no such server of yours runs" in ask(temporary, "stop").stderr


@pytest.mark.postgis
def test_it_ends_with_the_process_it_is_for(temporary: Path) -> None:
    owner = subprocess.Popen(["sleep", "600"])
    with running(temporary, "--no-fsync", "--while", str(owner.pid)) as (process, url):
        assert said(url, "SELECT 1") == "1"
        owner.kill()
        owner.wait()
        assert ended(process) == 0
    assert list(temporary.iterdir()) == []


@pytest.mark.postgis
@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody else")
def test_another_user_than_root_starts_one(temporary: Path, tmp_path: Path) -> None:
    """The script runs from a place that everybody may read, with the system's own Python."""
    script = shutil.copy(SCRIPT, temporary / "postgis")
    inside = temporary / "nobody"
    inside.mkdir()
    shutil.chown(inside, "nobody")
    process = subprocess.Popen(
        ["setpriv", "--reuid=nobody", "--clear-groups", "/usr/bin/env", "python3", script],
        stdout=subprocess.PIPE,
        text=True,
        env={"TMPDIR": str(inside), "PATH": "/usr/bin:/bin"},
    )
    assert process.stdout is not None
    url = process.stdout.readline().strip()
    (folder,) = inside.iterdir()
    assert folder.owner() == (folder / "data").owner() == "nobody"
    assert folder.stat().st_mode & 0o077 == 0
    assert said(url, "SELECT 1") == "1"
    process.terminate()
    assert ended(process) == 0
    process.stdout.close()
    assert list(inside.iterdir()) == []


def test_without_postgresql_it_says_what_to_install(tmp_path: Path) -> None:
    script = SCRIPT.read_text(encoding="utf-8").replace("/usr/lib/postgresql", str(tmp_path))
    done = subprocess.run([sys.executable, "-"], input=script, capture_output=True, text=True)
    assert done.returncode == 1
    assert "apt-get install postgresql postgis postgresql-postgis" in done.stderr


def test_the_shared_server_is_bound_to_this_machine_and_holds_no_password() -> None:
    told = yaml.safe_load(COMPOSE)
    (service,) = told["services"].values()
    assert service["image"].split(":")[1] not in ("", "latest")
    assert service["environment"]["POSTGRES_PASSWORD"].startswith("${VAULTPLAN_PASSWORD:?")
    assert all(port.startswith("${VAULTPLAN_BIND:-127.0.0.1}:") for port in service["ports"])
    assert "pg_isready" in " ".join(service["healthcheck"]["test"])
    (volume,) = service["volumes"]
    assert volume.split(":")[0] in told["volumes"]
