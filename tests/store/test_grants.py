"""A role that may read: all of it, every command that reads, and not one change."""

from __future__ import annotations

import uuid

import pandas as pd
import psycopg
import pytest
import sqlalchemy as sa
from typer.testing import CliRunner

from vaultplan import cli, pipeline
from vaultplan.errors import StoreError
from vaultplan.schema import STORED
from vaultplan.store.database import open_database
from vaultplan.store.grants import grant_reading, reading_grants
from vaultplan.store.read import count_rows, read_table
from vaultplan.store.write import upsert

pytestmark = pytest.mark.postgis
runner = CliRunner()


@pytest.fixture
def role(postgis_server: str) -> str:
    """A new role with a name to be quoted and the password ``reads``; it goes with the server."""
    name = f"Field office {uuid.uuid4().hex[:8]}"
    with psycopg.connect(f"{postgis_server}/postgres", autocommit=True) as connection:
        connection.execute(f"CREATE ROLE \"{name}\" LOGIN PASSWORD 'reads'")
    return name


def url_of(location: str, role: str) -> str:
    url = sa.make_url(location).set(username=role, password="reads")
    return url.render_as_string(hide_password=False)


@pytest.fixture
def seen(role: str, town_on_server: str) -> str:
    """The demo on the server, by the URL of the role that may read it."""
    grant_reading(town_on_server, role)
    return url_of(town_on_server, role)


def test_a_role_without_the_right_is_told_so(on_server, role):
    with pytest.raises(StoreError, match="permission denied"):
        open_database(url_of(on_server.location, role))


def test_all_is_read_and_nothing_is_changed(seen, vaults):
    with open_database(seen) as opened:
        assert count_rows(opened, "vaults") > 100
        for name in STORED:
            read_table(opened, name)
        before = read_table(opened, "vaults")
        for area in ("loads", "plans", "tables"):
            with (
                pytest.raises(StoreError, match="you may read but not change it; ask for"),
                opened.writing(area) as connection,
            ):
                upsert(connection, "vaults", vaults)
        with (
            pytest.raises(StoreError, match="you may read but not change it"),
            opened.writing() as connection,
        ):
            connection.execute(sa.delete(opened.tables["visits"]))
        pd.testing.assert_frame_equal(read_table(opened, "vaults"), before)


def test_tables_made_later_are_read_too_and_other_rights_are_not_given(seen, town_on_server, role):
    with open_database(town_on_server) as owner, owner.writing("tables") as connection:
        connection.exec_driver_sql("CREATE TABLE later AS SELECT 7 AS seven")
    with open_database(seen) as opened, opened.reading() as connection:
        assert connection.exec_driver_sql("SELECT seven FROM later").scalar() == 7
        asked = (
            "SELECT DISTINCT privilege_type FROM information_schema.role_table_grants "
            f"WHERE grantee = '{role}'"
        )
        assert connection.exec_driver_sql(asked).scalars().all() == ["SELECT"]


def test_commands_that_read_work_and_those_that_write_say_why_not(
    seen, town_on_server, tmp_path, unwritten
):
    settings = tmp_path / "vaultplan.toml"
    settings.write_text("[schedule]\niterations = 25\n")

    def run(location: str, *words: object) -> tuple[int, str]:
        given = [*map(str, words), "--db", location]
        result = runner.invoke(cli.app, given)
        if isinstance(result.exception, StoreError):
            return 2, str(result.exception)
        assert result.exception is None or isinstance(result.exception, SystemExit), words
        return result.exit_code, result.output

    made = run(
        town_on_server, "plan", "--out", tmp_path / "own", "--settings", settings, "--seed", "1"
    )
    assert made[0] == 0, made[1]
    reading = [
        ("check",),
        ("loads",),
        ("quarantine",),
        ("export", "all", tmp_path),
        ("trace", "--vault", "SM-0001"),
        ("verify", "--settings", settings),
        ("explain", "--vault", "SM-0001"),
        ("watch",),
        ("integrity",),
        ("backup", tmp_path / "copy.gpkg"),
    ]
    for words in reading:
        code, said = run(seen, *words)
        assert code == 0, (words, said)
    writing = [
        ("load", "vaults", pipeline.demo_folder() / "spatial.gpkg"),
        ("plan", "--out", tmp_path / "plan", "--settings", settings, "--seed", "2"),
    ]
    for words in writing:
        code, said = run(seen, *words)
        assert (code, "you may read but not change it" in said) == (2, True), (words, said)


def test_what_cannot_be_granted_is_said_plainly(embedded, on_server, role):
    with pytest.raises(StoreError, match="is a file and has no roles"):
        grant_reading(embedded.location, role)
    with pytest.raises(StoreError, match=r"no role nobody.*CREATE ROLE nobody LOGIN"):
        reading_grants(on_server.location, "nobody")


def test_the_statements_can_be_seen_first(on_server, role):
    words = ["grant-reading", role, "--show", "--db", on_server.location]
    shown = runner.invoke(cli.app, words, catch_exceptions=False)
    assert f'GRANT USAGE ON SCHEMA public TO "{role}";' in shown.output
    with pytest.raises(StoreError):
        open_database(url_of(on_server.location, role))
    done = runner.invoke(cli.app, [*words[:2], *words[3:]], catch_exceptions=False)
    assert done.exit_code == 0
    open_database(url_of(on_server.location, role)).close()
